"""A value with its standard uncertainty and 95 % interval, and how draws become one.

Arrays of draws hold the best estimate in their first column (every error zero, the averaged curves) and
the draws proper behind it. Whatever is computed column by column then adds up in every column.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from math import isfinite
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

if TYPE_CHECKING:
    from driveloss.fit.meters import Meters

COVERAGE = 0.95


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value, its standard uncertainty and the ends of its 95 % interval, all in one unit."""

    value: float
    u: float
    low: float
    high: float
    origin: tuple[Meters, NDArray[np.float64]] | None = field(default=None, repr=False, compare=False)

    def __format__(self, spec: str) -> str:
        """As text, value and half-width by one rule for numbers.

        >>> f"{Estimate(12.34, 0.1, 11.78, 12.9):.1f}"
        '12.3 ±0.6'
        """
        return f"{self.value:{spec}} ±{self.half_width:{spec}}" if spec else str(self)

    @property
    def half_width(self) -> float:
        """Half the width of the interval."""
        return (self.high - self.low) / 2

    def components(self) -> dict[str, float]:
        """What the uncertainty comes from: half-width by source, each alone at work, the largest first.

        Empty where the draws behind the estimate, its `origin` with the meters' errors, were not kept.
        """
        if self.origin is None:
            return {}
        from driveloss.fit.contributions import Attribution

        meters, draws = self.origin
        found = Attribution(meters).explain(draws).half_widths
        return dict(sorted(found.items(), key=lambda pair: -pair[1]))

    @property
    def excludes_zero(self) -> bool:
        """Whether zero lies outside the interval."""
        return self.low > 0 or self.high < 0


def estimate(draws: ArrayLike, meters: Meters | None = None) -> Estimate | None:
    """Summarise one row of draws, shape (1 + draws,): best estimate first; None if that is not a number.

    meters: whose errors were drawn with them, where the estimate is to tell its `components`.
    The interval is the probabilistically symmetric one of JCGM 101:2008, 7.7.
    >>> estimate([2.0, 1.0, 2.0, 3.0])
    Estimate(value=2.0, u=1.0, low=1.05, high=2.95)
    """
    return estimates(np.asarray(draws, dtype=float)[None, :], meters)[0]


def estimates(draws: NDArray[np.float64], meters: Meters | None = None) -> list[Estimate | None]:
    """Summarise rows of draws, shape (rows, 1 + draws): see `estimate`."""
    origins = [None if meters is None else (meters, one) for one in draws]
    return [of_numbers(row, origin) for row, origin in zip(summaries(draws).tolist(), origins, strict=True)]


def of_numbers(row: Sequence[float], origin: tuple[Meters, NDArray[np.float64]] | None = None) -> Estimate | None:
    """Value, standard uncertainty and ends of the interval as an estimate; None where one is not a number."""
    value, u, low, high = row
    return Estimate(value, u, low, high, origin) if all(map(isfinite, row)) else None


def summaries(draws: NDArray[np.float64]) -> NDArray[np.float64]:
    """Value, standard uncertainty and ends of the interval of rows of draws, (rows, 1 + draws): (rows, 4)."""
    values, rest = draws[:, 0], draws[:, 1:]
    tail = (1 - COVERAGE) / 2
    with np.errstate(invalid="ignore"):  # an infinite draw: its deviation is not a number, and says so
        spread = rest.std(axis=1, ddof=1)
    ordered = np.sort(rest, axis=1)
    low, high = (_quantile(ordered, share) for share in (tail, 1 - tail))
    return np.array([values, spread, np.minimum(low, values), np.maximum(high, values)]).T


def _quantile(ordered: NDArray[np.float64], share: float) -> NDArray[np.float64]:
    """Quantile of rows in ascending order, between two draws in proportion (as NumPy's own, which starts slowly)."""
    place = share * (ordered.shape[1] - 1)
    below = int(place)
    above = min(below + 1, ordered.shape[1] - 1)
    return np.asarray(ordered[:, below] + (place - below) * (ordered[:, above] - ordered[:, below]))
