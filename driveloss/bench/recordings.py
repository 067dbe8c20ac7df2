"""A recording of pressure through the cycle: its file, and the whole turns in it."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from math import isinf
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from driveloss.bench.columns import Column, find_columns
from driveloss.bench.csvtext import CsvTable, plain_number, read_bytes, read_table
from driveloss.bench.quantity import NUMBER
from driveloss.bench.records import FloatArray, Recording, RecordingSpec
from driveloss.bench.rules import Kind
from driveloss.bench.units import shown
from driveloss.errors import InputError

KINDS = {
    "pressure": Kind("pressure", "Pa", "kPa"),
    "crank angle": Kind("angle", "rad", "deg"),
    "time": Kind("time", "s", "s"),
    "index": Kind("mark", "", ""),
    "volume": Kind("volume", "m^3", "cm^3"),
}
FEWEST_TURNS = 3
FEWEST_SAMPLES = 12  # a turn
UNEVEN = 0.2  # of the usual time between index marks by which one may differ
CLIPPED = 3  # equal samples in a row at the very end of the scale


@dataclass(frozen=True)
class Turn:
    """One whole turn: crank angle from the file's zero or index mark [rad], pressure [Pa], volume [m^3] if recorded."""

    angle: FloatArray
    pressure: FloatArray
    volume: FloatArray | None
    frequency: float  # [Hz], nan where no time was recorded


def read_recording(path: Path, spec: RecordingSpec, ambient_pressure: float) -> Recording:
    """Read one file, called `spec.file` in messages.

    InputError: whatever cannot be read without a guess, or does not hold FEWEST_TURNS whole turns.
    """
    data = read_bytes(path, spec.file)
    table = read_table(data, spec.file)
    columns, _ = find_columns(table, KINDS, ambient_pressure)
    _check(columns, table, spec)
    values = {name.replace("crank ", ""): numbers(column, table) for name, column in columns.items()}
    recording = Recording(
        file=spec.file,
        sha256=hashlib.sha256(data).hexdigest(),
        cylinder=spec.cylinder,
        stage=spec.stage,
        frequency=spec.frequency,
        mean_pressure=ambient_pressure if spec.mean_pressure is None else spec.mean_pressure,
        dead_centre=spec.dead_centre,
        sensor_lag=spec.sensor_lag,
        line=np.array([row.line for row in table.rows], dtype=np.int64),
        **values,
    )
    _check_turns(recording)
    return recording


def _check(columns: dict[str, Column], table: CsvTable, spec: RecordingSpec) -> None:
    at = table.where(table.header_line)
    read = ", ".join(repr(shown(written)) for written in table.headings)
    if "pressure" not in columns:
        raise InputError(f"{at}: expected a column 'pressure [kPa]', read {read}")
    if "crank angle" in columns:
        if spec.frequency is None:
            raise InputError(f"{spec.where}: '{shown(spec.file)}' has no time column: expected the key frequency")
    elif "time" not in columns or not columns.keys() & {"index", "volume"}:
        raise InputError(
            f"{at}: expected a column 'crank angle [deg]', or 'time [s]' with 'index' or 'volume [cm^3]', read {read}"
        )


def numbers(column: Column, table: CsvTable) -> FloatArray:
    """A column in SI."""
    texts = [plain_number(row.cells[column.index], table.delimiter) for row in table.rows]
    wrong = next((i for i, text in enumerate(texts) if NUMBER.fullmatch(text) is None or isinf(float(text))), None)
    if wrong is not None:
        row = table.rows[wrong]
        at = table.where(row.line, column.heading)
        raise InputError(f"{at}: expected a finite number, read '{shown(row.cells[column.index])}'")
    return np.array(texts, dtype=float) * column.scale.factor + column.scale.offset


def _check_turns(recording: Recording) -> None:
    found = list(turns(recording))
    if len(found) < FEWEST_TURNS:
        raise InputError(
            f"{recording.file}: expected {FEWEST_TURNS} whole turns or more, found {len(found)} in {len(recording)} "
            "samples"
        )
    coarse = min(len(turn.angle) for turn in found)
    if coarse < FEWEST_SAMPLES:
        raise InputError(
            f"{recording.file}: expected {FEWEST_SAMPLES} samples a turn or more, found one with {coarse}: too coarse "
            "for the harmonics of the pressure"
        )
    _check_clipping(recording)


def _check_clipping(recording: Recording) -> None:
    """Samples that stay at the very highest or lowest value tell a sensor at its end."""
    p = recording.pressure
    for end, word in ((p.max(), "highest"), (p.min(), "lowest")):
        at_end = p == end
        runs = np.convolve(at_end, np.ones(CLIPPED), "valid") >= CLIPPED
        if runs.any():
            line = int(recording.line[int(np.argmax(runs))])
            raise InputError(
                f"{recording.file}, line {line}: {CLIPPED} samples in a row at the {word} pressure of the file: is the "
                "sensor at the end of its range? expected a range that the pressure does not fill"
            )


def turns(recording: Recording) -> Iterator[Turn]:
    """Its whole turns, one after the other. Raises InputError where time or angle run backwards, or marks fail."""
    if len(recording) < 2:
        return  # nothing has turned
    if recording.angle is not None:
        yield from _turns_by_angle(recording, recording.angle)
    elif recording.time is not None:
        _check_rising(recording, recording.time, "time")
        starts = _marks(recording, recording.time)
        yield from _turns_by_time(recording, recording.time, starts)


def _turns_by_angle(recording: Recording, angle: FloatArray) -> Iterator[Turn]:
    unwrapped = np.unwrap(angle)
    _check_rising(recording, unwrapped, "crank angle")
    step = float(np.median(np.diff(unwrapped)))  # a sample stands for the angle up to the next one
    first, last = (
        np.ceil((unwrapped[0] - step) / (2 * np.pi) + 1e-6),
        np.floor((unwrapped[-1] + step) / (2 * np.pi) + 1e-6),
    )
    frequency = np.nan if recording.frequency is None else recording.frequency.value
    for number in range(int(first), int(last)):
        inside = (unwrapped >= 2 * np.pi * number) & (unwrapped < 2 * np.pi * (number + 1))
        volume = None if recording.volume is None else recording.volume[inside]
        yield Turn(unwrapped[inside] - 2 * np.pi * number, recording.pressure[inside], volume, frequency)


def _turns_by_time(recording: Recording, time: FloatArray, starts: FloatArray) -> Iterator[Turn]:
    places = np.searchsorted(time, starts)
    for (start, end), (first, last) in zip(pairwise(starts), pairwise(places), strict=True):
        inside = slice(first, last)
        angle = 2 * np.pi * (time[inside] - start) / (end - start)
        volume = None if recording.volume is None else recording.volume[inside]
        yield Turn(angle, recording.pressure[inside], volume, float(1 / (end - start)))


def _marks(recording: Recording, time: FloatArray) -> FloatArray:
    """Times at which turns begin: the index marks, else where the volume rises through its mean. [s]"""
    if recording.index is not None:
        risen = np.flatnonzero((recording.index[1:] > 0) & (recording.index[:-1] <= 0)) + 1
        found = time[risen]
        _check_marks(recording, risen, found)
        return found
    volume = np.zeros(0) if recording.volume is None else recording.volume - recording.volume.mean()
    risen = np.flatnonzero((volume[1:] >= 0) & (volume[:-1] < 0))
    share = -volume[risen] / (volume[risen + 1] - volume[risen])
    return np.asarray(time[risen] + share * (time[risen + 1] - time[risen]))


def _check_marks(recording: Recording, places: NDArray[np.int64], times: FloatArray) -> None:
    steps = np.diff(times)
    if len(steps) == 0:
        return
    usual = float(np.median(steps))
    wrong = np.flatnonzero(np.abs(steps - usual) > UNEVEN * usual)
    if len(wrong):
        word = "missing" if steps[wrong[0]] > usual else "doubled"
        raise InputError(
            f"{recording.file}, line {recording.line[places[wrong[0] + 1]]}, column 'index': {steps[wrong[0]]:.4g} s "
            f"after the mark before, expected about {usual:.4g} s: a mark is {word}"
        )


def _check_rising(recording: Recording, values: FloatArray, name: str) -> None:
    wrong = np.flatnonzero(np.diff(values) <= 0)
    if len(wrong):
        backwards = ": the crank turns backwards" if name == "crank angle" else ""
        raise InputError(
            f"{recording.file}, line {recording.line[wrong[0] + 1]}, column '{name}': expected more than in the line "
            f"before{backwards}"
        )
