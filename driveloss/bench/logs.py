"""A recorder's log: read in pieces and gathered into short bins, so that a log of any length takes the same memory."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import partial
from io import BufferedReader
from itertools import islice, pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from driveloss.bench.clocks import Clock, clock_of
from driveloss.bench.columns import EMPTY, FIELDS, NOT_FINITE, SPEEDS, SWEEP_KINDS, Column, find_columns, name_and_unit
from driveloss.bench.csvtext import CsvTable, check_plain, plain_number, read_table
from driveloss.bench.quantity import NUMBER, check_range
from driveloss.bench.records import FloatArray
from driveloss.bench.rules import Kind
from driveloss.bench.units import shown
from driveloss.errors import InputError, NoReadingsError

PIECE = 4_000_000  # bytes read at a time
MOST_BINS = 8192  # from twice as many on, neighbours are joined two and two
GAP = 10.0  # usual steps of time from which a step is a gap
HEAD_LINE = 100_000  # bytes of one of them
HEAD_LINES = 40  # that are taken apart to find the header
TIME = Kind("time", "s", "s")
UNITLESS_TIME = Kind("time", "", "hh:mm:ss")
CLOCK_UNITS = ("", "hh:mm:ss", "h:mm:ss", "hh:mm", "iso", "iso 8601", "utc")
LOG_KINDS = {name: kind for name, kind in SWEEP_KINDS.items() if name != "power scatter"}
MISSING = (EMPTY | NOT_FINITE) - {"inf", "infinity"}


@dataclass(frozen=True)
class Log:
    """One log as bins in the order of time. Arrays: (bins,), SI; a bin never reaches over a gap."""

    file: str
    means: dict[str, FloatArray]  # by field of Sweep; nan where nothing was read
    variances: dict[str, FloatArray]  # of single readings within a bin
    start: FloatArray  # [s] since the first reading
    end: FloatArray  # [s]
    count: FloatArray  # readings
    segment: NDArray[np.int64]  # stretch between gaps
    line: NDArray[np.int64]  # of the first reading
    interval: float  # [s] usual time between readings
    began: str  # date and time of the first reading, where the log says so
    units: dict[str, str] = field(default_factory=dict)  # as its headings have them
    notices: tuple[str, ...] = ()

    @property
    def time(self) -> FloatArray:
        """Middles of the bins. [s]"""
        return (self.start + self.end) / 2

    @property
    def readings(self) -> int:
        """How many readings there are in all."""
        return int(self.count.sum())

    def __len__(self) -> int:
        return len(self.start)

    def __repr__(self) -> str:
        return f"Log({self.file!r}, {self.readings} readings, {len(self)} bins)"


def read_log(
    path: Path, ambient_pressure: float | None = None, ratio: float | None = None, *, needs_frequency: bool = True
) -> Log:
    """Read one log. ambient_pressure: [Pa], which gauge pressures need. ratio: motor revolutions per crank revolution.

    Volts times amperes are multiplied reading by reading. Cut out and noted: missing readings, doubled lines, a last
    line cut short, header lines in between, a clock set back by an hour. InputError: whatever cannot be read without
    a guess, such as time that runs backwards.
    """
    name = path.name
    try:
        check_plain(path, name)
        with path.open("rb") as file:
            reader = _Reader(file, _head(file, name), ambient_pressure, ratio)
            reader.check(needs_frequency=needs_frequency)
            bins = _Bins()
            for piece in reader.pieces():
                bins.add(piece)
    except FileNotFoundError:
        raise InputError(f"{name}: there is no such file at {path}") from None
    except OSError as error:
        raise InputError(f"{name}: cannot be read: {error.strerror}") from error
    if not bins.size:
        raise NoReadingsError(f"{name}: expected lines of readings with time, speed and power, read none whole")
    return bins.log(reader)


def _head(file: BufferedReader, name: str) -> CsvTable:
    """The first whole lines taken apart: delimiter and headings."""
    count = HEAD_LINES
    while True:
        lines = list(islice(iter(partial(file.readline, HEAD_LINE), b""), count))
        file.seek(0)
        whole = [line for line in lines if line.endswith((b"\n", b"\r"))] or lines
        try:
            return read_table(b"".join(whole), name)
        except InputError:  # nothing but comments so far
            if len(lines) < count or any(line.strip() and not line.startswith(b"#") for line in lines):
                raise
            count *= 2


@dataclass(frozen=True)
class _Piece:
    """Some rows in SI: time (m,), values (m, columns), lines (m,)."""

    time: FloatArray
    values: FloatArray
    line: NDArray[np.int64]
    segment: NDArray[np.int64]


class _Reader:
    """One file, read piece by piece; counts what is cut out."""

    def __init__(
        self, file: BufferedReader, table: CsvTable, ambient_pressure: float | None, ratio: float | None
    ) -> None:
        self.file, self.table, self.ratio = file, table, ratio
        units = dict(map(name_and_unit, table.headings))
        is_clock = units.get("time", "").lower() in CLOCK_UNITS
        kinds = {**LOG_KINDS, "time": UNITLESS_TIME if is_clock else TIME}
        self.columns, left_out = find_columns(table, kinds, ambient_pressure)
        at = table.where(table.header_line)
        if self.columns.keys() & {"frequency", "speed"} and (motor := self.columns.pop("motor speed", None)):
            left_out.append((motor.heading, ": the crank's own is read"))
        self.notices = [f"{at}: column '{shown(written)}' is left out{meant}" for written, meant in left_out]
        self.units = {FIELDS.get(name, name): units[name] for name in self.columns}
        self.numeric = [c for name, c in self.columns.items() if name != "time" or not is_clock]
        self.is_clock = is_clock
        self.counts = {"missing": 0, "doubled": 0, "headers": 0}
        self.segment, self.usual, self.last = 0, 0.0, (-np.inf, np.zeros(0))

    def check(self, *, needs_frequency: bool) -> None:
        """The columns that a log must have. Raises InputError."""
        at, has = self.table.where(self.table.header_line), self.columns.keys()
        read = f"read {', '.join(repr(shown(written)) for written in self.table.headings)}"
        if "time" not in has:
            raise InputError(f"{at}: expected a column 'time [s]', or 'time' as hh:mm:ss or date and time, {read}")
        if {"frequency", "speed"} <= has:
            raise InputError(f"{at}: duplicate column: expected either 'frequency' or 'speed', read both")
        if "motor speed" in has and self.ratio is None:
            at = self.table.where(self.table.header_line, self.columns["motor speed"].heading)
            raise InputError(f"{at}: how fast the crank turns is not known: expected --ratio, or the crank's own speed")
        if needs_frequency and not has & {*SPEEDS}:
            raise InputError(f"{at}: expected a column 'frequency [Hz]' or 'speed [rpm]', {read}")
        if "power" not in has and not {"voltage", "current"} <= has:
            raise InputError(f"{at}: expected a column 'power [W]', or 'voltage [V]' and 'current [A]', {read}")
        row = self.table.rows[0]
        self.clock: Clock = clock_of(
            row.cells[self.columns["time"].index] if self.is_clock else None,
            self.table.where(row.line, self.columns["time"].heading),
        )

    @property
    def fields(self) -> list[str]:
        """What `_Piece.values` holds, by fields of Sweep: power first."""
        names = [name for name in self.columns if name not in ("time", "power")]
        return ["power", *("frequency" if name in SPEEDS else FIELDS[name] for name in names)]

    def pieces(self) -> Iterator[_Piece]:
        """The readings in SI, in pieces of a few MB."""
        number = 1  # of the piece's first line
        while blob := self.file.read(PIECE) + self.file.readline(PIECE):
            lines = self._decoded(blob, number).split("\n")
            whole = lines[:-1]
            if lines[-1].strip():  # only the file's very last line has no end
                cut = self.table.where(number + len(whole))
                self.notices.append(f"{cut}: this last line has no end, so it may be cut short: it is left out")
            kept = [
                (n, line)
                for n, line in enumerate(whole, number)
                if n > self.table.header_line and line and not line.isspace() and not line.startswith(("#", '"#'))
            ]
            number += len(whole)
            if kept:
                piece = self._piece(np.array([n for n, _ in kept]), [line for _, line in kept])
                if len(piece.time):
                    yield piece

    def _decoded(self, blob: bytes, number: int) -> str:
        """Bytes as text with one kind of line end; number: of their first line. Raises InputError."""
        try:
            text = blob.decode("utf-8-sig" if number == 1 else "utf-8")
        except UnicodeDecodeError as error:
            at = self.table.where(number + blob[: error.start].count(b"\n"))
            read = f"byte 0x{blob[error.start]:02x}"
            raise InputError(f"{at}: expected UTF-8 text, read {read}; save it as UTF-8") from error
        if "\0" in text:
            at = self.table.where(number + text[: text.index("\0")].count("\n"))
            raise InputError(f"{at}: expected a text file (CSV), read binary data")
        return text.replace("\r\n", "\n").replace("\r", "\n")

    def _piece(self, line: NDArray[np.int64], lines: list[str]) -> _Piece:
        line, numbers, stamps = self._cells(line, lines)
        by_name = {c.name: numbers[:, j] * c.scale.factor + c.scale.offset for j, c in enumerate(self.numeric)}
        self._check_ranges(by_name, line)
        if "motor speed" in by_name and self.ratio is not None:
            by_name["motor speed"] = by_name["motor speed"] / self.ratio
        power = by_name["power"] if "power" in by_name else by_name["voltage"] * by_name["current"]
        others = [by_name[name] for name in self.columns if name not in ("time", "power")]
        values = np.column_stack([power, *others])
        has_all = np.isfinite(values[:, [i for i, f in enumerate(self.fields) if f in ("power", "frequency")]]).all(1)
        time = by_name["time"] if stamps is None else stamps
        has_all &= np.isfinite(time)
        self.counts["missing"] += int((~has_all).sum())
        return self._in_order(time[has_all], values[has_all], line[has_all])

    def _cells(
        self, line: NDArray[np.int64], lines: list[str]
    ) -> tuple[NDArray[np.int64], FloatArray, FloatArray | None]:
        """Numbers (m, numeric columns) as written, missing ones nan, and times that clocks show; quick where it can."""
        delimiter, width = self.table.delimiter, len(self.table.headings)
        text = "\n".join(lines)
        numbers = None
        if text.count(delimiter) == (width - 1) * len(lines) and '"' not in text:
            numbers = self._quick(text, lines)
        if numbers is None:
            line, lines, numbers = self._careful(line, lines)
        if not self.is_clock:
            return line, numbers, None
        index = self.columns["time"].index
        stamps = [one.split(delimiter, index + 1)[index].strip(' "') for one in lines]
        heading = self.columns["time"].heading
        return line, numbers, self.clock.seconds(stamps, lambda i: self.table.where(int(line[i]), heading))

    def _quick(self, text: str, lines: list[str]) -> FloatArray | None:
        """By NumPy's own reader; None where a cell is no finite number."""
        d = self.table.delimiter
        if d != ",":
            text = text.replace(",", ".")
        empty = re.compile(rf"(?m)(?:^|(?<={d}))[ ]*(?={d}|$)")
        for attempt in (text.split("\n") if d != "," else lines, None):
            rows = empty.sub("nan", text).split("\n") if attempt is None else attempt
            try:
                found = np.loadtxt(rows, delimiter=d, usecols=[c.index for c in self.numeric], comments=None, ndmin=2)
            except ValueError:
                continue
            return None if len(found) != len(lines) or np.isinf(found).any() else found
        return None

    def _careful(self, line: NDArray[np.int64], lines: list[str]) -> tuple[NDArray[np.int64], list[str], FloatArray]:
        """Line by line, to say where what is wrong. Raises InputError."""
        headings, kept, rows = self.table.headings, [], []
        for place, (number, text) in enumerate(zip(line.tolist(), lines, strict=True)):
            cells = [cell.strip(' "') for cell in text.split(self.table.delimiter)]
            if self._is_header(cells, number):
                self.counts["headers"] += 1
                continue
            cells = cells[: len(headings)] if not any(cells[len(headings) :]) else cells
            if len(cells) != len(headings):
                raise InputError(
                    f"{self.table.where(number)}: expected {len(headings)} cells as in the header line, read "
                    f"{len(cells)} in '{shown(text)}'"
                )
            kept.append(place)
            rows.append([self._number(cells[c.index], c, number) for c in self.numeric])
        numbers = np.array(rows, dtype=float).reshape(len(rows), len(self.numeric))
        return line[kept], [lines[place] for place in kept], numbers

    def _is_header(self, cells: list[str], number: int) -> bool:
        """A header line again, as recorders write one at each start. Raises InputError where it differs."""
        if cells == self.table.headings:
            return True
        names = [name_and_unit(cell)[0] for cell in cells]
        if names == [name_and_unit(cell)[0] for cell in self.table.headings]:
            raise InputError(
                f"{self.table.where(number)}: expected readings in the units of line {self.table.header_line}, read a "
                f"second header line '{shown(self.table.delimiter.join(cells))}' with others: expected one file each"
            )
        return False

    def _number(self, text: str, column: Column, line: int) -> float:
        if text.lower().lstrip("+-") in MISSING:
            return float("nan")
        plain = plain_number(text, self.table.delimiter)
        if NUMBER.fullmatch(plain) is None:
            at = self.table.where(line, column.heading)
            raise InputError(f"{at}: expected a number, read '{shown(text)}'")
        return float(plain)

    def _check_ranges(self, by_name: dict[str, FloatArray], line: NDArray[np.int64]) -> None:
        """Refuse what cannot be; a little below zero is noise where something stands still."""
        for name, values in by_name.items():
            if name == "time" or not np.isfinite(values).any():
                continue
            kind, column = LOG_KINDS[name], self.columns[name]
            least = np.nanargmin(values) if kind.is_temperature or kind.is_pressure else np.nanargmax(values)
            for i in {int(least), int(np.nanargmax(values))}:
                at = self.table.where(int(line[i]), column.heading)
                number = (values[i] - column.scale.offset) / column.scale.factor
                check_range(
                    float(values[i]) if kind.is_temperature or kind.is_pressure else abs(float(values[i])),
                    kind,
                    at,
                    f"{number:.6g}",
                )

    def _in_order(self, time: FloatArray, values: FloatArray, line: NDArray[np.int64]) -> _Piece:
        """Rows whose time rises, doubled ones left out, numbered by the stretches between gaps."""
        if not len(time):
            return _Piece(time, values, line, np.zeros(0, dtype=np.int64))
        before, row = self.last
        heading = self.columns["time"].heading
        time = self.clock.risen(time, before, lambda i: self.table.where(int(line[i]), heading), self.notices)
        steps = np.diff(time, prepend=before)
        whole = np.vstack([row if len(row) else np.full(values.shape[1], np.inf), values])
        same = (steps == 0) & np.all((whole[1:] == whole[:-1]) | (np.isnan(whole[1:]) & np.isnan(whole[:-1])), axis=1)
        self.counts["doubled"] += int(same.sum())
        self.last = (float(time[-1]), values[-1])
        if self.usual == 0.0 and len(time) > 2:
            rising = steps[1:][steps[1:] > 0]
            self.usual = float(np.median(rising)) if len(rising) else 0.0
        gaps = (steps > GAP * self.usual) & np.isfinite(steps) if self.usual else np.zeros(len(time), dtype=bool)
        for i in np.flatnonzero(gaps)[:20]:
            at, hint = self.table.where(int(line[i]), heading), self.clock.of_gap(float(steps[i]))
            self.notices.append(f"{at}: a gap of {steps[i]:.4g} s{hint}: no reading reaches across it")
        segment = self.segment + np.cumsum(gaps)
        self.segment = int(segment[-1])
        keep = ~same
        return _Piece(time[keep], values[keep], line[keep], segment[keep])

    def all_notices(self) -> tuple[str, ...]:
        """What was left out, and how often."""
        words = {
            "missing": "cut out are readings without time, speed or power",
            "doubled": "cut out are lines that repeat time and readings of the line before",
            "headers": "passed over are header lines between the readings",
        }
        counted = [f"{self.table.name}: {words[key]}: {n}" for key, n in self.counts.items() if n]
        return (*self.notices, *counted)


class _Bins:
    """Sums over bins of as many readings each, which grow as the log does.

    A bin holds 2^level readings of one segment; joining neighbours is raising the level.
    """

    def __init__(self) -> None:
        self.level = 0
        self.parts: dict[str, NDArray[np.float64]] = {}
        self.origin = np.zeros(0)
        self.first = 0.0
        self.tail = (-1, 0)  # segment, and readings of it so far

    @property
    def size(self) -> int:
        return len(self.parts["segment"]) if self.parts else 0

    def add(self, piece: _Piece) -> None:
        """Take in some rows."""
        if not self.parts:
            self.origin, self.first = np.nan_to_num(piece.values[0]), float(piece.time[0])
        values, time = piece.values - self.origin, piece.time - self.first
        known = np.isfinite(values)
        values = np.where(known, values, 0.0)
        rows = {
            "segment": piece.segment.astype(float),
            "position": self._positions(piece.segment),
            "line": piece.line.astype(float),
            "start": time,
            "end": time,
            "count": np.ones(len(time)),
            "known": known.astype(float),
            "sum": values,
            "square": values**2,
        }
        rows = _joined(rows, self.level)
        merged = {name: np.concatenate([self.parts[name], new]) if self.parts else new for name, new in rows.items()}
        self.parts = _joined(merged, self.level)
        while self.size > 2 * MOST_BINS and self.level < 60:
            self.level += 1
            self.parts = _joined(self.parts, self.level)

    def _positions(self, segment: NDArray[np.int64]) -> FloatArray:
        """The place of each row in its segment."""
        starts = np.concatenate([[0], np.flatnonzero(np.diff(segment)) + 1])
        place = np.arange(len(segment)) - np.repeat(starts, np.diff([*starts, len(segment)]))
        if segment[0] == self.tail[0]:
            place[: starts[1] if len(starts) > 1 else None] += self.tail[1]
        self.tail = (int(segment[-1]), int(place[-1]) + 1)
        return np.asarray(place, dtype=float)

    def log(self, reader: _Reader) -> Log:
        """What was gathered."""
        p, fields = self.parts, reader.fields
        with np.errstate(invalid="ignore", divide="ignore"):
            mean = p["sum"] / p["known"]
            spare = np.where(p["known"] > 1, p["known"] - 1, np.nan)
            variance = np.maximum(p["square"] - p["sum"] * np.nan_to_num(mean), 0.0) / spare
        steps = max(float(p["count"].sum()) - len(np.unique(p["segment"])), 1.0)
        inside = [float(np.ptp(np.concatenate([p["start"][m], p["end"][m]]))) for m in _segments(p["segment"])]
        return Log(
            file=reader.table.name,
            means={name: mean[:, j] + self.origin[j] for j, name in enumerate(fields)},
            variances={name: variance[:, j] for j, name in enumerate(fields)},
            start=p["start"],
            end=p["end"],
            count=p["count"],
            segment=p["segment"].astype(np.int64),
            line=p["line"].astype(np.int64),
            interval=sum(inside) / steps,
            began=reader.clock.written(self.first),
            units=reader.units,
            notices=reader.all_notices(),
        )


def _segments(segment: FloatArray) -> Iterator[slice]:
    edges = [0, *(np.flatnonzero(np.diff(segment)) + 1).tolist(), len(segment)]
    return (slice(a, b) for a, b in pairwise(edges))


FIRST, LAST = ("segment", "position", "line", "start"), ("end",)


def _joined(parts: dict[str, NDArray[np.float64]], level: int) -> dict[str, NDArray[np.float64]]:
    """Rows of one segment whose positions agree but for the last `level` bits, joined."""
    key = np.floor(parts["position"] / 2.0**level)
    new = np.flatnonzero((np.diff(key, prepend=-1.0) != 0) | (np.diff(parts["segment"], prepend=-1.0) != 0))
    ends = np.append(new[1:], len(key)) - 1
    return {
        name: values[new] if name in FIRST else values[ends] if name in LAST else np.add.reduceat(values, new, axis=0)
        for name, values in parts.items()
    }
