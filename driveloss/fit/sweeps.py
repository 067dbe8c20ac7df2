"""How far whole sweeps of one rung are off from one another: each by a common share of what its rung adds.

A sweep taken again after the runs, on another day or with the seal fitted again is no repeat: what its readings have in
common does not show in their scatter, and more of them do not average it out. Only a second file of a rung tells it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from driveloss.bench.records import FloatArray
from driveloss.fit.readings import Readings, Rung, by_rung
from driveloss.fit.scatter import choose_pattern, least_size, smooth_course

FALSE_ALARM = 0.01  # chance that any sweep of a good bench is said to be off
LEAST_STEP = 0.1  # of the power: a rung that adds less may still be off by its share of this
UNDER = {"no-load": "piston-disconnected", "piston-disconnected": "motor-alone"}
LEAST_TOLD = 0.1  # of a sweep's offset that its readings must tell from the course of its rung
SAME = 1e-9  # relative size below which a column says nothing new
CHANCE = 0.25  # where the prior bends, in standard deviations by which a sweep would be off by chance
WHOLE_LADDER = 4  # readings that its scatter counts as beside a rung's own
OFF = np.geomspace(1e-3, 1e3, 1201)  # offsets tried, in the same unit


@dataclass(frozen=True)
class Spread:
    """What the rungs of one stage tell of how far their sweeps are off.

    square: of their sweeps' offsets, each in standard deviations of chance; count: offsets that tell it; lever: the
    inverse variance of one relative offset by chance.
    """

    rows: NDArray[np.int64]  # of the whole stage
    square: float
    count: int
    lever: float

    @property
    def variance(self) -> float:
        """Of a sweep's relative offset, by moments; zero where chance explains what is seen.

        DerSimonian & Laird, Control. Clin. Trials 7 (1986) 177; from memory.
        """
        return max(self.square / self.count - 1, 0.0) / self.lever

    def drawn(self, rng: np.random.Generator, size: int) -> FloatArray:
        """Relative standard deviation between sweeps in each draw, (size,); zero where chance explains what is seen.

        Beyond that from its posterior under a prior even in the logarithm, but for what is far less than chance:
        sweeps far apart are then given Student's t with a degree of freedom for each offset. One offset alone is given
        two, as by a half-Cauchy prior (Gelman, Bayesian Analysis 1 (2006) 515; from memory): with one, t has no mean.
        """
        if self.variance == 0:
            return np.zeros(size)
        beyond = 1 + OFF**2
        prior = 1 / (1 + (OFF / CHANCE) ** (2 if self.count == 1 else 1))
        log_density = np.log(prior) - self.count / 2 * np.log(beyond) - self.square / (2 * beyond)
        below = np.cumsum(OFF * np.exp(log_density - log_density.max()))  # even steps of the logarithm
        return np.asarray(np.interp(rng.random(size), below / below[-1], OFF) / np.sqrt(self.lever))


@dataclass(frozen=True)
class Departure:
    """A sweep that lies off the others of its rung by more than chance. [W] are means over the rung's readings."""

    rung: Rung
    file: str
    others: tuple[str, ...]
    watts: float
    half_width: float
    share: float  # of the rung's power


@dataclass(frozen=True)
class Sweeps:
    """What the files of one bench tell; shapes (n,) a reading."""

    step: FloatArray  # [W] that the reading's rung adds to the one under it
    file: NDArray[np.int64]
    unit: NDArray[np.int64]  # a file's readings on one rung have one number
    offset: FloatArray  # [W] by which the reading's sweep seems off from its rung's others, shrunk towards chance
    pull: FloatArray  # of the reading's sweep: variance of its offset over that by chance
    spreads: tuple[Spread, ...] = ()
    departures: tuple[Departure, ...] = ()

    def whitened(self, values: FloatArray, sigma: FloatArray) -> FloatArray:
        """Values (n,) or (n, k) over sigma (n,), and what readings of one sweep err by together made independent.

        Multiplies by the inverse root of 1 + pull z z', z being the direction of a common offset.
        """
        weighed = np.asarray((values.T / sigma).T)
        for unit in np.unique(self.unit[self.pull > 0]):
            rows = self.unit == unit
            z = self.step[rows] / sigma[rows]
            z /= np.linalg.norm(z)
            keep = 1 / np.sqrt(1 + self.pull[rows][0])
            weighed[rows] -= (1 - keep) * np.multiply.outer(z, z @ weighed[rows])
        return weighed

    def draws(self, rng: np.random.Generator, size: int) -> FloatArray:
        """What every sweep is off by in each draw, its readings together: (n, size), the first column zero. [W]"""
        drawn = np.zeros((len(self.step), size))
        for spread in self.spreads:
            off = spread.drawn(rng, size) * rng.standard_normal((int(self.file.max()) + 1, size))
            drawn[spread.rows] = self.step[spread.rows, None] * off[self.file[spread.rows]]
        drawn[:, 0] = 0.0
        return drawn


@dataclass(frozen=True)
class _Rung:
    """The readings of one rung, (m,) each, and its sweeps."""

    rung: Rung
    rows: NDArray[np.int64]  # of the ladder
    unit: NDArray[np.int64]  # place in `files`
    files: tuple[str, ...]
    frequency: FloatArray  # [Hz]
    power: FloatArray  # [W]
    step: FloatArray  # [W]

    @property
    def course(self) -> FloatArray:
        """Power by its smooth course. [W]"""
        return self.power - _left(smooth_course(self.frequency), self.power)

    @property
    def base(self) -> FloatArray:
        """Its course, and a share that all its files have in common, (m, k + 1). [W]"""
        return np.column_stack([smooth_course(self.frequency), self.step])

    @property
    def offsets(self) -> FloatArray:
        """What each file is off by where it is by as much as the step, (m, files). [W]"""
        return np.where(self.unit[:, None] == np.arange(len(self.files)), self.step[:, None], 0.0)

    @property
    def tells(self) -> bool:
        """Whether its files have enough frequencies in common to be told apart."""
        if len(self.files) < 2:
            return False
        alike = _left(self.step[:, None], self.offsets)
        return bool(np.sum(_left(self.base, self.offsets) ** 2) > LEAST_TOLD * np.sum(alike**2))

    def scattered(self, sigma: FloatArray) -> tuple[FloatArray, int]:
        """What course and offsets leave over, in sigma (m,) [W], and the readings to spare."""
        whole, power = np.column_stack([self.base, self.offsets]) / sigma[:, None], self.power / sigma
        sizes, _, rank, _ = np.linalg.lstsq(whole, power, rcond=SAME)
        return np.asarray(power - whole @ sizes), len(power) - int(rank)

    def apart(self, sigma: FloatArray) -> tuple[FloatArray, FloatArray, int]:
        """Offsets that the course does not explain, (m, files), their sizes, (files,), and rank; sigma: (m,) [W]."""
        base = self.base / sigma[:, None]
        own = _left(base, self.offsets / sigma[:, None])
        sizes, _, rank, _ = np.linalg.lstsq(own, _left(base, self.power / sigma), rcond=SAME)
        return own, np.asarray(sizes, dtype=np.float64), int(rank)

    def departure(self, sigma: FloatArray, chance: float) -> Departure | None:
        """The file furthest off the others, if by more than chance; sigma: (m,) [W], of one reading."""
        from scipy.special import stdtrit

        dof = self.scattered(sigma)[1] + WHOLE_LADDER
        found = []
        for number in range(len(self.files) == 2, len(self.files)):  # of two, both are as far off
            own = _left(self.base / sigma[:, None], self.offsets[:, number] / sigma)
            u = 1 / float(np.linalg.norm(own))
            share = float(own @ (self.power / sigma)) * u**2
            found.append((abs(share) / u, number, share, u))
        t, number, share, u = max(found)
        if t <= stdtrit(dof, 1 - chance / 2):
            return None
        watts = share * float(self.step.mean())
        half = float(stdtrit(dof, 0.975)) * u * float(self.step.mean())
        others = tuple(file for file in self.files if file != self.files[number])
        return Departure(self.rung, self.files[number], others, watts, half, watts / float(self.course.mean()))

    def without(self, file: str) -> _Rung:
        """The rung without one of its files."""
        keep = self.unit != self.files.index(file)
        files = tuple(name for name in self.files if name != file)
        unit = np.array([files.index(self.files[i]) for i in self.unit[keep]])
        rows, frequency, power, step = (a[keep] for a in (self.rows, self.frequency, self.power, self.step))
        return _Rung(self.rung, rows, unit, files, frequency, power, step)


def between_sweeps(readings: Readings, power: FloatArray) -> Sweeps:
    """Compare the files of each rung; power: shaft side, (n,) [W]. Nothing is claimed where no rung has two."""
    rungs = _rungs(readings, power)
    step, unit, offset, pull = np.zeros(len(power)), np.zeros(len(power), dtype=np.int64), *np.zeros((2, len(power)))
    for r in rungs:
        step[r.rows], unit[r.rows] = r.step, r.unit + unit.max(initial=0) + 1
    found = Sweeps(step, np.unique(readings.file, return_inverse=True)[1], unit, offset, pull)
    told = [r for r in rungs if r.tells]
    sigma = _chance(readings, rungs) if told else None
    if sigma is None:
        return found
    for spread in (spreads := _spreads(readings, told, sigma)):
        weight = np.bincount(unit, weights=(step / sigma) ** 2)
        pull[spread.rows] = spread.variance * weight[unit[spread.rows]]
    for r in told:
        offset[r.rows] = pull[r.rows] / (1 + pull[r.rows]) * (r.offsets @ r.apart(sigma[r.rows])[1])
    return replace(found, spreads=spreads, departures=tuple(_departures(told, sigma)))


def _rungs(readings: Readings, power: FloatArray) -> list[_Rung]:
    """Each rung with what it adds to the one under it, which comes first."""
    courses: dict[str, tuple[FloatArray, FloatArray]] = {}
    found = []
    for rung, rows in by_rung(readings):
        files = tuple(dict.fromkeys(readings.file[rows].tolist()))
        unit = np.array([files.index(name) for name in readings.file[rows].tolist()])
        frequency = readings.frequency[rows]
        bare = _Rung(rung, rows, unit, files, frequency, power[rows], power[rows])
        order, course = np.argsort(frequency), bare.course
        courses[rung.stage] = frequency[order], course[order]
        under = courses.get(UNDER.get(rung.stage, ""))
        step = course if under is None else course - np.interp(frequency, *under)
        found.append(replace(bare, step=np.maximum(step, LEAST_STEP * np.abs(course))))
    return found


def _chance(readings: Readings, rungs: Sequence[_Rung]) -> FloatArray | None:
    """Scatter of each reading about the course of its own file, (n,) [W]; None where none is left over.

    That of the rung itself, the whole ladder's counting as some further readings: how it grows is a guess.
    """
    residuals, even = np.zeros(len(readings)), np.ones(len(readings))
    for r in rungs:
        residuals[r.rows] = r.scattered(even[r.rows])[0]
    pattern = choose_pattern(readings.power, residuals)
    sigma = pattern(readings.power)
    left = [r.scattered(sigma[r.rows]) for r in rungs]
    squares, spare = np.array([(scattered @ scattered, count) for scattered, count in left]).T
    if spare.sum() < 1:
        return None
    whole = max(float(squares.sum() / spare.sum()), least_size(readings, pattern) ** 2)
    for r, square, count in zip(rungs, squares, spare, strict=True):
        sigma[r.rows] *= np.sqrt((square + WHOLE_LADDER * whole) / (count + WHOLE_LADDER))
    return sigma


def _spreads(readings: Readings, told: Sequence[_Rung], sigma: FloatArray) -> tuple[Spread, ...]:
    """What the rungs of each stage tell together; sigma: (n,) [W]."""
    found = []
    for stage in dict.fromkeys(r.rung.stage for r in told):
        parts = [r.apart(sigma[r.rows]) for r in told if r.rung.stage == stage]
        count = sum(rank for _, _, rank in parts)
        square = sum(float(np.sum((own @ sizes) ** 2)) for own, sizes, _ in parts)
        lever = sum(float(np.sum(own**2)) for own, _, _ in parts) / count
        found.append(Spread(np.flatnonzero(readings.stage == stage), square, count, lever))
    return tuple(found)


def _departures(told: Sequence[_Rung], sigma: FloatArray) -> Iterator[Departure]:
    """Files off the others of their rung, the furthest first, by Student's t with Bonferroni's correction."""
    tests = sum(len(r.files) if len(r.files) > 2 else 1 for r in told)
    for rest in told:
        while rest.tells and (found := rest.departure(sigma[rest.rows], FALSE_ALARM / tests)):
            yield found
            rest = rest.without(found.file)


def _left(base: FloatArray, values: FloatArray) -> FloatArray:
    """What columns of a base (m, k) leave over of values (m,) or (m, c)."""
    return np.asarray(values - base @ np.linalg.lstsq(base, values, rcond=SAME)[0])
