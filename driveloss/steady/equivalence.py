"""Is a stretch steady? Two one-sided tests of its drift, and a quick screen by the ratio of two variances."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from driveloss.physics.arrays import FloatArray
from driveloss.steady.serial import Trend, carried_on

CHANCE = 0.05  # of calling a drift at the limit steady
FILTERS = (0.2, 0.1, 0.1)  # of the screen
SCREEN = 1.73  # ratio that one independent steady reading in a hundred passes, with these filters (own simulation)


@dataclass(frozen=True)
class Verdict:
    """What the tests say of a drift, as a share of the mean over the stretch."""

    drift: float
    error: float  # half of the 90 % interval, which is what two one-sided tests at 5 % look at
    limit: float

    @property
    def is_steady(self) -> bool:
        """Both ends of the interval lie within the limit."""
        return abs(self.drift) + self.error <= self.limit

    @property
    def is_drifting(self) -> bool:
        """The whole interval lies beyond the limit."""
        return abs(self.drift) - self.error > self.limit


def equivalence(line: Trend, limit: float) -> Verdict:
    """Two one-sided tests: is the change along a line less than a limit, a share of its mean, either way?

    Source: Schuirmann, J. Pharmacokin. Biopharm. 15 (1987) 657; from memory.
    """
    from scipy.special import stdtrit

    size = abs(line.mean) or 1.0
    half = float(stdtrit(line.dof, 1 - CHANCE)) * line.change_error
    return Verdict(line.change / size, half / size, limit)


def variance_ratio(values: FloatArray, filters: tuple[float, float, float] = FILTERS) -> FloatArray:
    """The R statistic of a series (n,): about one where independent readings scatter about a steady mean. [1]

    R = (2 - l1) v^2 / d^2 with v^2 the filtered square of readings less their filtered mean, d^2 that of their steps.
    Serial correlation raises it where nothing drifts, so it screens and does not decide. Source: Cao & Rhinehart,
    J. Process Control 5 (1995) 363 and 7 (1997) 149; from memory.
    """
    l1, l2, l3 = filters
    about = values - values[: max(len(values) // 10, 1)].mean()
    mean = carried_on(l1 * about, 1 - l1)
    before = np.concatenate([[0.0], mean[:-1]])
    steps = np.diff(about, prepend=about[0])
    start = float(np.mean(steps**2)) or 1.0
    spread = _filtered((about - before) ** 2, l2, start / 2 * 2 / (2 - l1))
    step = _filtered(steps**2, l3, start)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(step > 0, (2 - l1) * spread / step, 1.0)


def _filtered(values: FloatArray, share: float, start: float) -> FloatArray:
    return carried_on(np.concatenate([[start], share * values]), 1 - share)[1:]


def thinned(values: FloatArray, correlation: float) -> FloatArray:
    """Readings so far apart that they hardly resemble each other (0.05), for the screen."""
    step = 1 if correlation <= 0.05 else int(np.ceil(np.log(0.05) / np.log(correlation)))
    return values[::step]
