"""Many non-negative fits at once against SciPy's one-at-a-time solver, and the awkward designs."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from scipy.optimize import lsq_linear, nnls

from driveloss.fit import least_squares
from driveloss.fit.family import t_interval, without_itself
from driveloss.fit.least_squares import curve_fit, linear_fit, nonnegative


@settings(max_examples=60, deadline=None, derandomize=True)
@given(seed=st.integers(0, 10**6), n=st.integers(3, 25), k=st.integers(1, 8), bias=st.floats(-1, 1))
def test_nonnegative_equals_scipy(seed, n, k, bias):
    """Columns as unequal as watts per unit of a torque and of a drag; more columns than readings included.

    The problems are alike, as draws are: so many have the same columns in use.
    """
    rng = np.random.default_rng(seed)
    design = rng.uniform(0, 1, (n, k)) * 10.0 ** rng.integers(-3, 4, k)
    readings = rng.standard_normal((n, 1)) + bias + 0.3 * rng.standard_normal((n, 40))
    found = nonnegative(design, readings)
    assert found.shape == (k, 40)
    assert (found >= 0).all()
    for j in range(40):
        best = nnls(design, readings[:, j])[1]
        assert np.linalg.norm(design @ found[:, j] - readings[:, j]) == pytest.approx(best, rel=1e-9, abs=1e-12)


def test_nonnegative_recovers_what_made_the_readings():
    design = np.column_stack([np.arange(1.0, 7), np.arange(1.0, 7) ** 2])
    truth = np.array([[2.0, 0.0, 3.0], [0.1, 0.5, 0.0]])
    assert nonnegative(design, design @ truth) == pytest.approx(truth, abs=1e-12)


def test_nonnegative_where_laws_cannot_be_told_apart():
    """All laws of speed look alike at one frequency: their sum is found, none is negative."""
    design = np.tile([2.0, 4.0, 8.0], (5, 1))
    found = nonnegative(design, np.full((5, 1), 10.0))
    assert (found >= 0).all()
    assert (design @ found)[:, 0] == pytest.approx(10.0)


def test_weights_count_as_repeats():
    """A reading with half the standard deviation counts as four readings (any textbook of least squares)."""
    design, y = np.column_stack([np.ones(4), np.arange(4.0)]), np.array([1.0, 2.2, 2.9, 4.3])
    weighted = linear_fit(design, y, np.array([1.0, 0.5, 1.0, 1.0]))
    index = [0, 1, 1, 1, 1, 2, 3]
    assert weighted.coefficients == pytest.approx(linear_fit(design[index], y[index]).coefficients, rel=1e-12)


def test_no_spare_readings_no_error_bars():
    fit = linear_fit(np.column_stack([np.ones(2), [1.0, 2.0]]), np.array([3.0, 5.0]))
    assert fit.coefficients == pytest.approx([1.0, 2.0])
    assert fit.dof == 0
    assert np.isnan(fit.errors).all()


@pytest.mark.parametrize("n", [3, 6])  # with one reading to spare, and with several
def test_curve_fit_equals_linear_fit_on_a_line(n):
    x, y = np.arange(6.0)[:n], np.array([0.1, 1.9, 4.2, 5.8, 8.1, 9.7])[:n]
    sigma = np.linspace(1, 2, 6)[:n]
    curve = curve_fit(lambda p: p["a"] + p["b"] * x, {"a": 1.0, "b": 1.0}, y, sigma)
    line = linear_fit(np.column_stack([np.ones(n), x]), y, sigma)
    assert curve.coefficients == pytest.approx(line.coefficients, rel=1e-9)
    assert curve.errors == pytest.approx(line.errors, rel=1e-7)
    assert curve.residual_sd == pytest.approx(line.residual_sd, rel=1e-9)


@pytest.mark.parametrize(("bounds", "at"), [((3.0, 9.0), 3.0), ((-9.0, 1.0), 1.0)])
def test_a_slope_at_either_bound_has_no_errors(bounds, at):
    x = np.arange(6.0)
    fit = curve_fit(lambda p: p["a"] + p["b"] * x, {"a": 0.0, "b": sum(bounds) / 2}, 1 + 2 * x, None, {"b": bounds})
    assert fit.coefficients[1] == pytest.approx(at, abs=1e-4)
    assert not fit.converged
    assert np.isnan(fit.errors).all()


def test_leave_one_out_by_leaving_one_out():
    """The closed form against as many fits as there are readings; NumPy solves."""
    rng = np.random.default_rng(12)
    x, sigma = np.linspace(1, 3, 7), np.linspace(0.5, 2, 7)
    design, y = np.column_stack([x, x**2]), 2 * x + 0.3 * x**2 + rng.standard_normal(7)
    weighted = design / sigma[:, None]

    def left_over(rows):
        return y - design @ np.linalg.lstsq(weighted[rows], (y / sigma)[rows], rcond=None)[0]

    errors = [left_over(np.arange(7) != i)[i] for i in range(7)]
    assert without_itself(weighted, left_over(np.full(7, True))) == pytest.approx(errors, rel=1e-9)


@pytest.mark.parametrize("dof", [1, 2, 30])
def test_intervals_of_few_readings_are_students(dof):
    found = t_interval(3.0, 0.1, dof)
    assert (found.low, found.high) == pytest.approx(stats.t.interval(0.95, dof, 3.0, 0.1), rel=1e-9)
    assert t_interval(3.0, 5.0, dof, 0.0).low == 0.0


def test_without_a_spare_reading_an_interval_has_no_ends():
    assert (t_interval(3.0, 0.1, 0).low, t_interval(3.0, 0.1, 0).high) == (-np.inf, np.inf)


@pytest.mark.parametrize("seed", range(6))
def test_nothing_is_left_to_gain_from_alike_laws(seed):
    """The Kuhn-Tucker conditions of Lawson & Hanson's problem, which SciPy 1.15 missed by 1e-4 now and then."""
    rng = np.random.default_rng(seed)
    for _ in range(500):
        k = int(rng.integers(2, 14))
        at = np.sort(rng.uniform(0.3, 1.0, k + 6))
        design = np.linalg.qr(at[:, None] ** np.linspace(0, 3, k))[1] if seed % 2 else rng.standard_normal((k + 6, k))
        design = design / np.linalg.norm(design, axis=0)
        readings = design @ np.maximum(rng.standard_normal(k), 0) + 0.1 * rng.standard_normal(len(design))
        found, norm = least_squares.nnls(design, readings)
        gain = design.T @ (readings - design @ found) / np.linalg.norm(readings)
        assert (found >= 0).all()
        assert gain.max() < 1e-12
        assert gain[found > 0] == pytest.approx(0.0, abs=1e-12)
        assert norm == pytest.approx(np.linalg.norm(readings - design @ found), rel=1e-6, abs=1e-12)


@pytest.mark.parametrize("seed", range(3))
def test_another_solver_stands_in_where_the_active_sets_do_not_end(seed, monkeypatch):
    """One exchange allowed: the bounded fit finds the same minimum."""
    rng = np.random.default_rng(seed)
    design = rng.uniform(0, 1, (12, 5))
    readings = design @ [1.0, 0.0, 2.0, 0.0, 0.5] + 0.3 * rng.standard_normal(12)
    values, norm = nnls(design, readings)
    tried = []
    monkeypatch.setattr("scipy.optimize.nnls", lambda *a, maxiter: nnls(*a, maxiter=1))
    monkeypatch.setattr("scipy.optimize.lsq_linear", lambda *a, **k: tried.append(1) or lsq_linear(*a, **k))
    found, left = least_squares.nnls(design, readings)
    assert tried
    assert found == pytest.approx(values, abs=1e-9)
    assert left == pytest.approx(norm, rel=1e-12)


@pytest.mark.parametrize("shape", [(3, 0), (0, 3), (0, 0)])
def test_a_problem_without_columns_or_readings_has_an_answer(shape):
    found, left = least_squares.nnls(np.zeros(shape), np.full(shape[0], 2.0))
    assert found.tolist() == [0.0] * shape[1]
    assert left == pytest.approx(2.0 * shape[0] ** 0.5)
