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
AFRESH = 64  # readings after which what was brought up to date is reckoned anew, rid of rounding

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
        if not _is_determined(told):
            return np.full(len(self.targets), np.inf)
        return np.asarray(np.sum(self._wanted * np.linalg.solve(told, self._wanted.T).T, axis=1))

    def growing(self, counts: Counts) -> Iterator[Counts]:
        """`counts` (m,), then the same with one reading more, and so on for ever.

        Raises InputError where `counts` do not tell all coefficients apart.
        """
        counts, taken = counts.copy(), 0
        while True:
            yield counts.copy()
            if taken % AFRESH == 0:
                moved, along, own = self._moved(counts)
            taken += 1
            more = self.told(counts + 1) - self.told(counts)
            gains = more * np.sum(along**2, axis=1) / (1 + more * own)  # Sherman and Morrison, for a row more
            known = np.where(counts > 0, gains, 0.0)
            best = int(np.argmax(known if known.max() >= STAY * gains.max() else gains))
            beside = moved @ self._scaled[best]
            share = more[best] / (1 + more[best] * own[best]) * beside
            own = own - share * beside
            along = along - np.outer(share, along[best])
            moved = moved - np.outer(share, moved[best])
            counts[best] += 1

    def exchanged(self, counts: Counts, least: Counts, worth: float = 1e-3) -> Counts:
        """`counts` (m,) with readings moved, `least` (m,) kept, until no move gains a share `worth` of the variance."""
        counts = counts.copy()
        for _ in range(MOST_EXCHANGES if (counts > least).any() else 0):
            sources = np.flatnonzero(counts > least)
            gains = self._exchanges(counts, sources)
            source, aim = np.unravel_index(np.argmax(gains), gains.shape)
            if gains[source, aim] <= worth * float(self.variances(counts).sum()):
                break
            counts[[sources[source], aim]] += (-1, 1)
        return counts

    def _exchanges(self, counts: Counts, sources: Counts) -> FloatArray:
        """What one reading of each source (s,) less and one of each candidate more take off the variances, (s, m).

        Both by the formula of Sherman and Morrison for an inverse with a row more or less.
        """
        moved, along, own = self._moved(counts)
        lost = (self.told(counts) - self.told(counts - 1))[sources]
        left = 1 - lost * own[sources]
        spared = left >= 1 / UNDETERMINED  # else it is the one reading that tells a coefficient
        share = np.divide(lost, left, out=np.zeros_like(lost), where=spared)[:, None]
        beside = moved[sources] @ self._scaled.T
        square = np.sum(along**2, axis=1)
        after = square + share * beside * (2 * along[sources] @ along.T + share * beside * square[sources, None])
        more = np.tile(self.told(counts + 1) - self.told(counts), (len(sources), 1))
        more[np.arange(len(sources)), sources] = lost
        gains = more * after / (1 + more * (own + share * beside**2)) - share * square[sources, None]
        return np.where(spared[:, None], gains, 0.0)

    def _moved(self, counts: Counts) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Candidates times the inverse of what `counts` (m,) tell, (m, p); that along targets, and along themselves."""
        moved = self._scaled @ self._inverse(counts)
        return moved, moved @ self._wanted.T, np.sum(moved * self._scaled, axis=1)

    def _inverse(self, counts: Counts) -> FloatArray:
        told = self._information(self.told(counts))
        if not _is_determined(told):
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


def _is_determined(information: FloatArray) -> bool:
    """Whether a symmetric matrix, (p, p), has an inverse."""
    values = np.linalg.eigvalsh(information)
    return bool(values[0] * UNDETERMINED > values[-1])
