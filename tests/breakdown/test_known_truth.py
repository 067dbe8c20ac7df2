"""Benches whose truth is known (see tests/simulate): every part of every loaded run must come back.

Without noise, with perfect instruments and many digits: within 0.1 % of the input power where the true laws are
powers of speed, 0.5 % with a Stribeck seal. Each way of knowing the motor's load loss is tried.
"""

from dataclasses import replace

import numpy as np
import pytest
from exact import state_exactly
from fit.benches import Sheet
from fit.benches import write_bench as write_sheets
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from simulate import (
    CylinderTruth,
    Effects,
    MotorTruth,
    Protocol,
    SealLaw,
    TorqueLaw,
    Truth,
    ladder,
    random_bench,
    random_truth,
    write_bench,
)

from driveloss.bench.load import load_bench
from driveloss.breakdown.ask import breakdown
from driveloss.fit.calibrate import calibrate
from driveloss.say.quantities import PARTS

AMBIENT = 101325.0  # [Pa]
FREQUENCIES = (4.0, 5.5, 7.0, 8.5, 10.0, 11.5, 13.0, 14.5)  # [Hz]
DRAWS = 50
PORT = ("open_port_diameter", "discharge_coefficient")
COMPARED = ("standby", "motor", "motor_copper", "linkage", "drive", "transmission", "seal", "pneumatic")
SAME_SCALE = ("aftercooler_heat", "friction_heat")

MOTOR_LAW = TorqueLaw(coulomb=0.012, viscous=3e-5)
BELT_LAW = TorqueLaw(coulomb=0.04, rolling=8e-4)
FAN_LAW = TorqueLaw(coulomb=0.03, viscous=4e-4, windage=3e-6)
NARROW = CylinderTruth("narrow", 0.030, 0.036, SealLaw(coulomb=6.0, viscous=2.5), port_diameter=0.009)
WIDE = CylinderTruth("wide", 0.044, 0.036, SealLaw(coulomb=11.0), port_diameter=0.014, gas="helium", work_ratio=0.12)
PLAIN = Truth(
    motor=MotorTruth(resistance=0.42, torque_constant=0.061, law=MOTOR_LAW),
    linkage=BELT_LAW,
    cylinders=(NARROW,),
    ratio=3.0,
    rod_length=0.095,
)
CONTROLLER = replace(PLAIN, motor=replace(PLAIN.motor, supply="controller", standby=4.5, form_factor=1.1))
PRESSED = replace(NARROW, seal=SealLaw(coulomb=6.0, viscous=2.5, energised=1.2e-5), port_diameter=None)
SWINGING = Effects(lip_swing=True)  # the lip feels the pressure of every moment
DIPPED = replace(NARROW, seal=SealLaw(coulomb=6.0, static=10.0, stribeck_speed=0.2, viscous=2.0))


def exact(truth, pressures=(AMBIENT,), **choices):
    """A protocol that reads every state without error and writes many digits."""
    rungs = {key: choices.pop(key) for key in ("motor_alone", "standby") if key in choices}
    protocol = Protocol(sweeps=ladder(truth, FREQUENCIES, pressures, **rungs), power_digits=9, frequency_digits=9)
    return replace(protocol, **choices)


def analysed(folder, truth, protocol, unstated=(), **choices):
    """The true answer and the breakdown, with all but some keys stated exactly."""
    answer = write_bench(folder, truth, protocol, np.random.default_rng(1), stated=truth)
    state_exactly(folder, unstated=unstated)
    bench = load_bench(folder)
    calibration = calibrate(bench, draws=DRAWS, compare=False, **choices)
    return answer, breakdown(calibration, bench.sweeps)


def assert_parts(answer, split, share, parts=COMPARED):
    """Every part of every run within a share of its input power."""
    assert len(split.runs) == len(answer.runs)
    for run in split.runs:
        true = answer.run(run.file, run.row)
        for part in (*parts, *SAME_SCALE):
            error = getattr(run, part).value - true[f"{part}_W"]
            assert abs(error) <= share * true["input_W"], f"{part} of {run.file}, row {run.row}: {error:+.4f} W"


BENCHES = {
    "terminals, R and K_t": (PLAIN, exact(PLAIN), "motor constants"),
    "terminals, R and current": (PLAIN, exact(PLAIN, electric_columns="power+current"), "measured current"),
    "terminals, volts and amperes": (PLAIN, exact(PLAIN, electric_columns="volts-amps"), "measured current"),
    "controller with standby": (CONTROLLER, exact(CONTROLLER, standby=3), "motor constants"),
    "controller, volts and amperes": (
        CONTROLLER,
        exact(CONTROLLER, standby=3, electric_columns="volts-amps"),
        "motor constants",
    ),
    "controller without standby": (CONTROLLER, exact(CONTROLLER), "motor constants"),
    "transmission efficiency": (
        replace(PLAIN, transmission_efficiency=0.94),
        exact(PLAIN),
        "motor constants",
    ),
    "no ratio, scotch yoke": (
        replace(PLAIN, ratio=1.0, rod_length=None, motor=replace(PLAIN.motor, torque_constant=0.3)),
        exact(PLAIN),
        "motor constants",
    ),
    "two cylinders": (
        replace(PLAIN, cylinders=(NARROW, WIDE)),
        exact(replace(PLAIN, cylinders=(NARROW, WIDE))),
        "motor constants",
    ),
    "three pressures": (
        replace(PLAIN, cylinders=(PRESSED,), effects=SWINGING),
        exact(replace(PLAIN, cylinders=(PRESSED,)), (AMBIENT, 2e5, 3.5e5), amplitude_column=True),
        "motor constants",
    ),
    "windage": (replace(PLAIN, linkage=FAN_LAW), exact(PLAIN), "motor constants"),
    "warm winding": (
        replace(PLAIN, motor=replace(PLAIN.motor, heating=3.0)),
        exact(PLAIN, winding_column=True),
        "motor constants",
    ),
}


@pytest.mark.parametrize("name", BENCHES)
def test_every_part_comes_back(tmp_path, name):
    truth, protocol, route = BENCHES[name]
    answer, split = analysed(tmp_path, truth, protocol)
    assert split.calibration.route.name == route
    assert_parts(answer, split, 1e-3)


@pytest.mark.parametrize("truth", [PLAIN, CONTROLLER], ids=["terminals", "controller"])
def test_without_motor_alone_the_drive_comes_back_undivided(tmp_path, truth):
    standby = 3 if truth is CONTROLLER else 0
    answer, split = analysed(tmp_path, truth, exact(truth, motor_alone=False, standby=standby))
    assert_parts(answer, split, 1e-3, [p for p in COMPARED if p not in ("motor", "linkage")])
    assert all(run.motor is None and run.linkage is None for run in split.runs)


@pytest.mark.parametrize("name", ["terminals, R and K_t", "two cylinders", "controller with standby"])
def test_polynomial_family(tmp_path, name):
    """Powers of speed other than whole ones are approximated: 0.5 % of the input power."""
    truth, protocol, _ = BENCHES[name]
    answer, split = analysed(tmp_path, truth, protocol, family="polynomial")
    assert_parts(answer, split, 5e-3)


@pytest.mark.parametrize("speed", [0.05, 0.2, 0.6])
def test_stribeck_seal(tmp_path, speed):
    truth = replace(PLAIN, cylinders=(replace(DIPPED, seal=replace(DIPPED.seal, stribeck_speed=speed)),))
    assert_parts(*analysed(tmp_path, truth, exact(truth)), 5e-3)


def test_stated_drag_under_pressure(tmp_path):
    """No-load sweeps at ambient only, loaded runs at 3.5 bar, the drag per bar stated in bench.toml."""
    truth = replace(PLAIN, cylinders=(PRESSED,))
    protocol = exact(truth)
    raised = [replace(s, pressure=3.5e5) if s.stage == "loaded" else s for s in protocol.sweeps]
    answer = write_bench(tmp_path, truth, replace(protocol, sweeps=tuple(raised)), np.random.default_rng(1), truth)
    state_exactly(tmp_path)
    bench = load_bench(tmp_path)
    split = breakdown(calibrate(bench, draws=DRAWS, compare=False), bench.sweeps)
    assert_parts(answer, split, 1e-3)
    assert not any("pressure-not-calibrated" in run.flags for run in split.runs)


def willans_bench(folder):
    """A motor on a Willans line: input = own loss at that speed + shaft power / 0.8. Returns the bench and truth."""
    efficiency, f = 0.8, np.array(FREQUENCIES)
    own, linkage, seal, pneumatic = 1.5 * f, 0.4 * f + 0.02 * f**2, 0.5 * f, 2.5 * f
    shaft = {"motor-alone": 0 * f, "piston-disconnected": linkage, "no-load": linkage + seal}
    shaft["loaded"] = shaft["no-load"] + pneumatic
    header = "frequency [Hz],power [W]"
    sheets = [
        Sheet(
            stage,
            header,
            [(f"{x}", f"{p:.9f}") for x, p in zip(f, own + power / efficiency, strict=True)],
            'mean_pressure = "1 bar"' if stage == "loaded" else "",
        )
        for stage, power in shaft.items()
    ]
    motor = f'[motor]\nsupply = "terminals"\nincremental_efficiency = {efficiency}'
    truth = {"motor": own + shaft["loaded"] * (1 / efficiency - 1), "linkage": linkage, "seal": seal}
    return write_sheets(folder, motor, sheets), {**truth, "pneumatic": pneumatic, "input": own + shaft["loaded"] / 0.8}


def test_incremental_efficiency(tmp_path):
    bench, truth = willans_bench(tmp_path)
    calibration = calibrate(bench, draws=DRAWS, compare=False)
    assert calibration.route.name == "incremental"
    for i, run in enumerate(breakdown(calibration, bench.sweeps).runs):
        for part, watts in truth.items():
            assert getattr(run, part).value == pytest.approx(watts[i], abs=1e-3 * truth["input"][i]), part
        assert run.motor_copper is None  # the slope does not say which loss it is
        assert "load-loss-assumed" not in run.flags


def test_where_nothing_is_known_the_interval_holds_and_the_subtraction_is_an_upper_bound(tmp_path):
    protocol, unstated = exact(PLAIN, states_motor="nothing", states_port=False), ("incremental_efficiency", *PORT)
    answer, split = analysed(tmp_path, PLAIN, protocol, unstated)
    for run in split.runs:
        true = answer.run(run.file, run.row)
        assert {"load-loss-assumed", "port-loss-unknown"} <= set(run.flags)
        assert run.motor_copper is None
        assert run.hot_end is None
        assert run.thermal_resistance is None
        assert run.cooling_ceiling is None
        assert run.pneumatic.low < true["pneumatic_W"] < run.pneumatic.high
        assert run.subtraction.value > true["pneumatic_W"]


def compressing(cylinder):
    """With a port so wide that no gas is squeezed, and a pressure that peaks shortly before top dead centre."""
    return replace(cylinder, port_diameter=cylinder.bore / 2, phase=-cylinder.phase)


@pytest.mark.parametrize("seed", range(6))
def test_random_machines_without_noise(tmp_path, seed):
    """The simulator's own varied machines: 0.1 % of input power, 0.5 % where a seal has a Stribeck dip."""
    truth = random_truth(np.random.default_rng([11, seed]))
    truth = replace(truth, motor=replace(truth.motor, heating=0.0), effects=SWINGING)
    truth = replace(truth, cylinders=tuple(compressing(c) for c in truth.cylinders))
    frequencies = np.linspace(truth.top_frequency / 4, truth.top_frequency, 9)
    sweeps = ladder(
        truth,
        [round(float(f), 3) for f in frequencies],
        (AMBIENT, truth.top_pressure),
        standby=3 if truth.motor.supply == "controller" else 0,
    )
    protocol = Protocol(sweeps=sweeps, power_digits=9, frequency_digits=9, amplitude_column=True)
    answer, split = analysed(tmp_path, truth, protocol)
    dips = any(c.seal.static > c.seal.coulomb for c in truth.cylinders)
    assert_parts(answer, split, 5e-3 if dips else 1e-3)


@pytest.mark.parametrize("examples", [4, pytest.param(24, marks=pytest.mark.long)])
def test_parts_add_up_to_the_input_in_every_draw(tmp_path_factory, examples):
    """Conservation, on benches of every kind with noise and errors: input = the sum of its parts, draw by draw."""

    @settings(max_examples=examples, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
    @given(seed=st.integers(0, 10**6), family=st.sampled_from(["physical", "polynomial"]))
    def looked_at(seed, family):
        parts_add_up(tmp_path_factory.mktemp("bench"), seed, family)

    looked_at()


def parts_add_up(folder, seed, family):
    rng = np.random.default_rng(seed)
    write_bench(folder, *random_bench(rng), rng)
    bench = load_bench(folder)
    split = breakdown(calibrate(bench, family, draws=20, compare=False), bench.sweeps)
    told_apart = ("motor", "linkage") if "motor" in split.draws else ("drive",)
    named = [name for name in PARTS if name not in {"motor", "linkage", "drive"}.difference(told_apart)]
    total = sum(split.draws[name] for name in named)
    assert total == pytest.approx(split.draws["input"], rel=1e-9)
    for run in split.runs:
        values = sum(getattr(run, name).value for name in named)
        assert values == pytest.approx(run.input.value, rel=1e-9)
        if run.motor is not None and run.motor_copper is not None:
            assert run.motor.value >= run.motor_copper.value
            assert run.motor.value + run.linkage.value == pytest.approx(run.drive.value, rel=1e-9)
