"""What a calibration keeps besides its curves: idle power, a warm winding, scatter, and limits that physics sets."""

import numpy as np
import pytest
from scipy import stats

from driveloss.breakdown.ask import breakdown
from driveloss.errors import InputError
from driveloss.fit.calibrate import calibrate
from driveloss.fit.ladder import build_ladder
from driveloss.fit.meters import Sampler
from driveloss.losses.ask import losses
from fit.benches import HARDLY_MOVES, Sheet, write_bench

HEADER = "frequency [Hz],power [W]"
FREQUENCIES = (5.0, 7.0, 9.0, 11.0)
TERMINALS = '[motor]\nsupply = "terminals"\n'
CONSTANTS = 'winding_resistance = "0.4 ohm"\ntorque_constant = "0.3 N*m/A"\n'


def rungs(header=HEADER, more=lambda f: (), scale=1.0):
    """A drive of 2 W/Hz and a seal of 1 W/Hz."""
    return [
        Sheet(stage, header, [(f, scale * slope * f, *more(f)) for f in FREQUENCIES])
        for stage, slope in (("piston-disconnected", 2), ("no-load", 3))
    ]


@pytest.mark.parametrize("readings", [("4.5",), ("4.5", "4.5", "4.5", "4.5")])
def test_idle_power_is_no_better_known_than_its_last_digit(tmp_path, readings):
    """0.1 W over sqrt(12) a reading (JCGM 100:2008, F.2.2.1), with Student's t: of two spare readings at least."""
    sections = '[motor]\nsupply = "controller"\n' + CONSTANTS
    standby = Sheet("standby", "power [W]", [(text,) for text in readings])
    calibration = calibrate(write_bench(tmp_path, sections, [standby, *rungs()]), draws=4000)
    u = 0.1 / np.sqrt(12 * len(readings))
    expected = stats.t.ppf(0.975, max(len(readings) - 1, 2)) * u
    assert losses(calibration, [8.0])[0].standby.half_width == pytest.approx(expected, rel=0.1)


@pytest.mark.parametrize(("f", "drive", "seal"), [(4.0, True, True), (6.0, False, True), (8.0, False, False)])
def test_what_any_rung_leaves_out_is_extrapolated(tmp_path, f, drive, seal):
    """The drive is read from 5 to 15 Hz, the seal from 7 to 13 Hz; at 14 Hz as at 6 Hz."""
    sheets = [
        Sheet("piston-disconnected", HEADER, [(x, 2 * x) for x in (5.0, 8.0, 11.0, 15.0)]),
        Sheet("no-load", HEADER, [(x, 3 * x) for x in (7.0, 9.0, 11.0, 13.0)]),
    ]
    calibration = calibrate(write_bench(tmp_path, TERMINALS, sheets), draws=50)
    for at in (f, 20.0 - f):
        assert calibration.is_extrapolated(at, None) is drive
        assert calibration.is_extrapolated(at, "one") is seal


@pytest.mark.parametrize("slope", [0.4, -0.4])
def test_a_winding_is_as_warm_as_in_the_sweeps(tmp_path, slope):
    """NumPy's straight line through temperature over power; level where it would cool under load."""
    header = HEADER + ",winding [degC]"
    cold = CONSTANTS.replace("0.4 ohm", "0.0001 ohm")  # next to no copper loss: what is read reaches the shaft
    sheets = rungs(header, lambda f: (30 + slope * (f - 5) ** 1.5,))
    calibration = calibrate(write_bench(tmp_path, TERMINALS + cold, sheets), draws=50)
    rows = np.array([row for sheet in sheets for row in sheet.rows])
    line = np.polyfit(rows[:, 1], rows[:, 2] + 273.15, 1) if slope > 0 else (0.0, rows[:, 2].mean() + 273.15)
    assert calibration.winding == pytest.approx(tuple(line)[::-1], rel=1e-3, abs=1e-9)
    warm = np.polyval(line, 80.0) - 273.15
    ohms = 0.0001 * (235 + warm) / (235 + 20)  # copper, IEC 60034-1; 20 degC unless stated
    loss = calibration.load_loss(np.array([[80.0]]), np.array([8.0])).copper
    assert loss[0, 0] == pytest.approx(ohms * (80.0 / (0.3 * 2 * np.pi * 8.0)) ** 2, rel=1e-3)


def test_efficiencies_and_shares_stay_below_one_in_every_draw(tmp_path):
    """However wide their limits; below, the limits hold."""
    sections = TERMINALS + (
        'incremental_efficiency = "0.96 +/- 0.1"\n[transmission]\nefficiency = "0.97 +/- 0.05"\n'
        '[aftercooler]\nseal_heat_share = "0.9 +/- 0.2"\n'
    )
    meters = Sampler(500, 1).meters(write_bench(tmp_path, sections, rungs()).rig)
    for drawn, least in (
        (meters.incremental_efficiency, 0.86),
        (meters.efficiency, 0.92),
        (meters.seal_heat_share, 0.7),
    ):
        assert drawn.max() == 1.0
        assert least <= drawn.min() < least + 0.01


def test_scatter_is_that_of_the_shaft_where_the_incremental_efficiency_is_known(tmp_path):
    """Four fifths of each watt reach the shaft: the bench that reads four fifths says the same of the net power."""
    rng = np.random.default_rng(4)
    noise = 1 + 0.01 * rng.standard_normal((3, 12))
    answers = []
    for scale, known in ((1.0, "incremental_efficiency = 0.8\n"), (0.8, "")):
        folder = tmp_path / str(scale)
        folder.mkdir()
        sheets = [
            Sheet(
                stage, HEADER, [(f, scale * slope * f * e) for f, e in zip(np.tile(FREQUENCIES, 3), own, strict=True)]
            )
            for (stage, slope), own in zip(
                (("piston-disconnected", 2), ("no-load", 3), ("loaded", 20)), noise, strict=True
            )
        ]
        loaded = Sheet("loaded", HEADER, sheets[2].rows, 'mean_pressure = "4 bar"')
        bench = write_bench(folder, TERMINALS + known, [*sheets[:2], loaded], HARDLY_MOVES)
        answers.append(breakdown(calibrate(bench, draws=2000), bench.sweeps).runs)
    for one, other in zip(*answers, strict=True):
        assert one.pneumatic.value == pytest.approx(other.pneumatic.value, rel=1e-9)
        assert one.pneumatic.u == pytest.approx(other.pneumatic.u, rel=1e-6)


def test_draws_that_do_not_fit_in_memory_are_refused(tmp_path):
    bench = write_bench(tmp_path, TERMINALS, rungs())
    count = len(build_ladder(bench).readings)
    with pytest.raises(InputError, match=rf"read 9000000, expected at most {10_000_000 // count} for a ladder"):
        calibrate(bench, draws=9_000_000)
