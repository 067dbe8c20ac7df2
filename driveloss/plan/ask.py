"""Which readings to take: frequencies and repeats on each rung for a wanted half-width of the net power.

The net power at each target is one more coefficient of the joint fit, seen by loaded readings at that frequency alone,
so one V-optimal design shares the readings among the ladder and the loaded runs. A few readings on every rung, at one
frequency more than its laws need, are fixed beforehand: without them a law that does not hold could not be noticed.
Without load a cylinder is swept before and again after its loaded runs: that tells whether its seal is still the same.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from driveloss.bench.records import FloatArray
from driveloss.errors import InputError
from driveloss.fit.checks import known_cylinder, positive
from driveloss.fit.estimate import COVERAGE
from driveloss.fit.laws import efficiency_of
from driveloss.fit.readings import Rung
from driveloss.plan.floor import Floor
from driveloss.plan.optimal_design import Candidates, Counts
from driveloss.plan.outlook import WORTH_SPREADING, Outlook
from driveloss.plan.prospects import Prospect
from driveloss.say.answer import Answer
from driveloss.say.numbers import bar

GRID = 24  # candidate frequencies a rung, about
NICE_STEPS = (5.0, 2.0, 1.0)
MOST_READINGS = 2000
WITHIN = 1.1  # where the wish cannot be met: readings enough to come this near to what can
FEWEST = 3  # readings that a rung needs to be fitted at all
HALVINGS = 30


@dataclass(frozen=True)
class Point:
    """Readings to take on one rung at one frequency."""

    rung: Rung
    frequency: float  # [Hz]
    count: int
    is_after: bool = False  # without load, after the cylinder's loaded runs


@dataclass(frozen=True)
class Target:
    """What is to be known: net power of a cylinder at a mean pressure and frequency, as half-widths (95 %). [W]"""

    rung: Rung  # loaded
    frequency: float  # [Hz]
    net: float  # expected
    half_width: float
    by_chance: float  # the part that more readings reduce
    evenly: float  # by chance, had the same number of readings been spread evenly
    floor: Floor  # what they do not

    @property
    def limiting(self) -> str | None:
        """The source in the way: the largest error that repeats do not reduce, if it exceeds chance."""
        if not self.floor.sources or self.floor.half_width < self.by_chance:
            return None
        return next(iter(self.floor.sources))


@dataclass(frozen=True, repr=False)
class Plan(Answer):
    """Readings to take, and what they promise."""

    points: tuple[Point, ...]
    targets: tuple[Target, ...]
    wanted: float | None  # [W]
    impossible: bool  # no number of readings meets the wish
    once_known: int | None  # readings that would meet it were nothing assumed, where that stands in the way
    coarse_digit: float | None  # [W] last digit of a power reading where repeats at one setting err alike by it
    laws: dict[str, tuple[str, ...]]  # labels of the laws that each part is taken to follow
    assumptions: tuple[str, ...]
    worst: Target  # whose interval readings can narrow least
    prospects: tuple[Prospect, ...]  # second witnesses that would narrow it
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
        counts, impossible = _enough(problem, wish)
        return _answer(problem, counts, half_width, impossible=impossible)
    if not problem.least <= readings <= MOST_READINGS:
        raise InputError(
            f"readings: read {readings}, expected {problem.least} to {MOST_READINGS}; fewer cannot show whether "
            "the laws hold on every rung"
        )
    impossible = any(floor.half_width >= wish for floor in problem.floors)
    return _answer(problem, problem.with_readings(readings), half_width, impossible=impossible)


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
        self.loaded = np.array([r.stage == "loaded" for r, _ in self.candidates])
        self.targets = [candidate for candidate in self.candidates if candidate[0].stage == "loaded"]
        rows, alike = zip(*(self._rows(rung, mine) for rung, mine in self.places.items()), strict=True)
        self.design = Candidates(
            np.vstack(rows),
            np.eye(rows[0].shape[1])[len(self.used) :],
            np.concatenate(alike),
            np.array([outlook.apart(r, f) if r.stage == "loaded" else 1 for r, f in self.candidates]),
        )

    def _rows(self, rung: Rung, mine: NDArray[np.int64]) -> tuple[FloatArray, FloatArray]:
        """Weighted slopes of a rung's candidates in coefficients and net powers, (m, p); what is alike, (m,)."""
        at = np.array([self.candidates[i][1] for i in mine])
        net = np.zeros((len(mine), len(self.targets)))
        if rung.stage == "loaded":
            wanted = [self.targets.index(self.candidates[i]) for i in mine]
            net[np.arange(len(mine)), wanted] = 1 / efficiency_of(self.outlook.bench.rig)
        slopes = np.hstack([self.outlook.rows(rung, at)[:, self.used], net])
        return slopes / self.outlook.sigma(rung, at)[:, None], self.outlook.alike(rung, at)

    @cached_property
    def base(self) -> Counts:
        """Readings of each candidate that are taken in any case, (m,): enough to see a law, or a seal, not hold."""
        counts = np.zeros(len(self.candidates), dtype=np.int64)
        for rung, mine in self.places.items():
            taken = mine if rung.stage == "loaded" else mine[self._distinct_places(rung)]
            counts[taken] = 2 if rung.stage == "no-load" else 1
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
    def floors(self) -> list[Floor]:
        """At each target, what more readings do not reduce."""
        return self.outlook.floors(self.targets)

    def with_readings(self, readings: int) -> Counts:
        """Best readings of each candidate, so many in all, (m,)."""
        grown = next(counts for counts in self.design.growing(self.base) if counts.sum() >= readings)
        return self.design.exchanged(grown, self.base)

    def fewest(self, most: FloatArray) -> Counts | None:
        """Fewest readings whose chance errors stay within `most` (t,) [W] at every target, (m,); None beyond reason."""
        grown = []
        for counts in self.design.growing(self.base):
            grown.append(counts)
            if self._is_within(counts, most):
                break
            if len(grown) > MOST_READINGS - self.least:
                return None
        best = grown[-1]
        for counts in reversed(grown):
            better = self.design.exchanged(counts, self.base)
            if not self._is_within(better, most):
                break
            best = better
        return best

    def _is_within(self, counts: Counts, most: FloatArray) -> bool:
        return bool(np.all(self.by_chance(counts) <= most))

    def by_chance(self, counts: Counts) -> FloatArray:
        """Half-widths at the targets by the scatter of readings taken `counts` (m,) times each, (t,). [W]

        Student's: the scatter will be found from the ladder's own residuals.
        """
        from scipy.special import stdtrit

        dof = max(int(counts[~self.loaded].sum()) - len(self.used), 1)
        return np.sqrt(self.design.variances(counts)) * float(stdtrit(dof, (1 + COVERAGE) / 2))

    def evenly(self, readings: int) -> Counts:
        """The same number of readings shared evenly among rungs and over the range, (m,)."""
        counts = np.zeros(len(self.candidates), dtype=np.int64)
        for place, mine in enumerate(self.places.values()):
            number = (readings + place) // len(self.places)
            for i in spread(len(mine), number) if number > 1 else [len(mine) // 2]:
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


def _enough(problem: _Problem, half_width: float) -> tuple[Counts, bool]:
    """Fewest readings that meet the wish, False; where none do, enough to come near to what can be met, True."""
    found = _meeting(problem, problem.floors, half_width)
    if found is not None:
        return found, False
    nearly = [max(half_width, WITHIN * floor.half_width) for floor in problem.floors]
    most = [_room(floor, wish) for floor, wish in zip(problem.floors, nearly, strict=True)]
    found = problem.fewest(np.array(most))
    return problem.with_readings(MOST_READINGS) if found is None else found, True


def _meeting(problem: _Problem, floors: Sequence[Floor], half_width: float) -> Counts | None:
    """Fewest readings that bring every target within a half-width [W] above its floor; None where none do."""
    if any(floor.half_width >= half_width for floor in floors):
        return None
    return problem.fewest(np.array([_room(floor, half_width) for floor in floors]))


def _room(floor: Floor, half_width: float) -> float:
    """The largest half-width by chance that together with the floor stays within a half-width. [W]"""
    low, high = 0.0, half_width
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        low, high = (middle, high) if floor.with_chance(middle) <= half_width else (low, middle)
    return low


def _answer(problem: _Problem, counts: Counts, half_width: float | None, *, impossible: bool) -> Plan:
    chance = problem.by_chance(counts)
    evenly = problem.design.variances(problem.evenly(int(counts.sum())))
    even = chance * np.sqrt(evenly / problem.design.variances(counts))
    targets = tuple(
        Target(rung, f, floor.net, floor.with_chance(float(c)), float(c), float(e), floor)
        for (rung, f), c, e, floor in zip(problem.targets, chance, even, problem.floors, strict=True)
    )
    worst = max(targets, key=lambda t: t.floor.half_width)
    return Plan(
        points=_points(problem, counts),
        targets=targets,
        worst=worst,
        prospects=problem.outlook.prospects((worst.rung, worst.frequency), worst.floor),
        wanted=half_width,
        impossible=impossible,
        once_known=_once_known(problem, half_width) if impossible else None,
        coarse_digit=_coarse_digit(problem, counts),
        laws=_laws(problem),
        assumptions=(*problem.outlook.assumptions, *_uncalibrated(problem)),
    )


def _once_known(problem: _Problem, half_width: float | None) -> int | None:
    """Readings that would meet the wish were nothing assumed; None where they would not, or where nothing is."""
    if half_width is None or not any(floor.cures for floor in problem.floors):
        return None
    found = _meeting(problem, [floor.known for floor in problem.floors], half_width)
    return None if found is None else int(found.sum())


def _coarse_digit(problem: _Problem, counts: Counts) -> float | None:
    """The last digit of power readings [W] where readings that are taken err alike by it."""
    rungs = {problem.candidates[i][0] for i in np.flatnonzero((counts > 0) & (problem.design.alike > WORTH_SPREADING))}
    return max((problem.outlook.last_digit(rung) for rung in rungs), default=None)


def _points(problem: _Problem, counts: Counts) -> tuple[Point, ...]:
    """Readings in the order to take them: the drive, then each cylinder without load, loaded and again without."""
    taken = [(*problem.candidates[i], int(counts[i]), int(problem.design.apart[i])) for i in np.flatnonzero(counts)]
    points = [Point(rung, f, count) for rung, f, count, _ in taken if rung.cylinder is None]
    for name in dict.fromkeys(rung.cylinder for rung, *_ in taken if rung.cylinder):
        mine = [one for one in taken if one[0].cylinder == name]
        unloaded = [(rung, f, count) for rung, f, count, _ in mine if rung.stage == "no-load"]
        points += [Point(rung, f, (n + i % 2) // 2) for i, (rung, f, n) in enumerate(unloaded)]
        points += [p for rung, f, n, apart in mine if rung.stage == "loaded" for p in _near(problem, rung, f, n, apart)]
        points += [Point(rung, f, n - (n + i % 2) // 2, is_after=True) for i, (rung, f, n) in enumerate(unloaded)]
    return tuple(point for point in points if point.count)


def _near(problem: _Problem, rung: Rung, frequency: float, count: int, apart: int) -> list[Point]:
    """Loaded readings spread about their target, so that their rounding differs and their mean is the target's."""
    number = min(count, apart)
    if number == 1:
        return [Point(rung, frequency, count)]
    each = np.full(number, count // number)
    each[spread(number, count % number)] += 1
    places = frequency * (1 + problem.outlook.near(frequency) * np.linspace(-1, 1, number))
    return [Point(rung, round(float(f), 2), int(n)) for f, n in zip(places, each, strict=True)]


def _uncalibrated(problem: _Problem) -> list[str]:
    """What is assumed of seals at pressures that they are not swept at without load."""
    return [
        f"the seal of '{r.cylinder}' is not swept without load at {bar(r.mean_pressure)} bar: its drag there follows "
        "from the nearest pressure, and from what its lip drags more for each bar"
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
