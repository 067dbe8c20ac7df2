"""The analysis against published worked examples and measurements, each as the bench that it could have been."""

import math

import numpy as np
import pytest
from fit.benches import HARDLY_MOVES, Sheet, same, write_bench

from driveloss.breakdown.ask import breakdown
from driveloss.fit.calibrate import calibrate
from driveloss.fit.laws import SHAFT_LAWS, Place
from driveloss.fit.least_squares import linear_fit, nonnegative
from driveloss.losses.ask import losses

DRAWS = 200
LOADED = 'mean_pressure = "1 bar"'


def split(bench, **choices):
    """The first loaded reading's parts."""
    return breakdown(calibrate(bench, draws=DRAWS, compare=False, **choices), bench.sweeps).runs[0]


class TestSwinburne:
    """Theraja & Theraja, A Textbook of Electrical Technology, Ex. 31.4 (also Bhattacharya, Electrical Machines,
    Ex. 2.30): 400 V; 5 A at no load, 50 A loaded; armature 0.5 ohm, shunt field 200 ohm, which takes 2 A.

    The field is the standby power, the armature's current the motor's. The book's constant loss is not split
    any further; our ladder wants a rung with the piston off, so one with 2 A in the armature is put in: it
    parts drive from seal, whose sum alone is the book's.
    """

    header = "frequency [Hz],power [W],current [A]"
    constant_loss = 400 * 5 - 0.5 * 3**2  # 1995.5 W in the book, field included

    @pytest.fixture(params=["physical", "polynomial"])
    def run(self, tmp_path, request):
        sheets = [
            Sheet("standby", "power [W]", same(("800.0",))),
            Sheet("piston-disconnected", self.header, same(("10.0", "1600.0", "2.0"))),
            Sheet("no-load", self.header, same(("10.0", "2000.0", "3.0"))),
            Sheet("loaded", self.header, [("10.0", "20000.0", "48.0")], LOADED),
        ]
        motor = '[motor]\nsupply = "terminals"\nwinding_resistance = "0.5 ohm"'
        bench = write_bench(tmp_path, motor, sheets, HARDLY_MOVES)
        return split(bench, family=request.param)

    def test_copper_loss_when_loaded(self, run):
        assert run.motor_copper.value == pytest.approx(1152.0, rel=1e-12)

    def test_constant_loss(self, run):
        rotation = run.drive.value - run.motor_copper.value + run.seal.value
        assert run.standby.value + rotation == pytest.approx(self.constant_loss, rel=1e-9)

    def test_output_and_efficiency(self, run):
        assert run.pneumatic.value == pytest.approx(16852.5, rel=1e-9)
        assert 100 * run.efficiency_ceiling.value == pytest.approx(84.26, abs=0.005)

    def test_the_motor_is_not_told_from_the_linkage(self, run):
        assert run.motor is None
        assert run.linkage is None

    def test_flags(self, run):
        assert set(run.flags) == {"winding-temperature-assumed"}


def laws(frequencies, *kinds):
    """Columns of the drive's laws at unit coefficient, as the joint fit stacks them."""
    f = np.array(frequencies, dtype=float)
    place = Place(f, np.zeros_like(f), 1.0, 0.0, 0.0)
    return np.column_stack([SHAFT_LAWS[kind].shape(place, 0.0) for kind in kinds])


@pytest.mark.parametrize(
    ("readings", "at", "published"),
    [
        ({40: 52.0, 60: 90.0}, 50, (45.0, 25.0)),  # Theraja Ex. 32.29
        ({60: 400.0, 30: 169.0}, 60, (276.0, 124.0)),  # McPherson, An Introduction to Electrical Machines, Ex. 1.4
    ],
    ids=["Theraja 32.29", "McPherson 1.4"],
)
def test_loss_at_two_frequencies_parts_into_hysteresis_and_eddies(readings, at, published):
    """Hysteresis grows as f, eddy currents as f^2: the laws of Coulomb torque and viscous drag."""
    kinds = ("coulomb", "viscous")
    coefficients = nonnegative(laws(list(readings), *kinds), np.array(list(readings.values()))[:, None])[:, 0]
    assert (laws([at], *kinds)[0] * coefficients) == pytest.approx(published, rel=1e-9)


def test_loss_at_five_frequencies():
    """Theraja Ex. 32.30: 18.5 to 104 W at 25 to 80 Hz. The book reads a graph; its 2.5 W/kg of eddy loss at 50 Hz
    for 10 kg is from memory, the least squares of P on (f, f^2) our own recomputation.
    """
    f, watts = np.array([25, 40, 50, 60, 80]), np.array([18.5, 36, 50, 66, 104])
    kinds = ("coulomb", "viscous")
    fit = linear_fit(laws(f, *kinds), watts)
    per_hertz = fit.coefficients * np.array([2 * math.pi, (2 * math.pi) ** 2])
    assert per_hertz == pytest.approx([0.4958301, 0.01005914], rel=1e-6)
    assert nonnegative(laws(f, *kinds), watts[:, None])[:, 0] == pytest.approx(fit.coefficients, rel=1e-9)
    assert (laws([50], *kinds)[0] * fit.coefficients)[1] / 10 == pytest.approx(2.5, rel=0.01)


# E. Zillen, Delft University of Technology, MSc data, 2021 (CC0): pneumatic piston seals, bore 25 mm. Running friction
# [N] at 1, 3, 5, 7 bar, half the range of the loops of load minus pressure times area (own evaluation), and the line
# evaluated with them, which the rounded forces give back within 0.011 N and 0.004 N/bar.
BARS = (1, 3, 5, 7)
ZILLEN = {
    "O-ring": ((3.92, 5.44, 6.92, 7.81), 3.402, 0.654),
    "NAPN lip": ((3.34, 6.83, 9.51, 11.57), 2.342, 1.366),
    "KDN": ((5.62, 5.66, 6.13, 6.75), 5.274, 0.192),
}
# [m], so short that gas pumped through a port as wide as the bore is nothing beside the friction; [W/Hz], [N m/A]
STROKE, DRIVE, TORQUE_CONSTANT = 0.002, 1000.0, 100.0
SEAL_FREQUENCIES = (4.0, 7.0, 10.0)


def seal_bench(folder, forces):
    """No-load sweeps under pressure whose seal takes 2 S f F. The drive's power dwarfs the seal's, so that every
    reading at one frequency weighs the same.
    """

    def row(f, force=0.0):
        power = DRIVE * f + 2 * STROKE * f * force
        amps = power / (2 * math.pi * f * TORQUE_CONSTANT)
        return (f"{f}", f"{power + 1e-4 * amps**2:.9f}", f"{amps:.9f}")

    header = "frequency [Hz],power [W],current [A]"
    disconnected = Sheet("piston-disconnected", header, [row(f) for f in SEAL_FREQUENCIES] * 4)
    sweeps = [
        Sheet("no-load", header, [row(f, force) for f in SEAL_FREQUENCIES], f'mean_pressure = "{bar} bar gauge"')
        for bar, force in zip(BARS, forces, strict=True)
    ]
    motor = '[motor]\nsupply = "terminals"\nwinding_resistance = "0.0001 ohm"'
    cylinder = f'[cylinders.one]\nbore = "25 mm"\nstroke = "{STROKE * 1e3} mm"\n'
    return write_bench(folder, motor, [disconnected, *sweeps], cylinder)


@pytest.mark.parametrize("seal", ZILLEN)
def test_seal_drag_grows_with_pressure(tmp_path, seal):
    forces, at_zero, per_bar = ZILLEN[seal]
    calibration = calibrate(seal_bench(tmp_path, forces), draws=DRAWS, compare=False)
    terms = {t.label: t.estimate.value for t in calibration.evidence.fits["physical"].terms}
    line = (terms["seal 'one': Coulomb force"], terms["seal 'one': pressure-energised drag"] * 1e5)
    assert line == pytest.approx(np.polyfit(BARS, forces, 1)[::-1], rel=3e-4)  # NumPy's line as a second reference
    assert line[0] == pytest.approx(at_zero, abs=0.011)
    assert line[1] == pytest.approx(per_bar, abs=0.004)


@pytest.mark.parametrize("seal", ZILLEN)
def test_seal_force_between_and_beyond_the_swept_pressures(tmp_path, seal):
    """The line's value at 2 bar; at 12 bar a flag as well."""
    forces = ZILLEN[seal][0]
    line = np.poly1d(np.polyfit(BARS, forces, 1))
    calibration = calibrate(seal_bench(tmp_path, forces), draws=DRAWS, compare=False, active=["noise"])
    inside, outside = losses(calibration, [8.0], ["one"], [3e5, 13e5])
    assert inside.seal_force.value == pytest.approx(line(2), rel=1e-3)
    assert outside.seal_force.value == pytest.approx(line(12), rel=1e-3)
    assert "pressure-not-calibrated" not in inside.flags
    assert "pressure-not-calibrated" in outside.flags


@pytest.mark.parametrize(("watts", "no_load", "left", "ceiling"), [(125, 89, 36, 28.8), (58, 41, 17, 29.3)])
@pytest.mark.parametrize("is_perfect", [True, False], ids=["perfect motor", "nothing known of the motor"])
def test_subtracting_input_powers(tmp_path, watts, no_load, left, ceiling, is_perfect):
    """common practice, no published source: bench wattmeter, no-load power off, the rest over the input.

    That is the net power of a motor which passes on all that it takes beyond its own loss, and else the most it can be.
    """
    header = "frequency [Hz],power [W]"
    sheets = [
        Sheet("piston-disconnected", header, same(("10.0", f"{0.7 * no_load:.2f}"))),
        Sheet("no-load", header, same(("10.0", f"{no_load}.00"))),
        Sheet("loaded", header, [("10.0", f"{watts}.00")], LOADED),
    ]
    unstated = () if is_perfect else ("incremental_efficiency",)
    run = split(write_bench(tmp_path, '[motor]\nsupply = "terminals"', sheets, HARDLY_MOVES, unstated=unstated))
    assert run.subtraction.value == pytest.approx(left, rel=1e-9)
    assert 100 * run.subtraction.value / run.input.value == pytest.approx(ceiling, abs=0.05)
    assert ("load-loss-assumed" in run.flags) is not is_perfect
    if is_perfect:
        assert run.pneumatic.value == pytest.approx(left, rel=1e-9)
        assert 100 * run.efficiency_ceiling.value == pytest.approx(ceiling, abs=0.05)
    else:
        assert run.pneumatic.value == pytest.approx(0.8 * left, rel=1e-9)  # the middle of what is assumed
        assert 0.65 * left < run.pneumatic.low < 0.67 * left < 0.93 * left < run.pneumatic.high < 0.95 * left
    assert run.motor is None
    assert run.motor_copper is None
    assert run.linkage is None
