"""Recordings of pressure through the cycle: reading them, their work, and what joins or contradicts a subtraction."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from driveloss.bench.load import load_bench
from driveloss.bench.recordings import read_recording, turns
from driveloss.bench.records import Quantity, RecordingSpec
from driveloss.errors import InputError
from driveloss.fit.calibrate import calibrate
from driveloss.fit.indicated import indicated
from driveloss.physics import indicator

DEMO = Path(__file__).parents[2] / "calib_data"
STIRLING = Path(__file__).with_name("stirling") / "data.csv"


def spec(file="r.csv", **more):
    return RecordingSpec(file=file, cylinder="one", where="bench.toml, line 9, key 'recordings[1].file'", **more)


def written(folder, header, columns, **more):
    rows = [",".join(f"{cell:.6g}" for cell in row) for row in zip(*columns, strict=True)]
    path = folder / "r.csv"
    path.write_text("\n".join([header, *rows, ""]), encoding="utf-8")
    return read_recording(path, spec(**more), 101325.0)


def wave(angle):
    return 100 + 40 * np.cos(angle + 0.6)  # kPa


def test_a_real_record_with_a_volume(tmp_path):
    """An open record of a small engine (MIT licence; clnbtlr/StirlingEngine, Python/data.csv): 28 turns at 147.2 r/min.

    Its chord trapezoid gives 1.396 mJ a cycle with a scatter of 0.059 mJ (own reckoning on the same file); harmonics
    do not cut turns between samples, so they scatter less about nearly the same mean.
    """
    text = STIRLING.read_text(encoding="utf-8-sig").replace(
        "t,Pmeas,Vmeas", "time [s],pressure [kPa gauge],volume [cm^3]"
    )
    (tmp_path / "r.csv").write_text(text, encoding="utf-8")
    found = list(turns(read_recording(tmp_path / "r.csv", spec(), 101325.0)))
    assert len(found) == 28
    assert 60 * np.mean([turn.frequency for turn in found]) == pytest.approx(147.2, abs=0.1)
    pairs = [[indicator.harmonics(turn.angle, y, 5) for y in (turn.pressure, turn.volume)] for turn in found]
    work = np.array([indicator.loop_work(*pair) for pair in pairs])  # the gas drives the piston: below zero
    assert -1e3 * work.mean() == pytest.approx(1.396, rel=0.01)
    assert 1e3 * work.std(ddof=1) < 0.059
    deviation = work - work.mean()
    assert np.sum(deviation[1:] * deviation[:-1]) / np.sum(deviation**2) > 0.8  # neighbours are alike
    moved = [np.mean([indicator.loop_work(indicator.late(p, np.radians(d)), v) for p, v in pairs]) for d in (-1, 1)]
    assert 100 * (np.array(moved) / work.mean() - 1) == pytest.approx([-2.43, 2.40], abs=0.02)  # the volume by 1 and -1


def test_turns_by_crank_angle(tmp_path):
    angle = np.arange(0, 4 * 360, 10.0)
    found = written(
        tmp_path,
        "crank angle [deg],pressure [kPa]",
        (angle % 360, wave(np.radians(angle))),
        frequency=Quantity(8.0),
    )
    cut = list(turns(found))
    assert [len(turn.angle) for turn in cut] == [36] * 4
    assert cut[1].angle[1] == pytest.approx(np.radians(10))
    assert cut[1].pressure == pytest.approx(cut[0].pressure, rel=1e-4)


def test_turns_by_index_marks(tmp_path):
    time = np.arange(0, 0.55, 0.002)
    index = (np.floor(time / 0.1 + 1e-9) != np.floor((time - 0.002) / 0.1 + 1e-9)).astype(float)
    found = written(tmp_path, "time [s],index,pressure [kPa]", (time, index, wave(2 * np.pi * 10 * time)))
    cut = list(turns(found))
    assert len(cut) >= 4
    assert cut[0].frequency == pytest.approx(10.0, rel=1e-6)


ANGLE = np.arange(0, 4 * 360, 10.0)
TIME = np.arange(0, 0.55, 0.002)
MARKS = (np.round(TIME / 0.002) % 50 == 0).astype(float)


@pytest.mark.parametrize(
    ("header", "columns", "told"),
    [
        ("crank angle [deg]", (ANGLE,), "line 1: expected a column 'pressure [kPa]'"),
        ("time [s],pressure [kPa]", (TIME, TIME), "'time [s]' with 'index' or 'volume [cm^3]'"),
        (
            "crank angle [deg],pressure [kPa]",
            (ANGLE[:72] % 360, wave(np.radians(ANGLE[:72]))),
            "expected 3 whole turns or more, found 2",
        ),
        ("crank angle [deg],pressure [kPa]", (ANGLE[:1], ANGLE[:1]), "found 0 in 1 samples"),
        ("time [s],volume [cm^3],pressure [kPa]", (TIME[:1], TIME[:1], TIME[:1]), "found 0 in 1 samples"),
        (
            "crank angle [deg],pressure [kPa]",
            (np.arange(0, 1440, 40.0) % 360, wave(np.radians(np.arange(0, 1440, 40.0)))),
            "too coarse for the harmonics",
        ),
        (
            "crank angle [deg],pressure [kPa]",
            ((-ANGLE) % 360, wave(np.radians(ANGLE))),
            "the crank turns backwards",
        ),
        (
            "crank angle [deg],pressure [kPa]",
            (ANGLE % 360, np.minimum(wave(np.radians(ANGLE)), 130)),
            "samples in a row at the highest pressure",
        ),
        (
            "time [s],index,pressure [kPa]",
            (TIME, np.where(np.isclose(TIME, 0.2), 0, MARKS), wave(20 * np.pi * TIME)),
            "a mark is missing",
        ),
        (
            "time [s],index,pressure [kPa]",
            (TIME, np.where(np.isclose(TIME, 0.24), 1, MARKS), wave(20 * np.pi * TIME)),
            "a mark is doubled",
        ),
        (
            "time [s],index,pressure [kPa]",
            (np.where(np.isclose(TIME, 0.3), 0.1, TIME), MARKS, wave(20 * np.pi * TIME)),
            "column 'time': expected more than in the line before",
        ),
    ],
)
def test_what_cannot_be_a_recording_is_refused(tmp_path, header, columns, told):
    with pytest.raises(InputError) as refused:
        written(tmp_path, header, columns, frequency=Quantity(10.0))
    assert told in str(refused.value)
    assert str(refused.value).startswith("r.csv")


def test_an_angle_without_frequency_or_time_is_refused(tmp_path):
    with pytest.raises(InputError, match="has no time column: expected the key frequency"):
        written(tmp_path, "crank angle [deg],pressure [kPa]", (ANGLE % 360, wave(np.radians(ANGLE))))


def test_a_volume_recorded_in_time_tells_the_work_of_the_crank_angle():
    """The demo's recording once more, its angle as time at its frequency and the slider-crank's volume."""
    bench = load_bench(DEMO)
    known = calibrate(bench, draws=50, compare=False)
    (by_angle,) = bench.recordings
    angle, cylinder = np.unwrap(by_angle.angle), bench.rig.cylinders[by_angle.cylinder]
    radius, rod = cylinder.stroke.value / 2, bench.rig.rod_length.value
    travel = radius * (1 - np.cos(angle)) + rod - np.sqrt(rod**2 - (radius * np.sin(angle)) ** 2)
    volume = 2e-5 + np.pi / 4 * cylinder.bore.value**2 * travel
    frequency = by_angle.frequency.value
    in_time = replace(by_angle, angle=None, frequency=None, time=angle / (2 * np.pi * frequency), volume=volume)
    first, second = (indicated(known, one) for one in (by_angle, in_time))
    assert second.frequency == pytest.approx(frequency, rel=2e-3)
    assert second.work[0] == pytest.approx(first.work[0], rel=0.01)
    assert second.phase[0] == pytest.approx(first.phase[0], abs=np.radians(0.5))
