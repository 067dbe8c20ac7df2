"""A run-down fitted: which losses, in proportion to the inertia, bring the machine down as it was read.

The equation of motion is integrated, so readings of speed, or the times of marks, are met as they are: nothing is
differentiated and nothing smoothed. Coefficients of the loss laws cannot be negative. They lean on one another, so
only the curve that they make together is used.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from driveloss.bench.records import FloatArray, Rig, Rundown
from driveloss.fit.calibration import shifted
from driveloss.fit.family import scatter_draws
from driveloss.fit.laws import SHAFT_LAWS, STRIBECK_SPEEDS, Term, rod_ratio, shape
from driveloss.fit.least_squares import nonnegative
from driveloss.fit.meters import Meters
from driveloss.physics import crank
from driveloss.physics.rundown import fallen, run_down_time, run_down_turns

GRID = 2000  # frequencies of the quadrature
MARGINS = (1.1, 0.3)  # of the highest and the lowest frequency read, between which it goes
SEAL_SPEEDS = STRIBECK_SPEEDS[::3]
STEPS = 30  # of the fit
SETTLED = 1e-12  # relative gain of a step that is none
LEAST_SPARE = 2
MOST_ALIKE = 0.95  # correlation of neighbouring residuals
LEAST_SLOWING = 1e-9  # of the highest frequency, each second


@dataclass(frozen=True)
class Coast:
    """What one run-down tells: `rates` (laws, 1 + draws) are its losses over its inertia, in unit of the laws."""

    rundown: Rundown
    rig: Rig
    terms: tuple[Term, ...]
    rates: FloatArray
    low: float  # [Hz] where it ends
    high: float  # [Hz] where it begins

    def as_read(self, frequency: FloatArray) -> FloatArray:
        """Deceleration where (m,) was read, (m, 1 + draws). [Hz/s]"""
        return _shapes(self.rig, self.terms, frequency) @ self.rates

    def deceleration(self, frequency: FloatArray, meters: Meters) -> FloatArray:
        """Deceleration at true frequency (m,), (m, 1 + draws). [Hz/s]

        Speeds are read on the bench's frequency meter, with its errors; marks are timed, with none worth a word.
        """
        if self.rundown.frequency is None:
            return self.as_read(frequency)
        return np.asarray(meters.frequency_gain * shifted(self.as_read, frequency, meters.misread(frequency)))


@dataclass(frozen=True)
class _Fall:
    """The quadrature for one set of rates (laws,), and how it moves with them; arrays over the grid."""

    frequency: FloatArray
    slowing: FloatArray
    time: FloatArray
    turns: FloatArray
    time_slopes: FloatArray  # (grid, laws)
    turn_slopes: FloatArray


def fit_rundown(rig: Rig, rundown: Rundown, rng: np.random.Generator, size: int) -> Coast:
    """Fit one run-down by non-negative least squares, and draw it anew with as much scatter, alike from one reading
    to the next, as its residuals show; size: 1 + draws.
    """
    read = _frequencies(rundown)
    terms = _terms(rig, rundown)
    grid = np.linspace(MARGINS[0] * read[1].max(), MARGINS[1] * read[1].min(), GRID)
    shapes = _shapes(rig, terms, grid)
    found = _start(rig, terms, *read, grid, shapes, rundown)
    fall = _fall(grid, shapes, found[:-1])
    values, slopes = _predicted(rundown, fall, found[-1])
    worst = np.inf
    for _ in range(STEPS):
        residuals = _read(rundown) - values
        gain, worst = worst - float(residuals @ residuals), min(worst, float(residuals @ residuals))
        if gain <= SETTLED * worst:
            break
        step = nonnegative(slopes, (residuals + slopes @ found)[:, None])[:, 0] - found
        found, fall, values, slopes = _stepped(rundown, grid, shapes, found, step, worst)
    noise = _scatter(_read(rundown) - values, int((found > 0).sum()), rng, size)
    if rundown.frequency is None:
        noise = noise - noise.mean(axis=0)
    drawn = nonnegative(slopes, (slopes @ found)[:, None] + noise)
    drawn[:, 0] = found
    ends = _ends(rundown, fall, found[-1])
    return Coast(rundown, rig, terms, drawn[:-1], min(ends), max(ends))


def _stepped(  # noqa: PLR0913 - one step of the fit
    rundown: Rundown, grid: FloatArray, shapes: FloatArray, found: FloatArray, step: FloatArray, worst: float
) -> tuple[FloatArray, _Fall, FloatArray, FloatArray]:
    """The step, halved until it no longer leads away."""
    for halving in range(10):
        tried = found + step / 2**halving
        fall = _fall(grid, shapes, tried[:-1])
        values, slopes = _predicted(rundown, fall, tried[-1])
        if float(np.sum((_read(rundown) - values) ** 2)) <= worst:
            break
    return tried, fall, values, slopes


def _terms(rig: Rig, rundown: Rundown) -> tuple[Term, ...]:
    """The drive's laws; with a piston its seal's excess at low speed, whose other laws go with speed as the drive's.

    Copper is none of them: no current flows.
    """
    shaft = tuple(Term("drive", kind) for kind in SHAFT_LAWS if kind != "constant")
    if rundown.cylinder is None:
        return shaft
    cylinder = rig.cylinders[rundown.cylinder]
    top = _frequencies(rundown)[1].max()
    peak = float(crank.peak_piston_speed(top, cylinder.stroke.value, rod_ratio(rig, cylinder)))
    return (*shaft, *(Term("seal", "stribeck", rundown.cylinder, float(peak * v)) for v in SEAL_SPEEDS))


def _shapes(rig: Rig, terms: tuple[Term, ...], frequency: FloatArray) -> FloatArray:
    """Deceleration of each law with rate one at frequency (m,), (m, laws)."""
    zero = np.zeros_like(frequency)
    return np.column_stack([shape(rig, term, frequency, zero) / frequency for term in terms])


def _frequencies(rundown: Rundown) -> tuple[FloatArray, FloatArray]:
    """Times and frequencies as read, marks by their intervals: a start for the fit."""
    if rundown.frequency is not None:
        return rundown.time, rundown.frequency
    return (rundown.time[1:] + rundown.time[:-1]) / 2, rundown.mark / np.diff(rundown.time)


def _read(rundown: Rundown) -> FloatArray:
    """What the fit meets: speeds, or times of marks about their mean."""
    return rundown.time - rundown.time.mean() if rundown.frequency is None else rundown.frequency


def _start(  # noqa: PLR0913 - all that a start needs
    rig: Rig,
    terms: tuple[Term, ...],
    time: FloatArray,
    frequency: FloatArray,
    grid: FloatArray,
    shapes: FloatArray,
    rundown: Rundown,
) -> FloatArray:
    """Rates, and where the first reading lies below the grid's top, in time or turns.

    By f(t) = f(0) - sum of rates times integrals of their laws over the readings, linear in all.
    """
    along = _shapes(rig, terms, frequency)
    steps = (along[1:] + along[:-1]) / 2 * np.diff(time)[:, None]
    fallen = np.concatenate([np.zeros((1, len(terms))), np.cumsum(steps, axis=0)])
    first, *rates = nonnegative(np.column_stack([np.ones_like(time), -fallen]), frequency[:, None])[:, 0]
    found = np.array(rates)
    if not found.any():
        found[0] = (frequency[0] - frequency[-1]) / (fallen[-1, 0])
    fall = _fall(grid, shapes, found)
    along_grid = fall.turns if rundown.frequency is None else fall.time
    return np.append(found, np.interp(-first, -grid, along_grid))


def _fall(grid: FloatArray, shapes: FloatArray, rates: FloatArray) -> _Fall:
    slowing = np.maximum(shapes @ rates, LEAST_SLOWING * grid[0])
    moved = shapes / slowing[:, None] ** 2
    return _Fall(
        frequency=grid,
        slowing=slowing,
        time=run_down_time(grid, slowing),
        turns=run_down_turns(grid, slowing),
        time_slopes=-fallen(grid, moved),
        turn_slopes=-fallen(grid, grid[:, None] * moved),
    )


def _predicted(rundown: Rundown, fall: _Fall, offset: float) -> tuple[FloatArray, FloatArray]:
    """What would be read (n,), and its slopes in rates and offset (n, laws + 1)."""
    if rundown.frequency is not None:
        place = _places(rundown, offset)
        f, slowing = _at(place, fall.time, fall.frequency), _at(place, fall.time, fall.slowing)
        by_rates = np.column_stack([_at(place, fall.time, column) for column in fall.time_slopes.T])
        return f, np.column_stack([slowing[:, None] * by_rates, -slowing])
    place = _places(rundown, offset)
    f, time = _at(place, fall.turns, fall.frequency), _at(place, fall.turns, fall.time)
    each = fall.time_slopes - fall.turn_slopes / fall.frequency[:, None]
    by_rates = np.column_stack([_at(place, fall.turns, column) for column in each.T])
    slopes = np.column_stack([by_rates, 1 / f])
    return time - time.mean(), slopes - slopes.mean(axis=0)


def _places(rundown: Rundown, offset: float) -> FloatArray:
    """Where the readings lie below the grid's top, in turns for marks, else in time. (n,)"""
    if rundown.frequency is None:
        return np.asarray(rundown.mark * np.arange(len(rundown), dtype=np.float64) + offset)
    return np.asarray(rundown.time - rundown.time[0] + offset)


def _at(place: FloatArray, along: FloatArray, values: FloatArray) -> FloatArray:
    return np.asarray(np.interp(place, along, values))


def _ends(rundown: Rundown, fall: _Fall, offset: float) -> tuple[float, float]:
    """Frequency at the first and at the last reading, by the fit. [Hz]"""
    along = fall.turns if rundown.frequency is None else fall.time
    first, last = _at(_places(rundown, offset)[[0, -1]], along, fall.frequency)
    return float(first), float(last)


def _scatter(residuals: FloatArray, used: int, rng: np.random.Generator, size: int) -> FloatArray:
    """Residuals as they might have been, (n, size), none in the first column: each like the one before by as much as
    those found are (a first-order autoregression).
    """
    n = len(residuals)
    total = float(residuals @ residuals)
    alike = float(np.clip(residuals[1:] @ residuals[:-1] / total, 0.0, MOST_ALIKE)) if total > 0 else 0.0
    spare = max(n - used, LEAST_SPARE)
    told = max(round(spare * (1 - alike) / (1 + alike)), LEAST_SPARE)  # as good as so many independent ones
    sizes = scatter_draws(np.full(size - 1, np.sqrt(total / spare)), np.full(size - 1, told), rng, active=True)
    noise = rng.standard_normal((n, size))
    for i in range(1, n):
        noise[i] = alike * noise[i - 1] + np.sqrt(1 - alike**2) * noise[i]
    return np.asarray(noise * sizes)
