"""A run-down: its file, and whether it can be one. Without a column of speed, its times are those of index marks."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from driveloss.bench.columns import Column, find_columns, no_ratio
from driveloss.bench.csvtext import CsvTable, read_bytes, read_table
from driveloss.bench.recordings import numbers
from driveloss.bench.records import FloatArray, Quantity, Rig, Rundown, RundownSpec
from driveloss.bench.rules import Kind
from driveloss.bench.units import did_you_mean, shown
from driveloss.errors import InputError

KINDS = {
    "time": Kind("time", "s", "s"),
    "frequency": Kind("frequency", "Hz", "Hz"),
    "speed": Kind("frequency", "Hz", "rpm"),
    "motor speed": Kind("frequency", "Hz", "rpm"),
}
SPEEDS = ("frequency", "speed", "motor speed")
FEWEST = 6  # samples or marks
MOST = 5000
FEWEST_TURNS = 3
LEAST_SPAN = 1.2  # of the first speed over the last
RISE = 0.05  # of the speed by which it may seem to rise
SCATTERS = 8.0  # times its own scatter by which it may, if that is more
NORMAL = 1.4826  # standard deviation over median absolute deviation


def read_rundown(path: Path, spec: RundownSpec, rig: Rig) -> Rundown:
    """Read one file, called `spec.file` in messages.

    InputError: whatever cannot be read without a guess, or does not slow down as a machine that coasts.
    """
    data = read_bytes(path, spec.file)
    table = read_table(data, spec.file)
    columns, left_out = find_columns(table, KINDS, None)
    _check_columns(columns, table, left_out)
    if "motor speed" in columns and rig.transmission.ratio is None:
        raise no_ratio(table.where(table.header_line, columns["motor speed"].heading))
    values = {name: numbers(column, table) for name, column in columns.items()}
    ratio = rig.transmission.turns.value
    alone = ratio if spec.stage == "motor-alone" else 1.0  # turns of the shaft that inertia, brake and mark belong to
    rundown = Rundown(
        file=spec.file,
        sha256=hashlib.sha256(data).hexdigest(),
        stage=spec.stage,
        cylinder=spec.cylinder,
        mean_pressure=rig.ambient_pressure.value if spec.mean_pressure is None else spec.mean_pressure,
        inertia=_times(spec.inertia, alone**2),
        added_inertia=_times(spec.added_inertia, alone**2),
        brake_torque=_times(spec.brake_torque, alone),
        moving_mass=spec.moving_mass,
        mark=1 / alone,
        line=np.array([row.line for row in table.rows], dtype=np.int64),
        time=values["time"],
        frequency=_frequency(values, ratio),
    )
    _check(rundown, next((columns[name].heading for name in SPEEDS if name in columns), columns["time"].heading))
    return rundown


def _times(quantity: Quantity | None, factor: float) -> Quantity | None:
    """At the crank what was stated at another shaft."""
    return None if quantity is None else Quantity(quantity.value * factor, quantity.limit * factor)


def _frequency(values: dict[str, FloatArray], ratio: float) -> FloatArray | None:
    """Of the crank [Hz]; None where there is no column of speed."""
    if "motor speed" in values:
        return values["motor speed"] / ratio
    return values.get("frequency", values.get("speed"))


def _check_columns(columns: dict[str, Column], table: CsvTable, left_out: list[tuple[str, str]]) -> None:
    at = table.where(table.header_line)
    if "time" not in columns:
        read = ", ".join(repr(shown(written)) for written in table.headings)
        raise InputError(f"{at}: expected a column 'time [s]', read {read}")
    found = [columns[name].heading for name in SPEEDS if name in columns]
    if len(found) > 1:
        raise InputError(f"{at}: duplicate column: expected one of speed, read '{found[0]}' and '{found[1]}'")
    for written, _ in () if found else left_out:  # without a speed the times are of marks: no guess at a misspelt one
        raise InputError(
            f"{table.where(table.header_line, written)}: unknown column{did_you_mean(written, SPEEDS)}; expected "
            "'frequency [Hz]' or 'speed [rpm]', or 'time [s]' alone for the times at which an index mark passes"
        )


def _check(rundown: Rundown, heading: str) -> None:
    file, time, frequency = rundown.file, rundown.time, rundown.frequency
    if len(rundown) < FEWEST:
        word = "marks" if frequency is None else "samples"
        raise InputError(f"{file}: expected {FEWEST} {word} or more, read {len(rundown)}")
    if len(rundown) > MOST:
        raise InputError(f"{file}: expected {MOST} lines at most, read {len(rundown)}: keep every second or tenth")
    still = np.flatnonzero(np.diff(time) <= 0)
    if len(still):
        raise _refusal(rundown, int(still[0]) + 1, "time", "expected more than in the line before")
    if frequency is None:
        _check_falling(rundown, rundown.mark / np.diff(time), heading, 1)
        return
    stands = np.flatnonzero(frequency <= 0)
    if len(stands):
        raise _refusal(rundown, int(stands[0]), heading, "expected a speed above zero: end the file before it stands")
    turns = float(np.sum((frequency[1:] + frequency[:-1]) / 2 * np.diff(time)))
    if turns < FEWEST_TURNS:
        raise InputError(f"{file}: expected {FEWEST_TURNS} turns or more, read {turns:.2g} by its speed and time")
    _check_falling(rundown, frequency, heading, 0)


def _check_falling(rundown: Rundown, frequency: FloatArray, heading: str, first: int) -> None:
    """first: row in which the first of these frequencies shows."""
    bends = np.abs(np.diff(frequency, 2))
    scatter = NORMAL * float(np.median(bends)) / np.sqrt(6.0)
    before = np.minimum.accumulate(frequency)[:-1]
    wrong = np.flatnonzero(frequency[1:] > before + np.maximum(RISE * before, SCATTERS * scatter))
    if len(wrong):
        place = int(wrong[0]) + 1
        missed = " (or a mark was missed before it, or one is doubled)" if rundown.frequency is None else ""
        raise _refusal(
            rundown,
            place + first,
            heading,
            f"the run-down speeds up, to {frequency[place]:.4g} Hz after {before[place - 1]:.4g} Hz{missed}: expected "
            "falling speed, the supply cut",
        )
    third = max(len(frequency) // 6, 1)
    high, low = float(np.mean(frequency[:third])), float(np.mean(frequency[-third:]))
    if high < LEAST_SPAN * low:
        raise InputError(
            f"{rundown.file}: its speed falls from {high:.4g} to {low:.4g} Hz, expected by a factor of {LEAST_SPAN:g} "
            "or more: let it coast longer"
        )


def _refusal(rundown: Rundown, place: int, column: str, reason: str) -> InputError:
    return InputError(f"{rundown.file}, line {rundown.line[place]}, column '{shown(column)}': {reason}")


def check_inertias(rundowns: Sequence[Rundown], specs: Sequence[RundownSpec]) -> None:
    """Refuse a file named twice, and a run-down whose inertia nothing tells: bench.toml, or a pair with an addition."""
    named: dict[str, str] = {}
    for rundown, spec in zip(rundowns, specs, strict=True):
        if spec.file in named:
            raise InputError(f"{spec.where}: '{shown(spec.file)}' was named before ({named[spec.file]})")
        named[spec.file] = spec.where
        alike = same_machine(rundown, rundowns)
        if any(one.inertia is not None for one in alike):
            continue
        if not {True, False} <= {one.is_aided for one in alike}:
            raise InputError(
                f"{spec.where}: nothing tells the inertia of '{shown(spec.file)}': expected the key inertia, or a "
                "second run-down of the same stage that one of them made with added_inertia or brake_torque"
            )


def same_machine(rundown: Rundown, rundowns: Sequence[Rundown]) -> tuple[Rundown, ...]:
    """Those among run-downs that turned the same parts."""
    return tuple(r for r in rundowns if (r.stage, r.cylinder) == (rundown.stage, rundown.cylinder))
