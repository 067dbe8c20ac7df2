"""What a loaded cycle adds to the ladder's friction: pins by the rod's force, a lip by the pressure of every moment."""

import numpy as np
import pytest
from fit.benches import CYLINDER, Sheet, write_bench

from driveloss.breakdown.ask import breakdown
from driveloss.fit.calibrate import calibrate
from driveloss.fit.cycle import loaded_cycle
from driveloss.say.quantities import PARTS

FREQUENCIES = (5.0, 7.0, 9.0, 11.0)
HEADER = "frequency [Hz],power [W]"
AT = 9.0  # [Hz]
SWEPT = np.pi * 0.015**2 * 0.036  # [m^3]
LENGTH, RADIUS = 0.3e-3, 0.018  # [m] friction torque at the crank per newton in the rod; of the crank
PINS = f'[crank]\nload_friction = "{LENGTH * 1e3} mm +/- 0 mm"'


def runs(folder, loaded, sections=PINS, drag=1e-4, cylinder=CYLINDER, pressure="1 bar", **how):
    """A drive of 2 W/Hz, a seal of `drag` W/Hz, and loaded rows of power [W] and amplitude [bar] at AT."""
    sheets = [
        Sheet("piston-disconnected", HEADER, [(f, 2 * f) for f in FREQUENCIES]),
        Sheet("no-load", HEADER, [(f, (2 + drag) * f) for f in FREQUENCIES]),
        Sheet(
            "loaded",
            f"{HEADER},pressure amplitude [bar]",
            [(AT, power, amplitude) for power, amplitude in loaded],
            f'mean_pressure = "{pressure}"',
        ),
    ]
    bench = write_bench(folder, f'[motor]\nsupply = "terminals"\n{sections}', sheets, cylinder, **how)
    return breakdown(calibrate(bench, draws=200, compare=False), bench.sweeps)


def test_pins_take_their_share_of_the_gas_work(tmp_path):
    """Sine motion: (4/pi)(l/r)/sin(phi) of the net work, which is 2 (l/r) A V f whatever the work (own reckoning)."""
    split = runs(tmp_path, [(34.0, 0.6), (40.0, 0.6), (40.0, 0.9)])
    for run, amplitude in zip(split.runs, (0.6e5, 0.6e5, 0.9e5), strict=True):
        pins = run.drive.value - 2 * AT
        assert pins == pytest.approx(2 * LENGTH / RADIUS * amplitude * SWEPT * AT, rel=4e-3)
        sine = 2 * run.pneumatic.value / AT / (np.pi * amplitude * SWEPT)
        assert sine < 1
        assert pins / run.pneumatic.value == pytest.approx(4 / np.pi * LENGTH / RADIUS / sine, rel=4e-3)


def test_the_parts_add_up_to_the_input_however_pins_lip_and_ripple_depend_on_them(tmp_path):
    """In every draw, and the cycle's own answer is the one that it was found with."""
    cylinder = CYLINDER + 'pressure_friction = "1 N/bar +/- 0.2 N/bar"\nseal_change = "0.9 +/- 0.1"\n'
    split = runs(tmp_path, [(34.0, 0.6), (60.0, 1.5)], PINS, 0.3, cylinder, "2 bar")
    named = [name for name in PARTS if name in split.draws and name not in ("motor", "linkage")]
    total = sum(split.draws[name] for name in named)
    assert total == pytest.approx(split.draws["input"], rel=1e-12)
    calibration, readings = split.calibration, split.readings
    ladder = calibration.seal("one", readings.frequency, readings.mean_pressure)
    cycle = loaded_cycle(calibration, readings)(split.draws["pneumatic"], ladder)
    assert cycle.pins == pytest.approx(split.draws["drive"] - calibration.drive(readings.frequency), rel=1e-4)
    assert cycle.seal == pytest.approx(split.draws["seal"], rel=1e-4)


def test_pins_grow_with_the_force_in_the_rod(tmp_path):
    """Net power falls by what they take, as the pressure swings further and as its mean rises above that outside."""
    gentle, hard = (run.pneumatic.value for run in runs(tmp_path, [(40.0, 0.6), (40.0, 0.9)]).runs)
    assert gentle > hard
    (pressed,) = runs(tmp_path, [(40.0, 0.9)], pressure="4 bar").runs
    assert pressed.pneumatic.value < hard
    area = np.pi * 0.015**2
    assert pressed.drive.value - 2 * AT == pytest.approx(2 * np.pi * AT * LENGTH * 3e5 * area, rel=1e-6)  # dp > A


@pytest.mark.parametrize(("amplitude", "mean", "felt"), [(0.9, "1 bar", None), (0.9, "4 bar", 0.0)])
def test_a_lip_drags_by_the_pressure_of_every_moment(tmp_path, amplitude, mean, felt):
    """Beyond what the mean presses: with equal mean pressures the wave alone, |cos| weighted by |sin| (quadrature)."""
    cylinder = CYLINDER + 'pressure_friction = "1 N/bar +/- 0"\n'
    (run,) = runs(tmp_path, [(40.0, amplitude)], "", 0.3, cylinder, mean).runs
    ladder = 0.3 * AT + (0.0 if mean == "1 bar" else 3.0 * 2 * 0.036 * AT)
    if felt is None:
        phase = np.arcsin(2 * run.pneumatic.value / AT / (np.pi * amplitude * 1e5 * SWEPT))
        angle = np.linspace(0, 2 * np.pi, 100_001)
        weight = np.abs(np.sin(angle))
        felt = amplitude * np.sum(np.abs(np.cos(angle + phase)) * weight) / weight.sum()  # [bar]
    assert run.seal.value == pytest.approx(ladder + felt * 2 * 0.036 * AT, abs=3e-3)


def test_a_seal_that_changed_between_ladder_and_run(tmp_path):
    (run,) = runs(tmp_path, [(40.0, 0.9)], "", 0.3, CYLINDER + 'seal_change = "0.8 +/- 0"\n').runs
    assert run.seal.value == pytest.approx(0.8 * 0.3 * AT, rel=2e-3)
    assert run.pneumatic.value == pytest.approx(40 - 2 * AT - run.seal.value, rel=1e-9)
