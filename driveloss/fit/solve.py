"""Least squares: one fit through lmfit with exact derivatives, and many non-negative ones at once."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from driveloss.bench.model import FloatArray

SINGULAR = 1e-12  # a scaled column this close to a combination of the others is one
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
    scale = np.linalg.norm(design * weight[:, None], axis=0)
    Q, R = np.linalg.qr(design * weight[:, None] / scale)
    y = readings * weight
    names = [f"b{j}" for j in range(k)]
    parameters = Parameters()
    for name, start in zip(names, Q.T @ y, strict=True):
        parameters.add(name, value=start)

    def values(p: Parameters) -> FloatArray:
        return np.array([p[name].value for name in names])

    minimizer = Minimizer(lambda p: Q @ values(p) - y, parameters, scale_covar=False)
    result = minimizer.leastsq(Dfun=lambda p: Q, col_deriv=False, ftol=1e-15, xtol=1e-15, gtol=0.0)
    rotated = values(result.params)
    back = np.linalg.inv(R) / scale[:, None]
    dof = n - k
    residual_sd = float(np.sqrt(np.sum((y - Q @ rotated) ** 2) / dof)) if dof > 0 else np.nan
    covariance = back @ back.T * residual_sd**2
    return Solution(np.linalg.solve(R, rotated) / scale, covariance, residual_sd, dof, bool(result.success))


def curve_fit(
    model: Callable[[Mapping[str, float]], FloatArray],
    start: Mapping[str, float],
    readings: FloatArray,
    sigma: FloatArray | None = None,
    lower: Mapping[str, float] | None = None,
) -> Solution:
    """Fit a curve that is not linear in its parameters, through lmfit; order of coefficients as in `start`.

    model: parameters by name -> (n,). lower: least values by name. Central differences: the default
    forward ones spoil the fifth digit of the uncertainties. A parameter at its bound: `converged` False.
    """
    from lmfit import Minimizer, Parameters

    parameters = Parameters()
    for name, value in start.items():
        parameters.add(name, value=value, min=(lower or {}).get(name, -np.inf))
    weight = 1.0 if sigma is None else 1 / sigma
    minimizer = Minimizer(lambda p: (model(p.valuesdict()) - readings) * weight, parameters, scale_covar=False)
    tight = {"xtol": 1e-15, "ftol": 1e-15, "gtol": 1e-15}
    with np.errstate(invalid="ignore"):  # lmfit's own error bars squeal where two parameters look alike
        result = minimizer.minimize(method="least_squares", jac="3-point", x_scale="jac", **tight)
    best = np.array([result.params[name].value for name in start])
    at = dict(zip(start, best, strict=True))
    at_bound = any(at[name] <= low + AT_BOUND * abs(low) for name, low in (lower or {}).items())
    dof = len(readings) - len(start)
    residual_sd = float(np.sqrt(result.chisqr / dof)) if dof > 0 else np.nan
    covariance = _covariance(np.asarray(result.jac)) * residual_sd**2
    known = not at_bound and bool(np.all(np.diag(covariance) > 0))
    return Solution(best, covariance if known else np.full_like(covariance, np.nan), residual_sd, dof, known)


def _covariance(jacobian: FloatArray) -> FloatArray:
    """Inverse of the normal matrix by the singular values of the scaled Jacobian (n, k); nan where one is zero."""
    scale = np.linalg.norm(jacobian, axis=0)
    scale = np.where(scale > 0, scale, 1.0)
    _, singular, V = np.linalg.svd(jacobian / scale, full_matrices=False)
    with np.errstate(divide="ignore", invalid="ignore"):
        half = V.T / singular
        return np.asarray(half @ half.T / np.outer(scale, scale))


def nonnegative(design: FloatArray, readings: FloatArray) -> FloatArray:
    """Solve many non-negative least-squares problems with one design (n, k); readings (n, m) -> (k, m).

    The unconstrained solution serves wherever it is already non-negative; only the others meet
    SciPy's NNLS, on the small triangular system.
    """
    from scipy.optimize import nnls

    scale = np.linalg.norm(design, axis=0)
    Q, R = np.linalg.qr(design / scale)
    rotated = Q.T @ readings
    # More coefficients than the readings tell apart: NNLS finds one sparse solution.
    regular = R.shape[0] == R.shape[1] and np.abs(np.diag(R)).min() > SINGULAR
    solution = np.linalg.solve(R, rotated) if regular else np.full((R.shape[1], rotated.shape[1]), -1.0)
    for j in np.flatnonzero((solution < 0).any(axis=0)):
        solution[:, j] = nnls(R, rotated[:, j])[0]
    return solution / scale[:, None]
