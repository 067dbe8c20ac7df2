"""No-load losses at any frequency, for the drive alone and for each cylinder."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from itertools import chain
from typing import Any, cast, overload

import numpy as np

from driveloss.bench.records import FloatArray
from driveloss.fit.calibration import Calibration
from driveloss.fit.checks import known_cylinder, positive
from driveloss.fit.estimate import Estimate, of_numbers, summaries
from driveloss.fit.meters import Meters
from driveloss.losses.course import Courses, Place, courses
from driveloss.losses.no_load import no_load_draws, no_load_flags
from driveloss.say.answer import Answer
from driveloss.say.csv_form import as_read, csv_lines, safe
from driveloss.say.quantities import Named, reported

EXACT = 100  # frequencies up to which each has draws of its own
AT_A_TIME = 1000  # of more


@dataclass(frozen=True, kw_only=True)
class LossRow(Named):
    """Input-side losses with nothing but friction to drive; None where not determinable. Powers in W, force in N."""

    frequency: float  # [Hz]
    cylinder: str | None  # None for the drive alone
    mean_pressure: float | None  # [Pa]
    standby: Estimate | None = None
    motor: Estimate | None = None
    linkage: Estimate | None = None  # with what the transmission takes of the seal's load
    drive: Estimate
    seal: Estimate | None = None
    port: Estimate | None = None
    total: Estimate  # without the port
    seal_force: Estimate | None = None
    flags: tuple[str, ...]

    @property
    def extrapolated(self) -> bool:
        """Whether the frequency lies outside the calibrated range."""
        return "extrapolated" in self.flags

    def __repr__(self) -> str:
        of = "drive alone" if self.cylinder is None else f"{self.cylinder!r} at {self.mean_pressure:.4g} Pa"
        return f"LossRow({of}, {self.frequency:g} Hz: {self.total.value:.4g} W)"


@dataclass(frozen=True)
class Block:
    """Losses at one place and some frequencies (m,) [Hz]: by part value, u, low and high, (m, 4), and their draws."""

    calibration: Calibration
    place: Place
    frequency: FloatArray
    numbers: Mapping[str, FloatArray]
    draws: Mapping[str, FloatArray] = field(default_factory=dict)  # where each frequency has its own

    def rows(self) -> Iterator[LossRow]:
        """One row a frequency."""
        return map(self.row, range(len(self.frequency)))

    def row(self, i: int) -> LossRow:
        """One of them."""
        known: dict[str, Any] = {
            name: of_numbers(each[i].tolist(), self._origin(name, i)) for name, each in self.numbers.items()
        }
        place, frequency = (self.place.cylinder, self.place.mean_pressure), float(self.frequency[i])
        flags = no_load_flags(self.calibration, *place, frequency)
        return LossRow(frequency=frequency, cylinder=place[0], mean_pressure=place[1], flags=flags, **known)

    def _origin(self, name: str, i: int) -> tuple[Meters, FloatArray] | None:
        return (self.calibration.meters, self.draws[name][i]) if name in self.draws else None

    def flags(self) -> Iterator[tuple[str, ...]]:
        """Of each frequency."""
        always = no_load_flags(self.calibration, self.place.cylinder, self.place.mean_pressure)
        low, high = self.calibration.calibrated(self.place.cylinder)
        for inside in ((low <= self.frequency) & (self.frequency <= high)).tolist():
            yield always if inside else ("extrapolated", *always)

    def lines(self) -> Iterator[tuple[Any, ...]]:
        """The rows as cells of `Losses.columns`, without the records: many times as quick."""
        count, flags, pressure = len(self.frequency), list(self.flags()), self.place.mean_pressure
        place = ([safe(self.place.cylinder)] * count, [pressure if pressure is None else as_read(pressure)] * count)
        known = (self._cells(q.key, count) for q in reported(LossRow))
        said = (["extrapolated" in each for each in flags], ["; ".join(each) for each in flags])
        frequency = map(as_read, self.frequency.tolist())
        return zip(frequency, *place, *chain.from_iterable(known), *said, strict=True)

    def _cells(self, part: str, count: int) -> list[list[float | None]]:
        """Four columns, empty where one of the four is not known."""
        numbers = self.numbers.get(part)
        if numbers is None:
            return [[None] * count] * 4
        known = np.isfinite(numbers).all(axis=1, keepdims=True)
        cells: Any = numbers if known.all() else np.where(known, numbers.astype(object), np.array(None))
        return cast("list[list[float | None]]", cells.T.tolist())


class Losses(Answer, Sequence[LossRow]):
    """The rows, frequency after frequency: the drive alone, then the cylinders; reckoned as they are asked for.

    Up to EXACT frequencies have draws of their own, more are read off a course (losses/course.py).
    assumptions: what stands in for keys of bench.toml, by which the rows' intervals are wider.
    """

    told_by = "driveloss.losses.tell:losses"
    in_pieces = True
    columns = (*LossRow.csv_columns(), "extrapolated", "flags")

    def __init__(self, calibration: Calibration, frequency: FloatArray, places: Sequence[Place]) -> None:
        self.calibration, self.frequency, self.places = calibration, frequency, tuple(places)
        every = calibration.meters.assumptions(calibration.rig)
        self.assumptions = tuple((keys, row) for keys, row in every if not row.under_load)

    def __repr__(self) -> str:
        return f"Losses({len(self)} rows)"

    def __len__(self) -> int:
        return len(self.frequency) * len(self.places)

    @overload
    def __getitem__(self, index: int) -> LossRow: ...
    @overload
    def __getitem__(self, index: slice) -> tuple[LossRow, ...]: ...
    def __getitem__(self, index: int | slice) -> LossRow | tuple[LossRow, ...]:
        if isinstance(index, slice):
            return tuple(self[i] for i in range(*index.indices(len(self))))
        row, place = divmod(range(len(self))[index], len(self.places))
        block, first = divmod(row, AT_A_TIME)
        return self._block(block)[place].row(first)

    def __iter__(self) -> Iterator[LossRow]:
        for block in self.blocks():
            yield from chain.from_iterable(zip(*(part.rows() for part in block), strict=True))

    def blocks(self) -> Iterator[tuple[Block, ...]]:
        """Some frequencies after the other, each at every place."""
        return map(self._block, range(-(-len(self.frequency) // AT_A_TIME)))

    def csv(self) -> Iterator[str]:
        """The text that `--csv` prints, in pieces."""
        lines = (zip(*(part.lines() for part in block), strict=True) for block in self.blocks())
        return csv_lines(chain.from_iterable(chain.from_iterable(lines)), self.columns)

    @property
    def flags(self) -> set[str]:
        """Of all rows together."""
        ends = (float(self.frequency.min()), float(self.frequency.max()))
        places = [(one.cylinder, one.mean_pressure) for one in self.places]
        return {flag for place in places for end in ends for flag in no_load_flags(self.calibration, *place, end)}

    def _block(self, number: int) -> tuple[Block, ...]:
        if len(self.frequency) <= EXACT:
            return self._own
        frequency = self.frequency[number * AT_A_TIME : (number + 1) * AT_A_TIME]
        each = zip(self.places, self._courses, strict=True)
        return tuple(Block(self.calibration, place, frequency, courses.at(frequency)) for place, courses in each)

    @cached_property
    def _own(self) -> tuple[Block, ...]:
        return tuple(_with_draws(self.calibration, self.frequency, place) for place in self.places)

    @cached_property
    def _courses(self) -> tuple[Courses, ...]:
        ends = float(self.frequency.min()), float(self.frequency.max())
        return tuple(courses(self.calibration, *ends, place) for place in self.places)


def _with_draws(calibration: Calibration, frequency: FloatArray, place: Place) -> Block:
    draws = no_load_draws(calibration, frequency, place.cylinder, place.mean_pressure)
    return Block(calibration, place, frequency, {name: summaries(each) for name, each in draws.items()}, draws)


def losses(
    calibration: Calibration,
    frequencies: Iterable[float],
    cylinders: Sequence[str] | None = None,
    pressures: Sequence[float] | None = None,
) -> Losses:
    """Losses at each frequency [Hz]: a row for the drive alone, then one a cylinder and mean pressure [Pa, absolute].

    cylinders: names, all unless given. pressures: unless given, those of each cylinder's no-load sweeps.
    Raises InputError for an unknown cylinder or a frequency that is not positive.
    """
    names = list(calibration.ranges) if cylinders is None else list(cylinders)
    for name in names:
        known_cylinder(calibration, name)
    places = [Place()] if cylinders is None else []
    places += [Place(name, p) for name in names for p in pressures or calibration.ranges[name].pressures]
    at = np.array([positive(frequency, "Hz", "frequency") for frequency in frequencies])
    return Losses(calibration, at, places)
