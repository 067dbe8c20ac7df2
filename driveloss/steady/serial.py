"""Statistics of readings of which each one resembles the one before."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from driveloss.physics.arrays import FloatArray

MOST_ALIKE = 0.995  # serial correlation beyond which a series is a drift, not scatter
BLOCKS = 10
BLOCK_LIMITS = (0.23, 2.41)  # F(9, infinity), 1 and 99 %: blocks scatter less, or more, than neighbours let expect
FEWEST = 8  # readings from which scatter and its correlation can be told


@dataclass(frozen=True)
class Trend:
    """A straight line through a series of n readings at equal steps, its errors with serial correlation."""

    mean: float
    mean_error: float  # standard error
    change: float  # of the line from the first reading to the last
    change_error: float
    scatter: float  # standard deviation about the line, of one reading
    correlation: float  # of neighbours about the line
    effective: float  # independent readings that would tell the mean as well
    dof: float  # Student's, for both errors
    wanders: bool  # blocks scatter more than neighbours let expect, so the errors are the blocks'


def effective_number(n: int, correlation: float) -> float:
    """Independent readings that tell a mean as well as n with first-order serial correlation do.

    n / (1 + 2 sum((1 - k/n) rho^k)), k = 1 to n - 1. Source: Bartlett, J. Roy. Statist. Soc. 98 (1935) 536; Bayley &
    Hammersley, Suppl. J. Roy. Statist. Soc. 8 (1946) 184; both from memory. correlation: [1].
    >>> round(effective_number(1000, 0.5), 1)
    333.8
    """
    rho = correlation
    spread = 2 * rho / (1 - rho) * (1 - (1 - rho**n) / (n * (1 - rho)))
    return n / (1 + spread)


def quadratic(weights: FloatArray, correlation: float) -> float:
    """Variance of the weighted sum of a series with unit variance and first-order serial correlation; weights (n,)."""
    return float(weights @ (2 * carried_on(weights, correlation) - weights))


def carried_on(values: FloatArray, share: float) -> FloatArray:
    """Values (n,), each with a share of what the one before came to: y[i] = x[i] + share y[i - 1], share below one.

    >>> carried_on(np.array([1.0, 0.0, 2.0]), 0.5).tolist()
    [1.0, 0.5, 2.25]
    """
    from scipy.linalg import solve_banded  # scipy.signal has a filter, and takes a second to import

    bands = np.array([np.ones(len(values)), np.full(len(values), -share)])
    return np.asarray(solve_banded((1, 0), bands, values, check_finite=False))


def lag_one(residuals: FloatArray, coefficients: int) -> float:
    """Serial correlation of what a fit of so many coefficients leaves over, (n,), freed of the fit's own bias.

    The bias is -(k + (1 + k) rho + ...)/n, here -(1 + 3 rho)/n for a mean and -(2 + 4 rho)/n for a line: Marriott &
    Pope, Biometrika 41 (1954) 390; Kendall, ibid. 403; from memory. Negative correlation counts as none.
    """
    n, square = len(residuals), float(residuals @ residuals)
    if square == 0 or n < coefficients + 3:
        return 0.0
    seen = float(residuals[1:] @ residuals[:-1]) / square
    freed = (seen + coefficients / n) / max(1 - (2 + coefficients) / n, 0.2)
    return float(np.clip(freed, 0.0, MOST_ALIKE))


def trend(values: FloatArray) -> Trend:
    """The straight line through a series (n,), n at least FEWEST."""
    n = len(values)
    x = np.linspace(-0.5, 0.5, n)
    basis = np.column_stack([np.full(n, n**-0.5), x / np.linalg.norm(x)])
    about = values - values.mean()
    along = basis.T @ about
    left = about - basis @ along
    rho = lag_one(left, 2)
    inflation = [quadratic(basis[:, j], rho) for j in range(2)]
    variance = float(left @ left) / max(n - sum(inflation), 1.0)
    effective = effective_number(n, rho)
    mean_error = (variance * inflation[0] / n) ** 0.5
    dof = max(effective - 2, 1.0)
    ratio = (_block_error(left) / mean_error) ** 2 if mean_error > 0 else 0.0
    if ratio > BLOCK_LIMITS[1] or 0 < ratio < BLOCK_LIMITS[0]:  # wander, or pulses that average out
        inflation = [v * ratio for v in inflation]
        mean_error, dof = mean_error * ratio**0.5, min(dof, BLOCKS - 2.0)
    change = along[1] / np.linalg.norm(x)
    return Trend(
        mean=float(values.mean()),
        mean_error=mean_error,
        change=float(change),
        change_error=(variance * inflation[1]) ** 0.5 / float(np.linalg.norm(x)),
        scatter=variance**0.5,
        correlation=rho,
        effective=variance / mean_error**2 if mean_error > 0 else float(n),
        dof=dof,
        wanders=ratio > BLOCK_LIMITS[1],
    )


def _block_error(left: FloatArray) -> float:
    """Standard error of the mean as blocks of the residuals (n,) scatter; zero where they are too few for blocks."""
    size = len(left) // BLOCKS
    if size < 2:
        return 0.0
    means = left[: size * BLOCKS].reshape(BLOCKS, size).mean(axis=1)
    return float(np.sqrt(means @ means / (BLOCKS - 2) / BLOCKS))
