"""What a recorder's time column shows: seconds, a clock, or date and time; and whether it rises."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence

import numpy as np

from driveloss.bench.records import FloatArray
from driveloss.bench.units import shown
from driveloss.errors import InputError

DAY, HOUR = 86400.0, 3600.0  # [s]
NEARLY = 120.0  # [s] by which a clock that is set back by an hour may be off from one
_CLOCK = re.compile(r"(\d+):([0-5]?\d)(?::([0-5]?\d(?:[.,]\d*)?))?")
_STAMP = re.compile(r"(\d{4}-\d\d-\d\d)[T ](\d\d:\d\d(?::\d\d(?:[.,]\d{1,6})?\d*)?) ?(Z|[+-]\d\d:?\d\d)?")
EXPECTED = "expected a time such as 13:05:20 or 2024-05-17 13:05:20, or a heading with a unit such as 'time [s]'"

Place = Callable[[int], str]  # file, line and column of a row


class Clock:
    """Times that are numbers in a unit: what all kinds have in common."""

    def seconds(self, cells: Sequence[str], at: Place) -> FloatArray:
        """Cells as seconds. Raises InputError where one is no time."""
        raise NotImplementedError

    def set_on(self, step: float) -> float:
        """By how much a clock that stepped back so far is to be put on; zero where that is no such thing. [s]"""
        return 0.0

    def of_gap(self, step: float) -> str:
        """What else a step ahead may be than a gap."""
        return ", or the clock was set forward by an hour" if self.set_on(-step) == HOUR else ""

    def written(self, _time: float) -> str:
        """Date and time of a moment, where the column tells it."""
        return ""

    def __init__(self) -> None:
        self.ahead = 0.0  # [s] that were added so far

    def risen(self, time: FloatArray, before: float, at: Place, notices: list[str]) -> FloatArray:
        """Times (m,) that follow on `before`, steps back of a clock mended and noted. Raises InputError for others."""
        time = time + self.ahead
        while True:
            steps = np.diff(time, prepend=before)
            back = np.flatnonzero(steps < 0)
            if not len(back):
                return time
            i = int(back[0])
            put_on = self.set_on(float(steps[i]))
            if not put_on:
                self._refuse(float(steps[i]), at(i))
            word = "midnight" if put_on == DAY else "the clock was set back by an hour; it is read on without a break"
            notices.append(f"{at(i)}: {word}")
            time[i:] += put_on
            self.ahead += put_on

    def _refuse(self, step: float, at: str) -> None:
        raise InputError(
            f"{at}: expected a time after that of the line before, read one {-step:.6g} s earlier; was the recorder "
            "started again? Expected one file for each recording"
        )


class HourClock(Clock):
    """13:05:20, or hours counted on: past midnight it goes on."""

    def seconds(self, cells: Sequence[str], at: Place) -> FloatArray:
        found = np.empty(len(cells))
        for i, cell in enumerate(cells):
            match = _CLOCK.fullmatch(cell)
            if match is None:
                raise InputError(f"{at(i)}: expected a time such as 13:05:20, read '{shown(cell)}'")
            h, m, s = match.groups("0")
            found[i] = float(h) * HOUR + float(m) * 60 + float(s.replace(",", "."))
        return found

    def set_on(self, step: float) -> float:
        if step < NEARLY - DAY:
            return DAY
        return HOUR if abs(step + HOUR) < NEARLY else 0.0


class Calendar(Clock):
    """2024-05-17T13:05:20, with the difference to universal time or without."""

    has_zone = False

    def seconds(self, cells: Sequence[str], at: Place) -> FloatArray:
        days, times, zones = [], [], []
        for i, cell in enumerate(cells):
            match = _STAMP.fullmatch(cell)
            if match is None:
                raise InputError(f"{at(i)}: expected a date and time such as 2024-05-17 13:05:20, read '{shown(cell)}'")
            day, clock, zone = match.groups("")
            days.append(day)
            times.append(clock.replace(",", "."))
            zones.append(zone)
        texts = [f"{day}T{clock}" for day, clock in zip(days, times, strict=True)]
        try:
            stamps = np.array(texts, dtype="datetime64[us]")
        except ValueError as error:
            wrong = next(i for i, text in enumerate(texts) if not _is_date(text))
            raise InputError(f"{at(wrong)}: expected a date and time, read '{shown(cells[wrong])}'") from error
        self.has_zone = any(zones)
        return np.asarray(stamps.astype(np.int64) / 1e6 - np.array([_offset(zone) for zone in zones]))

    def set_on(self, step: float) -> float:
        return HOUR if abs(step + HOUR) < NEARLY and not self.has_zone else 0.0

    def written(self, time: float) -> str:
        text = str(np.datetime64(round(time * 1e3), "ms"))
        return f"{text}Z" if self.has_zone else text


def _is_date(text: str) -> bool:
    try:
        np.datetime64(text)
    except ValueError:
        return False
    return True


def _offset(zone: str) -> float:
    """Seconds ahead of universal time.

    >>> _offset("+01:30")
    5400.0
    """
    if zone in ("", "Z"):
        return 0.0
    sign = -1.0 if zone[0] == "-" else 1.0
    return sign * (int(zone[1:3]) * HOUR + int(zone[-2:]) * 60)


def clock_of(cell: str | None, at: str) -> Clock:
    """The clock that a column's first cell shows; None: a column of numbers. Raises InputError for a bare number."""
    if cell is None:
        return Clock()
    if _CLOCK.fullmatch(cell):
        return HourClock()
    if _STAMP.fullmatch(cell):
        return Calendar()
    raise InputError(f"{at}: {EXPECTED}, read '{shown(cell)}'")
