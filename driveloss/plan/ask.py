"""Which readings to take: frequencies and repeats on each rung for a wanted half-width of the net power.

The net power at each target is one more coefficient of the joint fit, seen by loaded readings at that frequency alone,
so one V-optimal design shares the readings among the ladder and the loaded runs. A few readings on every rung, at one
frequency more than its laws need, are fixed beforehand: without them a law that does not hold could not be noticed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import ClassVar

import numpy as np

from driveloss.bench.records import FloatArray
from driveloss.errors import InputError
from driveloss.fit.checks import known_cylinder, positive
from driveloss.fit.estimate import COVERAGE
from driveloss.fit.laws import efficiency_of
from driveloss.fit.readings import Rung
from driveloss.plan.optimal_design import apportion, v_optimal, variances
from driveloss.plan.outlook import Outlook, Systematic
from driveloss.say.answer import Answer
from driveloss.say.numbers import bar

GRID = 24  # candidate frequencies a rung, about
NICE_STEPS = (5.0, 2.0, 1.0)
MOST_READINGS = 2000
WITHIN = 1.1  # where the wish cannot be met: readings enough to come this near to what can
ROUGH, FINE = 1e-2, 1e-3  # tolerances of the design while searching, and at the end
WORTH_A_READING = 0.3  # expected readings below which a point is left out
FEWEST = 3  # readings that a rung needs to be fitted at all


@dataclass(frozen=True)
class Point:
    """Readings to take on one rung at one frequency."""

    rung: Rung
    frequency: float  # [Hz]
    count: int


@dataclass(frozen=True)
class Target:
    """What is to be known: net power of a cylinder at a mean pressure and frequency, as half-widths (95 %). [W]"""

    rung: Rung  # loaded
    frequency: float  # [Hz]
    net: float  # expected
    half_width: float
    by_chance: float  # the part that more readings reduce
    evenly: float  # by chance, had the same number of readings been spread evenly
    common: Systematic  # the part that they do not

    @property
    def limiting(self) -> str | None:
        """The source in the way: the largest error that repeats do not reduce, if it exceeds chance."""
        if not self.common.sources or self.common.half_width < self.by_chance:
            return None
        return next(iter(self.common.sources))


@dataclass(frozen=True, repr=False)
class Plan(Answer):
    """Readings to take, and what they promise."""

    points: tuple[Point, ...]
    targets: tuple[Target, ...]
    wanted: float | None  # [W]
    impossible: bool  # no number of readings meets the wish
    laws: dict[str, tuple[str, ...]]  # labels of the laws that each part is taken to follow
    assumptions: tuple[str, ...]
    told_by: ClassVar[str] = "driveloss.plan.tell:plan"
    lists: ClassVar[tuple[str, ...]] = ("points",)

    def __repr__(self) -> str:
        return f"Plan({self.readings} readings for {len(self.targets)} targets)"

    @property
    def readings(self) -> int:
        """How many in all."""
        return sum(point.count for point in self.points)

    @property
    def met(self) -> bool | None:
        """Whether every target comes within the wanted half-width; None where none was stated."""
        return None if self.wanted is None else all(t.half_width <= self.wanted for t in self.targets)

    @property
    def gain(self) -> float:
        """How many times as many readings an even spread would need for the same mean variance by chance."""
        return float(np.sum([t.evenly**2 for t in self.targets]) / np.sum([t.by_chance**2 for t in self.targets]))


def plan(
    outlook: Outlook,
    frequencies: Sequence[float],
    *,
    half_width: float | None = None,
    readings: int | None = None,
    cylinders: Sequence[str] | None = None,
) -> Plan:
    """Plan readings for the net power at frequencies [Hz].

    half_width: wanted, of the 95 % interval at every target [W]. readings: use just so many; else the fewest that
    meet the wish. cylinders: those of interest, all unless given.
    Raises InputError where a target lies outside what is run, or readings are too few to fit the laws.
    """
    if half_width is None and readings is None:
        raise InputError(
            "expected a wanted half-width (--half-width) or a number of readings (--readings), got neither"
        )
    wish = np.inf if half_width is None else positive(half_width, "W", "half-width", "power")
    problem = _Problem(outlook, *_checked(outlook, frequencies, cylinders))
    if readings is None:
        readings, impossible = _enough(problem, wish)
        return _answer(problem, readings, half_width, impossible=impossible)
    if not problem.least <= readings <= MOST_READINGS:
        raise InputError(
            f"readings: read {readings}, expected {problem.least} to {MOST_READINGS}; fewer cannot show whether "
            "the laws hold on every rung"
        )
    impossible = any(common.half_width >= wish for common in problem.common)
    return _answer(problem, readings, half_width, impossible=impossible)


def _checked(
    outlook: Outlook, frequencies: Sequence[float], cylinders: Sequence[str] | None
) -> tuple[tuple[float, ...], tuple[str, ...]]:
    """Target frequencies and cylinders. Raises InputError where they make no sense."""
    if not outlook.calibration.ranges:
        raise InputError(
            "bench.toml, [[sweeps]]: no cylinder has a no-load sweep, expected one whose net power to plan"
        )
    low, high = outlook.span
    at = tuple(sorted(set(frequencies)))
    for frequency in at:
        if not low * 0.995 <= frequency <= high * 1.005:
            raise InputError(f"target: read {frequency:g} Hz, expected one within the rungs' {low:g} to {high:g} Hz")
    if not at:
        raise InputError("expected at least one target frequency, got none")
    names = outlook.calibration.ranges if cylinders is None else cylinders
    return at, tuple(known_cylinder(outlook.calibration, name) for name in names)


class _Problem:
    """Candidates, targets and the readings that are fixed beforehand, as one weighted linear problem."""

    def __init__(self, outlook: Outlook, at: tuple[float, ...], cylinders: tuple[str, ...]):
        self.outlook, self.at = outlook, at
        self.rungs = [r for r in outlook.rungs if r.cylinder is None or r.cylinder in cylinders]
        self.used = [j for j, t in enumerate(outlook.terms) if t.cylinder is None or t.cylinder in cylinders]
        self.grid = nice_grid(*outlook.span, at)
        self.candidates = [(r, f) for r in self.rungs for f in (at if r.stage == "loaded" else self.grid)]
        self.places = {r: np.array([i for i, (s, _) in enumerate(self.candidates) if s == r]) for r in self.rungs}
        self.frequency = np.array([f for _, f in self.candidates])
        self.loaded = np.array([r.stage == "loaded" for r, _ in self.candidates])
        self.targets = [candidate for candidate in self.candidates if candidate[0].stage == "loaded"]
        self.rows = np.vstack([self._row(rung, f) for rung, f in self.candidates])
        self.wanted = np.eye(self.rows.shape[1])[len(self.used) :]

    def _row(self, rung: Rung, frequency: float) -> FloatArray:
        """Slopes of one reading in coefficients and net powers, over its standard deviation."""
        at, efficiency = np.array([frequency]), efficiency_of(self.outlook.bench.rig)
        net = np.array([(rung, frequency) == target for target in self.targets]) / efficiency
        slopes = np.concatenate([self.outlook.rows(rung, at)[0, self.used], net])
        return np.asarray(slopes / self.outlook.sigma(rung, at)[0])

    @cached_property
    def base(self) -> FloatArray:
        """Readings of each candidate that are taken in any case, (m,): enough to see a law fail."""
        counts = np.zeros(len(self.candidates))
        for rung, mine in self.places.items():
            counts[mine if rung.stage == "loaded" else mine[self._distinct_places(rung)]] = 1
        return counts

    def _distinct_places(self, rung: Rung) -> list[int]:
        """Places on the grid, evenly spread: one more than the laws that the rung brings.

        Inner ones move to a target that is nearer to them than to the next.
        """
        grid, number = np.array(self.grid), max(self._laws_brought(rung) + 1, FEWEST)
        places = spread(len(grid), number)
        near = (grid[-1] - grid[0]) / (number - 1) / 2
        for target in self.at:
            inner = min(range(1, number - 1), key=lambda i: abs(grid[places[i]] - target))
            if abs(grid[places[inner]] - target) < near:
                places[inner] = int(np.argmin(np.abs(grid - target)))
        return places

    def _laws_brought(self, rung: Rung) -> int:
        shaft = "linkage" if self.outlook.calibration.curves.has_motor else "drive"
        part = {"motor-alone": "motor", "piston-disconnected": shaft, "no-load": "seal"}[rung.stage]
        return sum(t.owner == (part, rung.cylinder) and t.kind != "pressure" for t in self.outlook.terms)

    @property
    def least(self) -> int:
        """Fewest readings that may be planned."""
        return int(self.base.sum())

    @cached_property
    def common(self) -> list[Systematic]:
        """At each target, what more readings do not reduce."""
        return [self.outlook.systematic(rung, f) for rung, f in self.targets]

    def counts(self, readings: int, tolerance: float) -> FloatArray:
        """Whole numbers of readings of each candidate, (m,)."""
        spare = readings - self.least
        if spare == 0:
            return self.base
        merged = self._merged(v_optimal(self.rows, self.wanted, spare, self.rows[self.base > 0], tolerance))
        kept = np.flatnonzero(merged * spare >= min(WORTH_A_READING, merged.max() * spare))
        kept = kept[np.argsort(-merged[kept])][:spare]
        counts = self.base.copy()
        counts[kept] += apportion(merged[kept] / merged[kept].sum(), spare)
        return counts

    def _merged(self, shares: FloatArray) -> FloatArray:
        """Shares of neighbours on one rung put together at the one nearest to their mean frequency."""
        merged = np.where(self.loaded, shares, 0.0)
        for mine in (self.places[rung] for rung in self.rungs if rung.stage != "loaded"):
            live = mine[shares[mine] > 1e-6]
            for group in np.split(live, np.flatnonzero(np.diff(live) > 1) + 1):
                if len(group):
                    f, share = self.frequency[group], shares[group]
                    merged[group[np.argmin(np.abs(f - f @ share / share.sum()))]] += share.sum()
        return merged

    def variance(self, counts: FloatArray) -> FloatArray:
        """Of the net power at each target when readings are taken `counts` (m,) times each, (t,). [W^2]"""
        return variances(self.rows, counts, self.wanted)

    def by_chance(self, counts: FloatArray) -> FloatArray:
        """Half-widths at the targets by the scatter of readings taken `counts` (m,) times each, (t,). [W]

        Student's: the scatter will be found from the ladder's own residuals.
        """
        from scipy.special import stdtrit

        dof = max(int(counts[~self.loaded].sum()) - len(self.used), 1)
        return np.sqrt(self.variance(counts)) * float(stdtrit(dof, (1 + COVERAGE) / 2))

    def evenly(self, readings: int) -> FloatArray:
        """The same number of readings shared evenly among rungs and over the range, (m,)."""
        counts = np.zeros(len(self.candidates))
        numbers = apportion(np.full(len(self.rungs), 1.0), readings)
        for mine, number in zip(self.places.values(), numbers, strict=True):
            for i in spread(len(mine), int(number)) if number > 1 else [len(mine) // 2]:
                counts[mine[i]] += 1
        return np.where((self.base > 0) & self.loaded, np.maximum(counts, 1), counts)


def nice_grid(low: float, high: float, also: Sequence[float]) -> tuple[float, ...]:
    """Candidate frequencies from low to high in steps that a controller can be set to, with `also` among them. [Hz]

    >>> nice_grid(4.07, 5.0, [4.33])[:4]
    (4.08, 4.1, 4.12, 4.14)
    """
    rough = (high - low) / GRID
    power = 10.0 ** np.floor(np.log10(rough))
    step = power * next(s for s in NICE_STEPS if s * power <= rough * (1 + 1e-9))
    inside = np.arange(np.ceil(low / step - 1e-9), np.floor(high / step + 1e-9) + 1) * step
    return tuple(sorted({round(float(f), 6) for f in (*inside, *also)}))


def spread(places: int, number: int) -> list[int]:
    """`number` places out of 0 ... places - 1, evenly, both ends among them; more than once where there are too few.

    >>> spread(5, 3), spread(2, 4)
    ([0, 2, 4], [0, 0, 1, 1])
    """
    return [int(np.floor(i * (places - 1) / max(number - 1, 1) + 0.5)) for i in range(number)]


def _enough(problem: _Problem, half_width: float) -> tuple[int, bool]:
    """Fewest readings that meet the wish, False; where none do, enough to come near to what can be met, True."""
    common = np.array([found.half_width for found in problem.common])
    if np.all(common < half_width):
        found = _fewest(problem, np.sqrt(half_width**2 - common**2))
        if found is not None:
            return found, False
    nearly = np.maximum(half_width, WITHIN * common)
    return _fewest(problem, np.sqrt(nearly**2 - common**2)) or MOST_READINGS, True


def _fewest(problem: _Problem, most: FloatArray) -> int | None:
    """Fewest readings whose chance errors stay within `most` at every target, (t,) [W]; None beyond MOST_READINGS."""

    def enough(readings: int) -> bool:
        return bool(np.all(problem.by_chance(problem.counts(readings, ROUGH)) <= most))

    low, high = problem.least - 1, problem.least
    while not enough(high):
        if high >= MOST_READINGS:
            return None
        low, high = high, min(2 * high, MOST_READINGS)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high


def _answer(problem: _Problem, readings: int, half_width: float | None, *, impossible: bool) -> Plan:
    counts = problem.counts(readings, FINE)
    chance = problem.by_chance(counts)
    even = chance * np.sqrt(problem.variance(problem.evenly(readings)) / problem.variance(counts))
    targets = tuple(
        Target(rung, f, common.net, float(np.hypot(c, common.half_width)), float(c), float(e), common)
        for (rung, f), c, e, common in zip(problem.targets, chance, even, problem.common, strict=True)
    )
    points = tuple(Point(*problem.candidates[i], int(counts[i])) for i in np.flatnonzero(counts))
    assumptions = (*problem.outlook.assumptions, *_uncalibrated(problem))
    return Plan(points, targets, half_width, impossible, _laws(problem), assumptions)


def _uncalibrated(problem: _Problem) -> list[str]:
    """What is assumed of seals at pressures that they are not swept at without load."""
    return [
        f"the seal of '{r.cylinder}' drags at {bar(r.mean_pressure)} bar as at the nearest no-load pressure"
        for r in problem.rungs
        if r.stage == "loaded"
        and not problem.outlook.calibration.pressure_is_known(str(r.cylinder), r.mean_pressure or 0.0)
    ]


def _laws(problem: _Problem) -> dict[str, tuple[str, ...]]:
    laws: dict[str, tuple[str, ...]] = {}
    for term in (problem.outlook.terms[j] for j in problem.used):
        owner = term.part if term.cylinder is None else f"{term.part} '{term.cylinder}'"
        laws[owner] = (*laws.get(owner, ()), term.law.label)
    return laws
