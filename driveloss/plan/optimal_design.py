"""Optimal design of a linear fit: how to share readings among candidate points.

A candidate is one row of the weighted design matrix: the slopes of a reading in the coefficients, divided by the
reading's standard deviation. V-optimal shares of the readings, which add up to one, make the mean variance of stated
targets smallest. Found by the multiplicative algorithm (Silvey, Titterington & Torsney, Communications in Statistics A
7 (1978) 1379), proved by the equivalence theorem's bound, and made whole numbers by efficient apportionment (Pukelsheim
& Rieder, Biometrika 79 (1992) 763). All from memory.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from driveloss.bench.records import FloatArray
from driveloss.errors import InputError

MOST_STEPS = 20_000
NEGLIGIBLE = 1e-9  # of the largest share: a candidate with less is out
UNDETERMINED = 1e13  # condition of the information from which on it is singular but for rounding


def v_optimal(
    rows: FloatArray, targets: FloatArray, readings: float, fixed: FloatArray, tolerance: float
) -> FloatArray:
    """Shares (m,) of `readings` that minimise the mean variance of targets, contrasts of the coefficients (t, p).

    rows: candidates, (m, p). fixed: rows (f, p) of readings that are taken anyway, once each. tolerance: fraction by
    which a candidate's sensitivity may exceed the shares' mean, which none does at the optimum.
    Raises InputError where candidates and fixed readings cannot tell all coefficients apart.
    """
    scaled, scale = _scaled(np.vstack([rows, fixed]))
    rows, base = scaled[: len(rows)], scaled[len(rows) :]
    wanted, anyway = targets / scale, _information(base, np.ones(len(base)))
    weights = np.full(len(rows), 1 / len(rows))
    for _ in range(MOST_STEPS):
        spread = np.linalg.solve(anyway + readings * _information(rows, weights), wanted.T)
        sensitivity = np.sum((rows @ spread) ** 2, axis=1)
        mean = float(weights @ sensitivity)
        if sensitivity.max() / mean - 1 <= tolerance:
            break
        weights = weights * np.sqrt(sensitivity / mean)  # the root: see Torsney (1983), from memory
        weights = np.where(weights > NEGLIGIBLE * weights.max(), weights, 0.0)
        weights = weights / weights.sum()
    return weights


def variances(rows: FloatArray, counts: FloatArray, targets: FloatArray) -> FloatArray:
    """Variance of each target, contrasts (t, p), when candidate rows (m, p) are read `counts` (m,) times each.

    Infinite where the readings do not determine every coefficient.
    """
    scaled, scale = _scaled(rows)
    wanted, told = targets / scale, _information(scaled, counts)
    if np.linalg.cond(told) > UNDETERMINED:
        return np.full(len(wanted), np.inf)
    return np.asarray(np.sum(wanted * np.linalg.solve(told, wanted.T).T, axis=1))


def apportion(weights: FloatArray, total: int) -> NDArray[np.int64]:
    """Whole numbers that add up to `total`, as near to the shares as none can better; every share gets one or more.

    weights: (k,), all positive, k no more than total.
    >>> apportion(np.array([0.5, 0.3, 0.2]), 7).tolist()
    [3, 2, 2]
    """
    if total < len(weights):
        raise InputError(f"{total} readings cannot be shared among {len(weights)} points")
    counts = np.maximum(np.ceil((total - len(weights) / 2) * weights), 1).astype(np.int64)
    while counts.sum() < total:
        counts[np.argmin(counts / weights)] += 1
    while counts.sum() > total:
        counts[np.argmax(np.where(counts > 1, (counts - 1) / weights, -np.inf))] -= 1
    return counts


def _scaled(rows: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Columns of length one, and their lengths. Raises InputError where coefficients cannot be told apart."""
    scale = np.linalg.norm(rows, axis=0)
    if not np.all(scale > 0) or np.linalg.matrix_rank(rows / scale, tol=1e-9) < rows.shape[1]:
        raise InputError("the candidate readings cannot tell all coefficients apart")
    return rows / scale, scale


def _information(rows: FloatArray, weights: FloatArray) -> FloatArray:
    """Of weighted candidates: rows (m, p), weights (m,) -> (p, p)."""
    return rows.T @ (rows * weights[:, None])
