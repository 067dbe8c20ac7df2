"""The project's least squares against NIST's certified regressions, in agreeing significant digits."""

from math import log10

import numpy as np
import pytest

from driveloss.fit.least_squares import curve_fit, linear_fit
from fit.nist import SETS

# Degree of the polynomial, whether it has an intercept, and the digits reached here in estimates and deviations.
POLYNOMIALS = {
    "Norris": (1, True),  # 14.1, 14.4
    "Pontius": (2, True),  # 13.5, 13.0
    "NoInt1": (1, False),  # 14.7, 14.9
    "NoInt2": (1, False),  # 15, 14.8
    "Wampler1": (5, True),  # 14.3, 9.6 decimals
    "Wampler2": (5, True),  # 13.2, 14.4 decimals
    "Wampler3": (5, True),  # 14.2, 13.9
    "Wampler4": (5, True),  # 12.4, 13.7
    "Wampler5": (5, True),  # 10.5, 13.7; about 6.5 where a platform has no float longer than double
}
CURVES = {
    "DanWood": (lambda x, p: p["b1"] * x ** p["b2"], ((1.0, 5.0), (0.7, 4.0))),
    "Misra1a": (lambda x, p: p["b1"] * (1 - np.exp(-p["b2"] * x)), ((500.0, 1e-4), (250.0, 5e-4))),
}
STARTS = [(name, start) for name, (_, starts) in CURVES.items() for start in starts]


def digits(found, certified):
    """Fewest significant digits in which two rows agree; where zero is certified, decimals (NIST's rule)."""
    errors = [abs(f - c) / (abs(c) if c else 1.0) for f, c in zip(np.ravel(found), np.ravel(certified), strict=True)]
    return min(-log10(max(error, 1e-16)) for error in errors)


def powers(x, degree):
    return np.vander(x, degree + 1, increasing=True)


@pytest.mark.parametrize("name", POLYNOMIALS)
def test_polynomial_has_the_certified_digits(name):
    """Six digits at least; Wampler5 is the hard one, with residuals 1e7 times its coefficients."""
    certified = SETS[name]
    degree, intercept = POLYNOMIALS[name]
    fit = linear_fit(powers(certified.x, degree)[:, 0 if intercept else 1 :], certified.y)
    assert fit.converged
    assert digits(fit.coefficients, certified.estimates) > 6
    assert digits(fit.errors, certified.deviations) > 9
    assert digits(fit.residual_sd, certified.residual_sd) > 9


@pytest.mark.parametrize("name", ["Norris", "Pontius", "Wampler4"])
def test_weights_known_up_to_a_factor_change_nothing(name):
    """Equal weights of any size leave the certified values alone, but for the rounding of weighted data."""
    certified = SETS[name]
    degree, _ = POLYNOMIALS[name]
    fit = linear_fit(powers(certified.x, degree), certified.y, np.full(len(certified.x), 7.0))
    assert digits(fit.coefficients, certified.estimates) > 7
    assert digits(fit.errors, certified.deviations) > 9


@pytest.mark.parametrize(("name", "start"), STARTS)
def test_curve_has_the_certified_digits_from_either_start(name, start):
    """Six digits at least; reached: 10.6 or more in estimates, deviations and residual deviation alike."""
    certified, model = SETS[name], CURVES[name][0]
    fit = curve_fit(lambda p: model(certified.x, p), dict(zip(("b1", "b2"), start, strict=True)), certified.y)
    assert fit.converged
    assert digits(fit.coefficients, certified.estimates) > 6
    assert digits(fit.errors, certified.deviations) > 6
    assert digits(fit.residual_sd, certified.residual_sd) > 6


def test_curve_at_its_bound_claims_neither_convergence_nor_errors():
    """Misra1a with b2 kept too large: the fit ends at the bound, where an error bar means nothing."""
    certified, model = SETS["Misra1a"], CURVES["Misra1a"][0]
    start, bounds = {"b1": 250.0, "b2": 2e-3}, {"b2": (1e-3, np.inf)}
    fit = curve_fit(lambda p: model(certified.x, p), start, certified.y, bounds=bounds)
    assert not fit.converged
    assert np.isnan(fit.errors).all()
