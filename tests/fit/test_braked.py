"""The braked sweep: what driving a known torque at the crank costs."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from driveloss.breakdown.ask import breakdown
from driveloss.errors import InputError
from driveloss.fit.brake import Brake, load_shapes
from driveloss.fit.calibrate import calibrate
from driveloss.fit.least_squares import nonnegative
from driveloss.fit.meters import Meters
from driveloss.fit.motor_loss import BRAKED
from fit.benches import Sheet, write_bench

STATED = """[meter]
power = "0 W"
frequency = "0 Hz"
torque = "0 N*m"
force = "0 N"
linearity = "0 %"
pressure = "0 Pa"
[motor]
supply = "terminals"
current_form_factor = "1 +/- 0"
[crank]
bearings = "rolling"
load_friction = "0 mm +/- 0 mm"
[brake]
arm = "0.2 m +/- 0 m"
"""
CYLINDER = """[cylinders.one]
bore = "30 mm +/- 0 mm"
stroke = "36 mm +/- 0 mm"
seal_change = "1 +/- 0"
pressure_friction = "0 N/bar +/- 0 N/bar"
open_port_diameter = "30 mm +/- 0 mm"
discharge_coefficient = "1 +/- 0"
"""
FREQUENCIES = np.array([4.0, 6.0, 8.0, 10.0])
SHARE, SLOPE, SQUARE = 0.08, 1.5, 12.0  # of the true load loss
SEAL, NET = 12.0, 9.0  # [N] of drag, [W] at 10 Hz


def drive(f):
    """Input without load [W]: Coulomb and viscous."""
    return 2.0 + 0.5 * f + 0.02 * f**2


def power_in(f, torque):
    omega = 2 * np.pi * f
    return drive(f) + omega * torque * (1 + SHARE) + SLOPE * torque + SQUARE * torque**2


def crank_torque(f, net):
    return (SEAL * 2 * 0.036 * f + net) / (2 * np.pi * f)


def bench(folder, *, by_force=False, sections=STATED):
    f, m = (grid.ravel() for grid in np.meshgrid(FREQUENCIES, [0.05, 0.15, 0.3]))
    header = "frequency [Hz],power [W]"
    twice = np.tile(FREQUENCIES, 2)
    net = NET * FREQUENCIES / 10
    brake = ("brake force [N]", m / 0.2) if by_force else ("torque [N*m]", m)
    sheets = [
        Sheet("piston-disconnected", header, list(zip(twice, drive(twice), strict=True))),
        Sheet("braked", f"{header},{brake[0]}", list(zip(f, power_in(f, m), brake[1], strict=True))),
        Sheet("no-load", header, list(zip(twice, power_in(twice, crank_torque(twice, 0.0)), strict=True))),
        Sheet(
            "loaded",
            header,
            list(zip(FREQUENCIES, power_in(FREQUENCIES, crank_torque(FREQUENCIES, net)), strict=True)),
            'mean_pressure = "1 bar"',
        ),
    ]
    return write_bench(folder, sections, sheets, CYLINDER)


@pytest.mark.parametrize("by_force", [False, True])
def test_the_load_loss_is_found_without_any_motor_constant(tmp_path, by_force):
    read = bench(tmp_path, by_force=by_force)
    calibration = calibrate(read, draws=50, compare=False)
    assert calibration.route is BRAKED
    brake = calibration.meters.brake
    assert brake.share[0] == pytest.approx(SHARE, rel=1e-3)
    assert brake.slope[0] == pytest.approx(SLOPE, rel=1e-3)
    assert brake.square[0] == pytest.approx(SQUARE, rel=1e-3)
    for run, net in zip(breakdown(calibration, read.sweeps).runs, NET * FREQUENCIES / 10, strict=True):
        assert run.pneumatic.value == pytest.approx(net, rel=2e-3)
        assert run.seal.value == pytest.approx(SEAL * 2 * 0.036 * run.frequency, rel=2e-3)
        assert run.transmission.value == pytest.approx(0.0, abs=1e-9)
        parts = (run.standby, run.drive, run.transmission, run.seal, run.pneumatic)
        assert sum(part.value for part in parts) == pytest.approx(run.input.value, rel=1e-9)
        assert "load-loss-assumed" not in run.flags


def test_torque_and_loss_undo_each_other():
    ones = np.ones(3)
    brake = Brake(*(x * ones for x in (2.0, 0.1, 0.01, 1e-3, 1e-5, SHARE, SLOPE, SQUARE, 0.3, 1.0)))
    omega, torque = np.full((4, 1), 50.0), np.array([[0.0], [0.1], [0.4], [-0.01]]) * ones
    beyond = omega * torque + brake.loss(torque, omega)
    assert brake.torque(beyond, omega) == pytest.approx(torque, rel=1e-12, abs=1e-15)


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (("arm = ", "# arm = "), "holds a brake force, expected the key arm"),
        (('arm = "0.2 m', 'arm = "4 m'), "the brake would take"),
    ],
)
def test_a_brake_that_cannot_be_is_refused(tmp_path, change, told):
    with pytest.raises(InputError, match=told):
        bench(tmp_path, by_force=True, sections=STATED.replace(*change))


def test_two_braked_readings_are_too_few(tmp_path):
    read = bench(tmp_path)
    short = {"frequency": [4.0, 8.0], "power": [20.0, 40.0], "torque": [0.1, 0.2]}
    sweeps = tuple(
        s.replace(line=s.line[:2], **{k: np.array(v) for k, v in short.items()}) if s.stage == "braked" else s
        for s in read.sweeps
    )
    with pytest.raises(InputError, match=r"2 braked readings, expected 3 or more at different torques"):
        calibrate(replace(read, sweeps=sweeps), draws=20, compare=False)


def test_a_torque_beyond_the_braked_ones_is_flagged(tmp_path):
    read = bench(tmp_path)
    calibration = calibrate(read, draws=20, compare=False)
    assert not any("torque-beyond-braked" in run.flags for run in breakdown(calibration, read.sweeps).runs)
    less = replace(calibration.meters.brake, highest=np.full(21, 0.1))
    low = replace(calibration, meters=replace(calibration.meters, brake=less))
    assert all("torque-beyond-braked" in run.flags for run in breakdown(low, read.sweeps).runs)


def test_a_published_rope_brake():
    """70 kg against 150 N on a drum of 1 m with a rope of 50 mm at 300 r/min: 8.851 kW (a worked exercise of the
    theory of machines on rope brake dynamometers, seen on an open teaching page)."""
    readings = SimpleNamespace(torque=np.array([np.nan]), brake_force=np.array([70 * 9.81 - 150]))
    one = np.ones(1)
    exact = SimpleNamespace(
        torque_gain=one, torque_zero=0 * one, force_gain=one, force_zero=0 * one, brake_arm=one * (1 + 0.05) / 2
    )
    torque = Meters.torque(exact, readings)
    assert 2 * np.pi * 300 / 60 * torque[0, 0] == pytest.approx(8851, abs=1.5)


def test_segregated_losses_of_a_published_motor_at_three_loads():
    """Theraja & Theraja, A Textbook of Electrical Technology, Ex. 31.4 (seen): 400 V, field 200 ohm,
    armature 0.5 ohm, no load 5 A. Its losses at three loads make the braked readings; at the book's own load of 50 A
    they must give its output of 16852.5 W back."""
    volts, field, resistance, constant = 400.0, 2.0, 0.5, 1995.5

    def at(amps):
        """Input without the field, and output. [W]"""
        armature = amps - field
        return volts * armature, volts * amps - constant - resistance * armature**2

    omega = 100.0
    power, output = np.array([at(amps) for amps in (20.0, 35.0, 45.0)]).T
    idle = constant - volts * field + resistance * 3.0**2  # what is left of it without load, at 3 A of the armature
    torque = np.concatenate([[0.0], output / omega])
    design = np.column_stack([np.ones(4), load_shapes(np.full(4, omega / 2 / np.pi), torque)[:, 1:]])
    net = np.concatenate([[idle], power]) - omega * torque
    drive, slope, square = nonnegative(design, net[:, None])[:, 0]
    beyond, expected = at(50.0)
    brake = Brake(*(np.array([x]) for x in (drive, 0, 0, 0, 0, 0, slope, square, 1e3, 1.0)))
    told = omega * brake.torque(np.array([[beyond - drive]]), np.full((1, 1), omega))
    assert told[0, 0] == pytest.approx(expected, rel=2e-3)
