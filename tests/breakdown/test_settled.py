"""Ends that had not settled when they were read: carried on by three readings at equal steps, else said to be late."""

from pathlib import Path

import numpy as np
import pytest
from copies import open_copy

from driveloss.bench.load import load_bench
from driveloss.breakdown.ask import breakdown
from driveloss.errors import InputError
from driveloss.fit.calibrate import calibrate

DEMO = Path(__file__).parents[2] / "calib_data"
FILE = "narrow-loaded.csv"
HEAD = "frequency [Hz],power [W],mean pressure [bar],settling time [min],cold end [degC],hot end [degC],coolant [degC]"
AMBIENT = 20.0


@pytest.fixture(scope="module")
def calibration():
    return calibrate(load_bench(DEMO), draws=200, compare=False)


def runs(folder, calibration, *rows, head=HEAD):
    """The runs of a loaded sweep whose rows are these cells."""
    bench = folder / "bench"
    open_copy(DEMO, bench)
    (bench / FILE).write_text("\n".join([head, *(",".join(map(str, row)) for row in rows), ""]))
    answer = breakdown(calibration, load_bench(bench).sweeps)
    return [run for run in answer.runs if run.file == FILE]


def curve(settles, time, constant=12.5, starts=AMBIENT):
    """One body's approach, as any textbook of heating has it: settles + (starts - settles) exp(-t/tau)."""
    return settles + (starts - settles) * np.exp(-time / constant)


def row(time, cold, hot=24.0):
    return (8.0, 24.0, 1.009, time, f"{cold:.3f}", f"{hot:.3f}", AMBIENT)


def test_three_readings_of_one_body_settle_where_it_would(tmp_path, calibration):
    """20 K below the room at a time constant of 12.5 min, read at 5, 10 and 15 min: 14 K of it are there."""
    found = runs(tmp_path, calibration, *(row(t, curve(0.0, t)) for t in (5, 10, 15)))
    for run in found:
        assert run.below_ambient.value == pytest.approx(run.hot_to_cold.value - 4.0, abs=2.0)
        assert run.hot_to_cold.value == pytest.approx(24.0, abs=0.3)
        assert run.hot_to_cold.half_width > 0.3
        assert "not-settled" not in run.flags


def test_an_end_read_once_too_early_is_said_to_be(tmp_path, calibration):
    assert all("not-settled" in run.flags for run in runs(tmp_path, calibration, row(5, curve(0.0, 5))))


def test_readings_that_speed_up_tell_nothing(tmp_path, calibration):
    found = runs(tmp_path, calibration, *(row(t, c) for t, c in ((5, 18.0), (10, 15.0), (15, 9.0))))
    assert all("not-settled" in run.flags for run in found)


def test_readings_that_stand_are_taken_as_they_are(tmp_path, calibration):
    found = runs(tmp_path, calibration, *(row(t, 1.0) for t in (40, 45, 50)))
    assert all("not-settled" not in run.flags for run in found)
    assert found[0].hot_to_cold.value == pytest.approx(23.0, abs=1e-6)


def test_settings_do_not_mix(tmp_path, calibration):
    rows = [row(t, curve(0.0, t)) for t in (5, 10, 15)]
    other = [(10.0, 30.0, *row(t, curve(-10.0, t))[2:]) for t in (5, 10, 15)]
    found = runs(tmp_path, calibration, *rows, *other)
    assert [round(run.hot_to_cold.value) for run in found] == [24, 24, 24, 34, 34, 34]


def test_a_stated_drift_marks_an_end(tmp_path, calibration):
    head = HEAD.replace("settling time [min]", "cold end drift [K/min]")
    still, moving = (8.0, 24.0, 1.009, 0, 1.0, 24.0, 20.0), (9.0, 27.0, 1.009, 0.8, 1.0, 24.0, 20.0)
    flagged = ["not-settled" in run.flags for run in runs(tmp_path, calibration, still, moving, head=head)]
    assert flagged == [False, True]


def test_unequal_steps_are_refused(tmp_path, calibration):
    with pytest.raises(InputError, match=r"column 'settling time': read 5, 10, 30 min at one setting, expected equal"):
        runs(tmp_path, calibration, *(row(t, curve(0.0, t)) for t in (5, 10, 30)))
