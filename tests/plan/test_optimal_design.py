"""Optimal designs against published ones, and against the theorem that proves them."""

import numpy as np
import pytest

from driveloss.errors import InputError
from driveloss.plan.optimal_design import apportion, v_optimal, variances

GRID = np.linspace(-1, 1, 41)


def quadratic(x):
    return np.vander(x, 3, increasing=True)


def design(rows, targets):
    """Shares of one reading, nothing being fixed, by place on GRID; neighbours are put together."""
    weights = v_optimal(rows, targets, 1.0, np.empty((0, rows.shape[1])), 1e-4)
    support = np.flatnonzero(weights > 1e-9)
    groups = np.split(support, np.flatnonzero(np.diff(GRID[support]) > 0.08) + 1)
    return {round(float(GRID[g] @ weights[g] / weights[g].sum()), 2): weights[g].sum() for g in groups}


class TestPublished:
    def test_v_optimal_quadratic(self):
        """Least mean variance over [-1, 1]: 1/4, 1/2, 1/4 at -1, 0, 1 (Fedorov 1972; from memory)."""
        points = design(quadratic(GRID), quadratic(np.linspace(-1, 1, 2001)))
        assert sorted(points) == [-1.0, 0.0, 1.0]
        assert list(points.values()) == pytest.approx([0.25, 0.5, 0.25], abs=3e-3)

    def test_extrapolation_from_a_straight_line(self):
        """To predict at z > 1 from a line on [-1, 1]: (z + 1)/(2 z) of the readings at 1 (Hoel & Levine 1964)."""
        points = design(np.vander(GRID, 2, increasing=True), np.array([[1.0, 2.0]]))
        assert points[1.0] == pytest.approx(0.75, abs=2e-3)
        assert points[-1.0] == pytest.approx(0.25, abs=2e-3)


@pytest.mark.parametrize("seed", range(5))
def test_no_move_of_a_little_weight_helps_the_targets(seed):
    """The equivalence theorem (Fedorov 1972; from memory): a design is optimal if and only if none does."""
    rng = np.random.default_rng(seed)
    rows, fixed, targets = (rng.standard_normal((n, 4)) for n in (50, 5, 3))
    weights = v_optimal(rows, targets, 20.0, fixed, 1e-4)
    everything = np.vstack([rows, fixed])

    def mean_variance(weights):
        return variances(everything, np.concatenate([20.0 * weights, np.ones(5)]), targets).mean()

    best = mean_variance(weights)
    for candidate in np.eye(50):
        assert mean_variance(0.99 * weights + 0.01 * candidate) >= best * (1 - 1e-5)
    assert mean_variance(np.full(50, 0.02)) > 1.05 * best


class TestApportionment:
    @pytest.mark.parametrize("total", range(3, 40))
    def test_adds_up_and_leaves_nobody_out(self, total):
        weights = np.array([0.62, 0.33, 0.05])
        counts = apportion(weights, total)
        assert counts.sum() == total
        assert counts.min() >= 1

    def test_is_as_efficient_as_any_other_rounding(self):
        """Efficient apportionment maximises the least of count/weight (Pukelsheim & Rieder 1992): tried all."""
        weights = np.array([0.45, 0.3, 0.15, 0.1])
        for total in range(4, 15):
            least = min(apportion(weights, total) / weights)
            others = [
                (a, b, c, total - a - b - c)
                for a in range(1, total)
                for b in range(1, total - a)
                for c in range(1, total - a - b)
            ]
            assert least == pytest.approx(max(min(np.array(o) / weights) for o in others if min(o) > 0))

    def test_too_few(self):
        with pytest.raises(InputError, match="2 readings cannot be shared among 3"):
            apportion(np.ones(3) / 3, 2)


def test_coefficients_that_cannot_be_told_apart_are_refused():
    rows = np.column_stack([GRID, 2 * GRID])
    with pytest.raises(InputError, match="tell all coefficients apart"):
        design(rows, rows)
