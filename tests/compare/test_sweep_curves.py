"""Curves of a loaded sweep: against NumPy's polynomials, JCGM 100:2008 H.3, and known truth."""

import numpy as np
import pytest
from numpy.polynomial import Polynomial

from driveloss.compare.sweep_curves import Curve, different, drop_degree, fit_curve, power_degree, with_scatter

F = np.array([4.0, 5.0, 6.5, 8.0, 9.0, 11.0])  # [Hz]


def column(values):
    """One column of draws."""
    return np.asarray(values, dtype=float)[:, None]


def test_thermometer_line_of_the_guide():
    """JCGM 100:2008, H.3: b(30 degC) = -0.1494 degC by a straight line of eleven readings."""
    t = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
    b = np.array([-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160])
    assert fit_curve(t, column(b), 1).at(30.0)[0] == pytest.approx(-0.1494, abs=5e-5)


@pytest.mark.parametrize("degree", [1, 2])
def test_least_squares_as_numpy_does_it(degree):
    values = np.array([3.1, 4.4, 5.6, 8.0, 9.1, 12.5])
    mine, reference = fit_curve(F, column(values), degree), Polynomial.fit(F, values, degree)
    for f in (4.0, 7.3, 11.0):
        assert mine.at(f)[0] == pytest.approx(reference(f), rel=1e-12)


@pytest.mark.parametrize("coefficients", [(1.0, 2.0, 0.1), (40.0, -3.0, 0.05), (1.0, 2.0, -0.05), (1.0, 2.0, 0.0)])
def test_the_level_is_met_on_the_branch_of_the_runs(coefficients):
    truth = Polynomial(coefficients)
    curve = fit_curve(F, column(truth(F)), 2)
    assert curve.is_steady
    level = float(truth(7.7))
    assert curve.frequency_at(level)[0] == pytest.approx(7.7, rel=1e-9)
    assert not curve.misses(level)


def test_a_level_that_most_draws_never_reach_is_owned_up_to():
    steep = Curve(4.0, 10.0, np.array([[10.0, 10.0, 10.0], [5.0, 5.0, -5.0]]))
    assert steep.misses(12.0)  # one draw of two falls where the runs rise
    assert np.isfinite(steep.frequency_at(12.0)).all()
    turned = Curve(4.0, 10.0, np.array([[10.0] * 3, [5.0] * 3, [-2.0] * 3]))
    assert turned.misses(20.0)


def test_a_parabola_only_where_the_scatter_cannot_explain_the_bend():
    bend = 0.05 * (F - 7.5) ** 2
    assert power_degree(F, (2 * F + bend,), np.full(6, 0.01)) == 2
    assert power_degree(F, (2 * F + bend,), np.full(6, 2.0)) == 1
    assert power_degree(F, (2 * F,), np.full(6, 0.01)) == 1
    turning = -((F - 7.5) ** 2)
    assert power_degree(F, (turning,), np.full(6, 0.01)) == 1  # two answers for one level


def test_drop_bends_only_if_that_pays():
    noise = 0.1 * np.array([1, -1, 1, -1, 1, -1])
    assert drop_degree(F, 3 * F + 0.2 * F**2 + noise) == 2
    assert drop_degree(F[:4], 3 * F[:4] + 0.2 * F[:4] ** 2) == 1  # too few to see scatter about a parabola


def test_repeats_count_once():
    assert different(np.array([4.0, 4.01, 4.0, 7.0, 7.03])) == 2


def test_scatter_of_a_line_as_least_squares_theory_has_it():
    """Standard error at the centre of n readings about a line: s/sqrt(n) (JCGM 100:2008, H.3.3; from memory).

    Student's t with n - 2 degrees of freedom has variance dof/(dof - 2) (JCGM 101:2008, 6.4.9; from memory).
    """
    f = np.linspace(4, 11, 12)
    readings = 3 * f + np.random.default_rng(2).normal(0, 0.5, 12)
    draws = with_scatter(f, np.repeat(column(readings), 20_001, axis=1), 1, np.random.default_rng(4))
    line = np.polynomial.polynomial.polyfit(f, readings, 1)
    s = np.sqrt(np.sum((readings - np.polynomial.polynomial.polyval(f, line)) ** 2) / 10)
    at_centre = fit_curve(f, draws, 1).at(f.mean())
    assert at_centre[0] == pytest.approx(readings.mean())
    assert at_centre[1:].std() == pytest.approx(s / np.sqrt(12) * np.sqrt(10 / 8), rel=0.03)
