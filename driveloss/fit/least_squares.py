"""Least squares: one fit through lmfit with exact derivatives, and many non-negative ones at once."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from driveloss.bench.records import FloatArray
from driveloss.physics.arrays import Mask

STEP = 1e-3  # relative step of the differences: truncation and rounding both stay below 1e-11
MOST_STEPS = 300  # a fit that still creeps along a flat valley then has not converged
MOST_EXCHANGES = 30  # a column: ordinary fits take one or two
AT_PRECISION = (6, 7, 8)  # MINPACK: the tolerances ask for more digits than there are
WORTH, PATIENCE = 8, 3  # problems that a set of columns should solve beside its own; tries in a row that may not
ZERO = 1e-12  # of the readings: a gradient below it is zero
AT_BOUND = 1e-6  # SciPy's reflective fit stops just inside a bound, never on it


@dataclass(frozen=True)
class Solution:
    """A weighted least-squares fit of k coefficients to n readings.

    `covariance` and `errors` are scaled by the residuals, as for weights that are known up to one factor.
    """

    coefficients: FloatArray  # (k,)
    covariance: FloatArray  # (k, k)
    residual_sd: float  # of unit weight
    dof: int
    converged: bool

    @property
    def errors(self) -> FloatArray:
        """Standard uncertainties of the coefficients, shape (k,)."""
        return np.sqrt(np.diag(self.covariance))


def linear_fit(design: FloatArray, readings: FloatArray, sigma: FloatArray | None = None) -> Solution:
    """Fit readings (n,) = design (n, k) @ coefficients through lmfit's Levenberg-Marquardt.

    The fit runs in an orthonormal basis with its exact Jacobian, so an ill-conditioned design (raw powers
    of frequency) costs no digits that the data hold. `sigma`: (n,) relative standard deviations.
    """
    from lmfit import Minimizer, Parameters

    n, k = design.shape
    weight = np.ones(n) if sigma is None else 1 / sigma
    weighted = design * weight[:, None]
    scale = 2.0 ** np.round(np.log2(np.linalg.norm(weighted, axis=0)))  # powers of two scale without rounding
    scaled = weighted / scale
    Q, R = np.linalg.qr(scaled)
    y = readings * weight
    names = [f"b{j}" for j in range(k)]
    parameters = Parameters()
    for name in names:
        parameters.add(name, value=0.0)

    def values(p: Parameters) -> FloatArray:
        return np.array([p[name].value for name in names])

    minimizer = Minimizer(lambda p: Q @ values(p) - y, parameters, scale_covar=False)
    result = minimizer.leastsq(Dfun=lambda p: Q, col_deriv=False, ftol=1e-15, xtol=1e-15, gtol=0.0)
    rotated = values(result.params)
    solution = _refined(scaled, R, y, np.linalg.solve(R, rotated))
    back = np.linalg.inv(R) / scale[:, None]
    dof = n - k
    residual_sd = float(np.sqrt(np.sum((y - Q @ rotated) ** 2) / dof)) if dof > 0 else np.nan
    covariance = back @ back.T * residual_sd**2
    converged = result.ier in (1, 2, 3, 4, *AT_PRECISION)
    return Solution(solution / scale, covariance, residual_sd, dof, converged)


def _refined(design: FloatArray, R: FloatArray, readings: FloatArray, solution: FloatArray) -> FloatArray:
    """One step of the corrected seminormal equations, its gradient in the longest float there is.

    Source: Bjorck, Numerical Methods for Least Squares Problems (1996), sec. 2.4.6; from memory.
    """
    exact = np.longdouble
    left = readings.astype(exact) - design.astype(exact) @ solution.astype(exact)
    gradient = (design.astype(exact).T @ left).astype(float)
    return solution + np.linalg.solve(R, np.linalg.solve(R.T, gradient))


def curve_fit(  # noqa: PLR0913 - what may be known of a curve
    model: Callable[[Mapping[str, float]], FloatArray],
    start: Mapping[str, float],
    readings: FloatArray,
    sigma: FloatArray | None = None,
    bounds: Mapping[str, tuple[float, float]] | None = None,
    dof: int | None = None,
) -> Solution:
    """Fit a curve that is not linear in its parameters, through lmfit; order of coefficients as in `start`.

    model: parameters by name -> (n,). bounds: least and greatest values by name. Differences of fourth order:
    SciPy's own spoil the fifth (forward) or the seventh digit (central). A parameter at a bound: `converged` False.
    dof: readings to spare where those given stand for more.
    """
    from lmfit import Minimizer, Parameters

    parameters = Parameters()
    for name, value in start.items():
        least, greatest = (bounds or {}).get(name, (-np.inf, np.inf))
        parameters.add(name, value=value, min=least, max=greatest)
    weight = 1.0 if sigma is None else 1 / sigma

    def slopes(p: Parameters, **_: object) -> FloatArray:
        return np.asarray(_slopes(model, p.valuesdict()) * np.reshape(weight, (-1, 1)))

    minimizer = Minimizer(lambda p, **_: (model(p.valuesdict()) - readings) * weight, parameters, scale_covar=False)
    tight = {"xtol": 1e-15, "ftol": 1e-15, "gtol": 1e-15}
    with np.errstate(invalid="ignore"):  # lmfit's own error bars squeal where two parameters look alike
        result = minimizer.minimize(method="least_squares", jac=slopes, x_scale="jac", max_nfev=MOST_STEPS, **tight)
    best = np.array([result.params[name].value for name in start])
    at = dict(zip(start, best, strict=True))
    at_bound = any(_touches(at[name], *ends) for name, ends in (bounds or {}).items())
    dof = len(readings) - len(start) if dof is None else dof
    residual_sd = float(np.sqrt(result.chisqr / dof)) if dof > 0 else np.nan
    covariance = _covariance(slopes(result.params)) * residual_sd**2
    known = bool(result.success) and not at_bound and bool(np.all(np.diag(covariance) > 0))
    return Solution(best, covariance if known else np.full_like(covariance, np.nan), residual_sd, dof, known)


def _touches(value: float, least: float, greatest: float) -> bool:
    return value <= least + AT_BOUND * abs(least) or value >= greatest - AT_BOUND * abs(greatest)


def _slopes(model: Callable[[Mapping[str, float]], FloatArray], at: Mapping[str, float]) -> FloatArray:
    """Slopes of a model in its parameters, shape (n, k), by central differences of fourth order."""
    columns = []
    for name, value in at.items():
        step = STEP * abs(value) or STEP

        def moved(count: int, name: str = name, value: float = value, step: float = step) -> FloatArray:
            return model({**at, name: value + count * step})

        columns.append((8 * (moved(1) - moved(-1)) - (moved(2) - moved(-2))) / (12 * step))
    return np.column_stack(columns)


def _covariance(jacobian: FloatArray) -> FloatArray:
    """Inverse of the normal matrix by the singular values of the scaled Jacobian (n, k); nan where one is zero."""
    scale = np.linalg.norm(jacobian, axis=0)
    scale = np.where(scale > 0, scale, 1.0)
    _, singular, V = np.linalg.svd(jacobian / scale, full_matrices=False)
    with np.errstate(divide="ignore", invalid="ignore"):
        half = V.T / singular
        return np.asarray(half @ half.T / np.outer(scale, scale))


def nnls(design: FloatArray, readings: FloatArray) -> tuple[FloatArray, float]:
    """Non-negative coefficients (k,) of readings (n,) = design (n, k) @ coefficients, and the norm of what is left.

    By SciPy's active sets; should rounding lead those in a circle, by its bounded linear fit.
    """
    from scipy.optimize import lsq_linear
    from scipy.optimize import nnls as active_set

    if design.size == 0:  # SciPy 1.17 reads memory that is not its own
        return np.zeros(design.shape[1]), float(np.linalg.norm(readings))
    try:
        values, norm = active_set(design, readings, maxiter=MOST_EXCHANGES * design.shape[1])
    except RuntimeError:
        values = np.maximum(lsq_linear(design, readings, bounds=(0.0, np.inf), method="bvls").x, 0.0)
        norm = np.linalg.norm(design @ values - readings)
    return values, float(norm)


def nonnegative(design: FloatArray, readings: FloatArray) -> FloatArray:
    """Solve many non-negative least-squares problems with one design (n, k); readings (n, m) -> (k, m)."""
    scale = np.linalg.norm(design, axis=0)
    Q, R = np.linalg.qr(design / scale)
    return np.asarray(many_nnls(R, Q.T @ readings) / scale[:, None])


def many_nnls(design: FloatArray, readings: FloatArray) -> FloatArray:
    """Non-negative coefficients (k, m) of readings (n, m) = design (n, k) @ coefficients, the columns of like size.

    The columns that SciPy finds in use for one problem serve every other one that they solve.
    """
    solution, todo = np.zeros((design.shape[1], readings.shape[1])), np.arange(readings.shape[1])
    patience = PATIENCE
    while len(todo):
        solution[:, todo[0]] = found = nnls(design, readings[:, todo[0]])[0]
        todo = todo[1:]
        if patience and len(todo) > WORTH:
            values, solves = _with_columns(design, found > 0, readings[:, todo])
            solution[:, todo[solves]] = values[:, solves]
            todo, patience = todo[~solves], PATIENCE if solves.sum() >= WORTH else patience - 1
    return solution


def _with_columns(design: FloatArray, used: Mask, readings: FloatArray) -> tuple[FloatArray, Mask]:
    """Coefficients (k, m) of the columns in use alone; and whether they solve: none below zero, no gradient above."""
    Q, R = np.linalg.qr(design[:, used])
    values = np.zeros((len(used), readings.shape[1]))
    values[used] = np.linalg.solve(R, Q.T @ readings)
    gradient = design.T @ (readings - design @ values)
    return values, np.all((values >= 0) & (gradient <= ZERO * np.linalg.norm(readings, axis=0)), axis=0)
