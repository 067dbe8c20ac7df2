"""The blanked sweep: what it tells of pins, guides and lip, from machines marched step by step."""

from dataclasses import replace

import numpy as np
import pytest
from simulate import CylinderTruth, Effects, MotorTruth, Pins, PlannedSweep, Protocol, SealLaw, TorqueLaw, Truth
from simulate import write_bench as simulated
from simulate.recording import PlannedRecording

from driveloss.bench.load import load_bench
from driveloss.bench.records import Quantity
from driveloss.breakdown.ask import breakdown
from driveloss.errors import InputError
from driveloss.fit.calibrate import calibrate
from driveloss.fit.store import from_text, to_text
from fit.benches import Sheet, write_bench

AMBIENT, DRAWS = 101325.0, 200
TWICE = (4.0, 5.0, 6.0, 7.0, 8.0, 9.0, 10.0, 10.0, 9.0, 8.0, 7.0, 6.0, 5.0, 4.0)
MU, RADIUS, LIP = 0.02, 0.006, 1e-5  # [1], [m] of main bearing and crank pin, [N/Pa]
UNSTATED = frozenset({"crank.bearings", "crank.load_friction", "cylinders.pressure_friction"}) | {
    f"crank.{key}" for key in ("pin_friction", "crank_pin_radius", "wrist_pin_radius", "main_bearing_radius")
}


def machine(pins=MU, lip=LIP, **effects):
    """A scotch yoke of 40 mm bore: its pins turn once a turn under the whole force, l = mu (r_main + r_pin)."""
    cylinder = CylinderTruth(
        name="one",
        bore=0.040,
        stroke=0.028,
        seal=SealLaw(coulomb=8.0, energised=lip),
        port_diameter=0.012,
        work_ratio=0.3,
        phase=-np.pi / 2 + np.radians(45),
    )
    return Truth(
        motor=MotorTruth(resistance=0.3, torque_constant=0.2, law=TorqueLaw(coulomb=0.05)),
        linkage=TorqueLaw(coulomb=0.05, viscous=5e-4),
        cylinders=(cylinder,),
        effects=Effects(
            pins=Pins(pins, RADIUS, 0.004, RADIUS),
            lip_swing=True,
            closed_volume=1.5,
            **effects,
        ),
    )


def protocol(*, blanked=True, noise=0.0, leaves_out=UNSTATED, pressures=(AMBIENT,), **how):
    closed = [PlannedSweep("blanked", TWICE, "blanked.csv", "one", AMBIENT)] if blanked else []
    sweeps = (
        PlannedSweep("piston-disconnected", TWICE, "drive.csv"),
        *(PlannedSweep("no-load", TWICE, f"no-load-{i}.csv", "one", p) for i, p in enumerate(pressures)),
        *closed,
        PlannedSweep("loaded", TWICE[:7], "loaded.csv", "one", AMBIENT),
    )
    return Protocol(sweeps=sweeps, noise_floor=noise, leaves_out=leaves_out, power_digits=4, frequency_digits=5, **how)


def benched(folder, truth, how, seed=1):
    answer = simulated(folder, truth, how, np.random.default_rng(seed), truth)
    return answer, load_bench(folder)


def length(calibration):
    """Friction torque at the crank per newton in the rod, each draw. [m]"""
    return calibration.meters.load_friction_length(calibration.meters.cylinders["one"].stroke)


def holds(draws, truth):
    low, high = np.quantile(draws[1:], [0.025, 0.975])
    return low <= truth <= high


def test_known_pins_are_found_where_the_lip_is_stated(tmp_path):
    """The gas's own losses, marched in time, lie within their limits: so do the pins within theirs."""
    how = protocol(noise=0.01, leaves_out=UNSTATED - {"cylinders.pressure_friction"})
    _, bench = benched(tmp_path, machine(), how)
    calibration = calibrate(bench, draws=DRAWS, compare=False)
    without = calibrate(replace(bench, sweeps=tuple(s for s in bench.sweeps if s.stage != "blanked")), draws=DRAWS)
    assert holds(length(calibration), MU * 2 * RADIUS)
    assert length(calibration)[0] == pytest.approx(MU * 2 * RADIUS, rel=0.35)
    assert length(calibration).std() < 0.35 * length(without).std()


def test_known_lip_is_found_where_the_pins_are_stated(tmp_path):
    how = protocol(noise=0.01, leaves_out=frozenset({"cylinders.pressure_friction"}))
    _, bench = benched(tmp_path, machine(), how)
    calibration = calibrate(bench, draws=DRAWS, compare=False)
    lip = calibration.lip_drag("one", np.array([7.0]))[0]
    assert holds(lip, LIP)
    assert length(calibration).std() <= 1.05 * calibration.meters.prior["load_friction"].std()  # of the radii's digits


def test_two_pressures_tell_the_lip_and_pins_are_left(tmp_path):
    """The lip follows from the no-load sweeps: its assumption is idle, the blanked sweep leaves it alone."""
    _, bench = benched(tmp_path, machine(), protocol(noise=0.01, pressures=(AMBIENT, 2 * AMBIENT)))
    calibration = calibrate(bench, draws=DRAWS, compare=False)
    assert set(calibration.meters.prior) == {"load_friction_share"}
    assert holds(length(calibration), MU * 2 * RADIUS)


def test_the_net_is_held_and_narrower(tmp_path):
    """Simulated truth; pins, guides and lip are no longer assumed, and the rest of their spread keeps their name."""
    effects = {"wall_exchange": 1.3, "closed_leak": 0.1}
    answer, bench = benched(tmp_path, machine(**effects), protocol(noise=0.02))
    told = breakdown(calibrate(bench, draws=DRAWS, compare=False), bench.sweeps)
    plain = tuple(sweep for sweep in bench.sweeps if sweep.stage != "blanked")
    silent = breakdown(calibrate(replace(bench, sweeps=plain), draws=DRAWS, compare=False), plain)
    for one, other in zip(told.runs, silent.runs, strict=True):
        truth = answer.run(one.file, one.row)["pneumatic_W"]
        assert one.pneumatic.low <= truth <= one.pneumatic.high
        assert one.pneumatic.half_width < 0.6 * other.pneumatic.half_width
    rows = {assumed.row.name for assumed in told.assumptions}
    assert not rows & {"pins and guides", "lip under pressure"}
    assert {"gas spring hysteresis", "leak of the closed cylinder", "seal from sweep to blanked sweep"} <= rows
    assert "pins and guides" in told.shares
    assert np.mean(told.shares["pins and guides"]) < 0.5 * np.mean(silent.shares["pins and guides"])
    assert not {"gas spring hysteresis", "leak of the closed cylinder"} & {a.row.name for a in silent.assumptions}


def test_a_sweep_that_tells_little_leaves_the_assumptions_listed(tmp_path):
    """Readings that scatter by a watt: what was assumed of pins and lip is as open as before, and said to be."""
    _, bench = benched(tmp_path, machine(), protocol(noise=1.0))
    meters = calibrate(bench, draws=DRAWS, compare=False).meters
    assert {"pins and guides", "lip under pressure"} <= {row.name for _, row in meters.assumptions(bench.rig)}


def test_no_friction_that_grows_with_force_is_found_as_none(tmp_path):
    _, bench = benched(tmp_path, machine(pins=0.0, lip=0.0), protocol(noise=0.01))
    calibration = calibrate(bench, draws=DRAWS, compare=False)
    assert length(calibration).min() >= 0
    assert length(calibration)[0] < 0.01 * 0.014  # of the crank radius; up to 9.5 % were thinkable


def test_an_amplitude_read_beats_the_volume(tmp_path):
    """A volume that is a third off: the pins come out right by the swing that was read beside it."""
    truth = machine(lip=0.0)
    how = protocol(noise=0.01, leaves_out=UNSTATED - {"cylinders.pressure_friction"}, amplitude_column=True)
    stated = replace(truth, effects=replace(truth.effects, closed_volume=2.0))
    simulated(tmp_path, truth, how, np.random.default_rng(1), stated)
    calibration = calibrate(load_bench(tmp_path), draws=DRAWS, compare=False)
    assert holds(length(calibration), MU * 2 * RADIUS)


def test_two_cylinders_share_the_pins_and_have_a_lip_each(tmp_path):
    """Each blanked: one length for both, a drag under pressure for either, 10 and 30 N/bar."""
    one = machine(pins=0.01)
    other = replace(one.cylinders[0], name="two", bore=0.032, seal=SealLaw(coulomb=6.0, energised=3 * LIP))
    truth = replace(one, cylinders=(one.cylinders[0], other))
    how = protocol(noise=0.005, leaves_out=frozenset({"cylinders.pressure_friction"}))
    again = tuple(replace(s, cylinder="two", file=f"two-{s.file}") for s in how.sweeps[1:])
    _, bench = benched(tmp_path, truth, replace(how, sweeps=(*how.sweeps, *again)))
    calibration = calibrate(bench, draws=DRAWS, compare=False)
    assert {f"cylinders.{name}.lip_drag" for name in ("one", "two")} <= set(calibration.meters.prior)
    lips = [calibration.lip_drag(name, np.array([7.0]))[0] for name in ("one", "two")]
    assert holds(lips[0], LIP) and holds(lips[1], 3 * LIP)
    per_metre = [lip.mean() / (np.pi * bore) for lip, bore in zip(lips, (0.040, 0.032), strict=True)]
    assert per_metre[1] > per_metre[0]


def recorded_at(frequency, **how):
    return PlannedRecording("one", frequency, AMBIENT, "closed.csv", stage="blanked", **how)


def test_a_recording_tells_what_the_gas_keeps(tmp_path):
    """The simulated film exchanges more heat than any limit allows: the p-V work, dead centre known, says so."""
    truth = machine(wall_exchange=2.2)
    how = protocol(noise=0.01, leaves_out=UNSTATED - {"cylinders.pressure_friction"})
    exact = {
        "dead_centre": 0.05,
        "lag": 0.0,
        "lag_limit": 0.01e-3,
        "pressure_gain": 0.002,
        "noise": 1e-3,
        "wander": 1e-3,
    }
    told = replace(how, recordings=tuple(replace(recorded_at(f, **exact), file=f"{f}.csv") for f in (4.0, 10.0)))
    bench = benched(tmp_path / "recorded", truth, told)[1]
    with_it = calibrate(bench, draws=DRAWS, compare=False)
    without = calibrate(replace(bench, recordings=()), draws=DRAWS, compare=False)
    assert holds(length(with_it), MU * 2 * RADIUS)
    assert length(with_it).std() < 0.9 * length(without).std()  # the seal's drag on the day stays
    assert abs(length(with_it)[0] - MU * 2 * RADIUS) < 0.5 * abs(length(without)[0] - MU * 2 * RADIUS)
    rows = {row.name for _, row in with_it.meters.assumptions(bench.rig)}
    assert not rows & {"gas spring hysteresis", "leak of the closed cylinder"}


def test_it_has_no_part_in_the_loaded_runs(tmp_path):
    _, bench = benched(tmp_path, machine(), replace(protocol(noise=0.01), recordings=(recorded_at(8.0),)))
    split = breakdown(calibrate(bench, draws=50, compare=False), bench.sweeps, bench.recordings)
    assert split.recorded == ()


def test_a_timed_leak_is_not_assumed(tmp_path):
    _, bench = benched(tmp_path, machine(closed_leak=0.1), protocol(noise=0.01))
    timed = replace(bench.rig.cylinders["one"], leak_down=Quantity(10.0, 1.0))
    known = replace(bench, rig=replace(bench.rig, cylinders={"one": timed}))
    rows = {row.name for _, row in calibrate(known, draws=50, compare=False).meters.assumptions(known.rig)}
    assert "leak of the closed cylinder" not in rows and "gas spring hysteresis" in rows
    assert calibrate(known, draws=50, compare=False).meters.cylinders["one"].leak_rate[0] == pytest.approx(0.1)


def test_a_recording_of_no_blanked_reading_is_refused(tmp_path):
    _, bench = benched(tmp_path, machine(), replace(protocol(noise=0.01), recordings=(recorded_at(8.5),)))
    with pytest.raises(InputError, match=r"closed.csv: recorded at 8.5 Hz .* expected a blanked reading within 2 %"):
        calibrate(bench, draws=50, compare=False)


def test_it_is_told_and_saved(tmp_path):
    _, bench = benched(tmp_path, machine(), protocol(noise=0.01))
    calibration = calibrate(bench, draws=50, compare=False)
    fit = calibration.evidence.fits["physical"]
    assert any("friction torque at the crank" in term.label and term.unit == "mm" for term in fit.terms)
    assert any("Blanked sweep of 'one'" in note and "tells together" in note for note in fit.notes)
    again = from_text(to_text(calibration), "saved")
    assert again.meters.prior["load_friction_share"] == pytest.approx(calibration.meters.prior["load_friction_share"])
    assert "load_friction_share" not in again.meters.idle
    names = [name for name, _ in again.meters.errors()]
    assert names == [name for name, _ in calibration.meters.errors()]


def test_a_reading_below_the_power_without_load_is_named(tmp_path):
    _, bench = benched(tmp_path, machine(), protocol(noise=0.01))
    sweep = next(sweep for sweep in bench.sweeps if sweep.stage == "blanked")
    power = sweep.power.copy()
    power[3] *= 0.7
    wrong = replace(bench, sweeps=tuple(s.replace(power=power) if s is sweep else s for s in bench.sweeps))
    found = [one for one in calibrate(wrong, draws=50, compare=False).findings if one.kind == "blanked"]
    assert [(one.file, one.line) for one in found] == [("blanked.csv", sweep.line[3])]
    assert "was the head open?" in found[0].sentence and found[0].watts > 0
    assert not [one for one in calibrate(bench, draws=50, compare=False).findings if one.kind == "blanked"]


# Bad input

HEADER = "frequency [Hz],power [W]"
FREQUENCIES = (4.0, 6.0, 8.0)
CLOSED = '[cylinders.one]\nbore = "30 mm"\nstroke = "36 mm"\nclosed_volume = "30 cm^3"\n'


def written(folder, header=HEADER, rows=tuple((f, 4 * f) for f in FREQUENCIES), cylinder=CLOSED, swept=True):
    sheets = [
        Sheet("piston-disconnected", HEADER, [(f, 2 * f) for f in FREQUENCIES]),
        *([Sheet("no-load", HEADER, [(f, 3 * f) for f in FREQUENCIES])] if swept else []),
        Sheet("blanked", header, rows),
    ]
    return write_bench(folder, '[motor]\nsupply = "terminals"', sheets, cylinder)


REFUSED = {
    "no swing": ({"cylinder": CLOSED.partition("closed")[0]}, "pressure amplitude.*closed_volume"),
    "two readings": ({"rows": ((4.0, 16.0), (6.0, 24.0))}, "expected 3 readings or more, read 2"),
    "no sweep without load": ({"swept": False}, "expected a no-load sweep of the same cylinder"),
    "open head": (
        {
            "header": f"{HEADER},pressure amplitude [bar]",
            "rows": ((4.0, 16.0, 0.3), (6.0, 24.0, 0.0), (8.0, 32.0, 0.3)),
        },
        "line 3, column 'pressure amplitude.*above zero",
    ),
    "volume in litres": ({"cylinder": CLOSED.replace("30 cm^3", "30 m^3")}, "closed_volume.*cm"),
    "leak in no time": ({"cylinder": f'{CLOSED}leak_down = "1 ms"\n'}, "leak_down"),
    "no power": ({"rows": ((4.0, 0.0), (6.0, 24.0), (8.0, 32.0))}, "above zero at stage 'blanked'"),
}


@pytest.mark.parametrize("why", REFUSED)
def test_bad_input_is_refused_in_one_sentence(tmp_path, why):
    changes, told = REFUSED[why]
    with pytest.raises(InputError, match=told) as refused:
        written(tmp_path, **changes)
    assert "\n" not in str(refused.value)


def test_the_bench_itself_is_read(tmp_path):
    bench = written(tmp_path)
    closed = next(sweep for sweep in bench.sweeps if sweep.stage == "blanked")
    assert closed.mean_pressure == pytest.approx(np.full(3, 1e5))
    assert bench.rig.cylinders["one"].closed_volume.value == pytest.approx(30e-6)
