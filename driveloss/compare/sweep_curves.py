"""Loaded sweeps against frequency, and what two of them need for the same net power or temperature drop.

Every quantity of a sweep is fitted against frequency, which is set on purpose and known far better than any
power, rather than one scattered power against another (that would flatten the slope). A straight line is used
unless the readings ask for a parabola; the choice is made once, on the best estimate, and holds in every draw.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from driveloss.bench.records import FloatArray
from driveloss.breakdown.ask import Breakdown
from driveloss.fit.estimate import COVERAGE
from driveloss.physics.arrays import Mask

POWERS = ("input", "pneumatic", "seal", "aftercooler_heat", "friction_heat")
DROPS = ("below_ambient", "hot_to_cold")
FEWEST = 3  # runs at different frequencies that a curve needs
SAME_FREQUENCY = 0.01  # closer than this fraction: the same setting
FURTHEST = 3.0  # half spans from the middle of the runs: one span beyond them


@dataclass(frozen=True)
class Curve:
    """A line or parabola in every draw: sum of coefficients[k] * x^k, x = (f - centre)/half_span."""

    low: float  # [Hz] of the runs behind it
    high: float  # [Hz]
    coefficients: FloatArray  # (degree + 1, 1 + draws)

    def at(self, frequency: FloatArray | float) -> FloatArray:
        """Value at one frequency, or at one in each draw, (1 + draws,): (1 + draws,). frequency: [Hz]."""
        x = _half_spans(frequency, self.low, self.high)
        return np.asarray(sum(c * x**k for k, c in enumerate(self.coefficients)))

    @property
    def span(self) -> tuple[float, float]:
        """Smallest and largest best estimate at the ends of the runs' frequencies."""
        one, other = float(self.at(self.low)[0]), float(self.at(self.high)[0])
        return min(one, other), max(one, other)

    @property
    def is_steady(self) -> bool:
        """Whether the best estimate rises, or falls, all the way."""
        slope = self.coefficients[1, 0]
        bend = self.coefficients[2, 0] if len(self.coefficients) > 2 else 0.0
        return bool(abs(slope) > 2 * abs(bend))

    def frequency_at(self, level: float) -> FloatArray:
        """Where the curve takes a value, (1 + draws,), on the branch that the runs lie on. [Hz]

        A parabola that turns too early gives its turning point; no answer lies further out than one span beyond
        the runs. Where that happens often, `misses` says so.
        """
        away = np.clip(self._steps_to(level), -FURTHEST, FURTHEST)
        return np.asarray((self.low + self.high) / 2 + (self.high - self.low) / 2 * away)

    def misses(self, level: float) -> bool:
        """Whether so many draws do not take a value anywhere near the runs that an interval would be made up."""
        lost = (self._discriminant(level) < 0) | (np.abs(self._steps_to(level)) >= FURTHEST)
        return bool(lost.mean() > (1 - COVERAGE) / 2)

    def _steps_to(self, level: float) -> FloatArray:
        """Root of the parabola in x: 2 q/(b + sqrt(b^2 + 4 a q)) with q = level - c, which holds for a = 0 too."""
        direction = np.sign(self.coefficients[1, 0])
        slope, offset = direction * self.coefficients[1], direction * (level - self.coefficients[0])
        branch = slope + np.sqrt(np.maximum(self._discriminant(level), 0.0))
        flat = 1e-9 * abs(self.coefficients[1, 0])  # a draw that falls where the runs rise: far away
        return np.asarray(2 * offset / np.maximum(branch, flat))

    def _discriminant(self, level: float) -> FloatArray:
        bend = self.coefficients[2] if len(self.coefficients) > 2 else 0.0
        return np.asarray(self.coefficients[1] ** 2 + 4 * bend * (level - self.coefficients[0]))


def fit_curve(frequency: FloatArray, values: FloatArray, degree: int) -> Curve:
    """Least squares in every draw; frequency (n,) [Hz], values (n, 1 + draws)."""
    coefficients = np.linalg.pinv(_design(frequency, degree)) @ values
    return Curve(float(frequency.min()), float(frequency.max()), coefficients)


def different(frequency: FloatArray) -> int:
    """How many settings frequencies (n,) [Hz] hold.

    >>> different(np.array([4.0, 4.01, 7.0]))
    2
    """
    ordered = np.sort(frequency)
    return int(len(ordered) > 0) + int(np.sum(np.diff(ordered) > SAME_FREQUENCY * ordered[:-1]))


def power_degree(frequency: FloatArray, powers: tuple[FloatArray, ...], sigma: FloatArray) -> int:
    """2 where a parabola explains a power (n,) [W] better than a line does, else 1.

    sigma: (n,) [W] scatter of the readings. Known scatter, so Akaike's criterion is chi^2 + 2 per coefficient.
    """
    gains = [(_residuals(frequency, p, 1) / sigma, _residuals(frequency, p, 2) / sigma) for p in powers]
    bent = any(line @ line - parabola @ parabola > 2 for line, parabola in gains)
    return 2 if bent and _may_bend(frequency, *powers) else 1


def drop_degree(frequency: FloatArray, drop: FloatArray) -> int:
    """2 where a parabola leaves a smaller residual variance per degree of freedom than a line, else 1. drop (n,) [K]"""
    n = len(frequency)
    if n < 5 or not _may_bend(frequency, drop):
        return 1
    line, parabola = (_residuals(frequency, drop, degree) for degree in (1, 2))
    return 2 if parabola @ parabola / (n - 3) < line @ line / (n - 2) else 1


def _may_bend(frequency: FloatArray, *columns: FloatArray) -> bool:
    """A parabola must not turn round between the runs, which have three settings at least."""
    return all(fit_curve(frequency, column[:, None], 2).is_steady for column in columns)


def with_scatter(frequency: FloatArray, values: FloatArray, degree: int, rng: np.random.Generator) -> FloatArray:
    """Readings (n, 1 + draws) with the scatter that their own residuals show, whose size is itself drawn.

    The errors of a thermometer are common to its readings; this adds what is not. Student's t by its
    construction: normal over the root of chi^2 over its degrees of freedom.
    """
    residuals = _residuals(frequency, values[:, 0], degree)
    dof = len(frequency) - degree - 1
    if dof < 1:
        return values
    draws = values.shape[1] - 1
    size = np.sqrt(residuals @ residuals / rng.chisquare(dof, draws))
    chance = size * rng.standard_normal((len(frequency), draws))
    return np.asarray(values + np.concatenate([np.zeros((len(frequency), 1)), chance], axis=1))


def _residuals(frequency: FloatArray, values: FloatArray, degree: int) -> FloatArray:
    design = _design(frequency, degree)
    return np.asarray(values - design @ (np.linalg.pinv(design) @ values))


def _design(frequency: FloatArray, degree: int) -> FloatArray:
    return np.vander(_half_spans(frequency, frequency.min(), frequency.max()), degree + 1, increasing=True)


def _half_spans(frequency: FloatArray | float, low: float, high: float) -> FloatArray:
    """How far from the middle of the runs."""
    return np.asarray((frequency - (low + high) / 2) / ((high - low) / 2))


def sweep_curves(split: Breakdown, mine: Mask, rng: np.random.Generator) -> dict[str, Curve]:
    """Curves of one sweep's powers and, where its ends were recorded, temperature drops; mine: (n,) bool.

    Empty where it has fewer than three settings. One degree serves all powers, so that parts still add up.
    """
    frequency = split.readings.frequency[mine]
    if different(frequency) < FEWEST:
        return {}
    powers = {name: split.draws[name][mine] for name in POWERS}
    sigma = split.calibration.scatter(split.readings.power[mine])[:, 1:].mean(axis=1)
    sigma = np.maximum(sigma, 1e-9 * split.readings.power[mine].max())
    degree = power_degree(frequency, (powers["input"][:, 0], powers["pneumatic"][:, 0]), sigma)
    curves = {name: fit_curve(frequency, draws, degree) for name, draws in powers.items()}
    return curves | _drop_curves(split, mine, rng)


def _drop_curves(split: Breakdown, mine: Mask, rng: np.random.Generator) -> dict[str, Curve]:
    curves = {}
    for name in DROPS:
        draws = split.draws[name]
        known = mine & np.isfinite(draws[:, 0])
        frequency = split.readings.frequency[known]
        if different(frequency) >= FEWEST:
            degree = drop_degree(frequency, draws[known, 0])
            curves[name] = fit_curve(frequency, with_scatter(frequency, draws[known], degree, rng), degree)
    return curves
