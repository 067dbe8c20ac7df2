"""Optimal design of a linear fit: how to share readings among candidate settings.

A candidate is one row of the weighted design matrix: the slopes of a reading in the coefficients, divided by the
reading's standard deviation. Readings of one setting may err alike, as a coarse last digit makes them: repeats then
tell less and less, and other settings gain. Readings are taken one by one, each where it takes most off the mean
variance of stated targets (Wynn, Annals of Mathematical Statistics 41 (1970) 1655), then exchanged while that helps
(Fedorov, Theory of Optimal Experiments (1972)). Both from memory.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from driveloss.bench.records import FloatArray
from driveloss.errors import InputError

UNDETERMINED = 1e13  # condition of the information from which on it is singular but for rounding
STAY = 0.97  # of the best gain: enough to read a setting once more rather than another one
MOST_EXCHANGES = 300

Counts = NDArray[np.int64]


@dataclass(frozen=True)
class Candidates:
    """Settings that can be read, and what is wanted of their coefficients."""

    rows: FloatArray  # (m, p)
    targets: FloatArray  # contrasts of the coefficients, (t, p)
    alike: FloatArray  # (m,) share of a reading's variance that all readings of one setting have in common
    apart: FloatArray  # (m,) settings so close together that they count as one candidate

    def told(self, counts: FloatArray | Counts) -> FloatArray:
        """Independent readings that `counts` (m,) of each candidate are worth, (m,).

        >>> Candidates(np.eye(1), np.eye(1), np.array([0.5]), np.array([1.0])).told(np.array([3.0]))
        array([1.5])
        """
        several = np.maximum(counts, 1)
        each = self.alike / np.minimum(several, self.apart) + (1 - self.alike) / several
        return np.where(counts > 0, 1 / each, 0.0)

    def variances(self, counts: FloatArray | Counts) -> FloatArray:
        """Of each target when candidates are read `counts` (m,) times; infinite where that does not determine it."""
        told = self._information(self.told(counts))
        if np.linalg.cond(told) > UNDETERMINED:
            return np.full(len(self.targets), np.inf)
        return np.asarray(np.sum(self._wanted * np.linalg.solve(told, self._wanted.T).T, axis=1))

    def growing(self, counts: Counts) -> Iterator[Counts]:
        """`counts` (m,), then the same with one reading more, and so on for ever.

        Raises InputError where `counts` do not tell all coefficients apart.
        """
        counts, inverse = counts.copy(), self._inverse(counts)
        while True:
            yield counts.copy()
            gains = self._gains(inverse, counts)
            known = np.where(counts > 0, gains, 0.0)
            counts[np.argmax(known if known.max() >= STAY * gains.max() else gains)] += 1
            inverse = np.asarray(np.linalg.inv(self._information(self.told(counts))), dtype=np.float64)

    def exchanged(self, counts: Counts, least: Counts, worth: float = 1e-3) -> Counts:
        """`counts` (m,) with readings moved, `least` (m,) kept, until no move gains a share `worth` of the variance."""
        counts = counts.copy()
        for _ in range(MOST_EXCHANGES):
            inverse = self._inverse(counts)
            mean = float(np.sum((self._wanted @ inverse) * self._wanted))
            moves = [self._best_move(inverse, counts, int(i)) for i in np.flatnonzero(counts > least)]
            gain, source, aim = max(moves, default=(0.0, 0, 0))
            if gain <= worth * mean:
                break
            counts[[source, aim]] += (-1, 1)
        return counts

    def _best_move(self, inverse: FloatArray, counts: Counts, source: int) -> tuple[float, int, int]:
        """What the best exchange of one reading of a candidate gains, where it comes from and where it goes."""
        fewer = counts.copy()
        fewer[source] -= 1
        lost = float((self.told(counts) - self.told(fewer))[source])
        along = inverse @ self._scaled[source]
        left = 1 - lost * float(self._scaled[source] @ along)
        if left < 1 / UNDETERMINED:  # the one reading that tells a coefficient
            return 0.0, source, source
        without = inverse + lost / left * np.outer(along, along)
        gains = self._gains(without, fewer)
        aim = int(np.argmax(gains))
        return float(gains[aim] - lost / left * np.sum((self._wanted @ along) ** 2)), source, aim

    def _gains(self, inverse: FloatArray, counts: Counts) -> FloatArray:
        """What one more reading of each candidate takes off the sum of the targets' variances, (m,).

        By the formula of Sherman and Morrison for an inverse with one row more.
        """
        more = self.told(counts + 1) - self.told(counts)
        moved = self._scaled @ inverse
        own = np.sum(moved * self._scaled, axis=1)
        return np.asarray(more * np.sum((moved @ self._wanted.T) ** 2, axis=1) / (1 + more * own))

    def _inverse(self, counts: Counts) -> FloatArray:
        told = self._information(self.told(counts))
        if np.linalg.cond(told) > UNDETERMINED:
            raise InputError("the candidate readings cannot tell all coefficients apart")
        return np.asarray(np.linalg.inv(told))

    def _information(self, told: FloatArray) -> FloatArray:
        return np.asarray(self._scaled.T @ (self._scaled * told[:, None]))

    @cached_property
    def _scale(self) -> FloatArray:
        """Lengths of the columns. Raises InputError where coefficients cannot be told apart."""
        scale = np.linalg.norm(self.rows, axis=0)
        if not np.all(scale > 0) or np.linalg.matrix_rank(self.rows / scale, tol=1e-9) < self.rows.shape[1]:
            raise InputError("the candidate readings cannot tell all coefficients apart")
        return np.asarray(scale)

    @cached_property
    def _scaled(self) -> FloatArray:
        return self.rows / self._scale

    @cached_property
    def _wanted(self) -> FloatArray:
        return self.targets / self._scale
