"""Long sweeps by the means of their repeats: nothing that a fit can use is lost."""

import numpy as np
import pytest
from simulate import CylinderTruth, MotorTruth, Protocol, SealLaw, TorqueLaw, Truth, ladder, write_bench

from driveloss.bench import load
from driveloss.bench.load import load_bench
from driveloss.bench.repeats import averaged
from driveloss.fit.calibrate import calibrate
from driveloss.losses.ask import losses

FREQUENCIES = (5.0, 7.0, 9.0, 11.0, 13.0)  # [Hz]
TRUTH = Truth(
    motor=MotorTruth(
        supply="controller", standby=4.0, resistance=0.42, torque_constant=0.061, law=TorqueLaw(coulomb=0.02)
    ),
    linkage=TorqueLaw(coulomb=0.05, viscous=4e-4),
    cylinders=(CylinderTruth("wide", 0.044, 0.036, SealLaw(coulomb=11.0), port_diameter=0.012),),
    ratio=3.0,
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A bench of 40 repeats at each setting."""
    folder = tmp_path_factory.mktemp("repeats")
    sweeps = ladder(TRUTH, FREQUENCIES, (2.4e5,), repeats=40, standby=40)
    protocol = Protocol(sweeps=sweeps, noise_floor=0.01, noise_share=0.005, power_digits=4)
    write_bench(folder, TRUTH, protocol, np.random.default_rng(5), stated=TRUTH)
    return folder


def test_means_and_their_deviation(folder):
    """NumPy's own mean and standard error of the readings of one setting."""
    sweep = next(one for one in load_bench(folder).sweeps if one.stage == "no-load")
    short = averaged(sweep)
    assert len(short) == 4 * len(FREQUENCIES)
    for f in FREQUENCIES:
        mine, its = np.isclose(sweep.frequency, f, rtol=4e-3), np.isclose(short.frequency, f, rtol=4e-3)
        assert short.power[its].mean() == pytest.approx(sweep.power[mine].mean(), rel=1e-12)
        deviations = [part.std(ddof=1) / np.sqrt(len(part)) for part in np.split(sweep.power[mine], 4)]
        assert short.power_scatter[its] == pytest.approx(deviations, rel=0.4)  # those are about a line in frequency
        assert set(short.line) <= set(sweep.line)


def test_a_product_stays_the_product(folder):
    sweep = load_bench(folder).sweeps[-1]
    product = sweep.replace(
        from_volts_and_amps=True, voltage=np.full(len(sweep), 24.0), current=sweep.power / 24.0, power_scatter=None
    )
    short = averaged(product)
    assert short.voltage * short.current == pytest.approx(short.power, rel=1e-12)


def test_a_sweep_without_steps_is_taken_by_bins():
    """The sum of f^3 over a ramp of 30,000 readings, by its means: to the curvature within a bin."""
    f = np.linspace(4.0, 16.0, 30_000)
    ramp = sweep_of(f, 0.01 * f**3)
    short = averaged(ramp)
    assert len(short) < 150
    assert short.power == pytest.approx(0.01 * short.frequency**3, rel=3e-5)
    assert (short.power_scatter < 1e-3 * short.power).all()


def sweep_of(frequency, power):
    from driveloss.bench.records import Sweep

    line = np.arange(2, len(frequency) + 2)
    about = {"stage": "piston-disconnected", "cylinder": None, "file": "ramp.csv", "sha256": "", "line": line}
    return Sweep(**about, frequency=frequency, power=power, power_resolution=0.0, from_volts_and_amps=False)


def test_losses_and_their_intervals_stay(folder, monkeypatch):
    """The same bench with every reading in every draw: losses alike, intervals no narrower than by a quarter."""
    whole = load_bench(folder)
    monkeypatch.setattr(load, "MANY_READINGS", 500)
    short = load_bench(folder)
    assert [len(sweep) for sweep in short.sweeps] == [4, 20, 20, 20, 200]  # loaded readings stay
    assert any("the ladder's 640 readings are taken as" in notice for notice in short.notices)
    rows = [losses(calibrate(bench, draws=500, compare=False), [6.0, 12.0]) for bench in (whole, short)]
    for each, few in zip(*rows, strict=True):
        assert few.total.value == pytest.approx(each.total.value, abs=each.total.half_width)
        assert 0.75 < few.total.half_width / each.total.half_width < 1.6
