"""Optimal designs against published ones, and against the theorem that proves them."""

import numpy as np
import pytest

from driveloss.errors import InputError
from driveloss.plan.optimal_design import Candidates

GRID = np.linspace(-1, 1, 41)


def quadratic(x):
    return np.vander(x, 3, increasing=True)


def candidates(rows, targets, alike=0.0):
    return Candidates(rows, targets, np.full(len(rows), alike), np.ones(len(rows)))


def spread_evenly(places, number):
    """So many single readings, evenly over the places."""
    counts = np.zeros(places, dtype=int)
    counts[np.linspace(0, places - 1, number).astype(int)] = 1
    return counts


def grown(problem, start, readings):
    return next(counts for counts in problem.growing(start) if counts.sum() == readings)


def design(rows, targets, readings=1000):
    """Shares of the readings by place on GRID."""
    problem = candidates(rows, targets)
    counts = grown(problem, spread_evenly(len(rows), rows.shape[1]), readings)
    found = problem.exchanged(counts, 0 * counts, worth=1e-9)
    return {round(float(GRID[i]), 2): found[i] / readings for i in np.flatnonzero(found)}


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
def test_moving_a_reading_helps_nowhere(seed):
    """The equivalence theorem (Fedorov 1972; from memory): a design is optimal if and only if no move helps."""
    rng = np.random.default_rng(seed)
    problem = candidates(rng.standard_normal((50, 4)), rng.standard_normal((3, 4)), alike=rng.uniform(0, 0.5))
    least = spread_evenly(50, 5)
    counts = problem.exchanged(grown(problem, least, 30), least, worth=1e-9)
    best = problem.variances(counts).sum()
    assert counts.sum() == 30 and np.all(counts >= least)
    for i in np.flatnonzero(counts > least):
        for j in set(range(50)) - {i}:
            moved = counts.copy()
            moved[[i, j]] += (-1, 1)
            assert problem.variances(moved).sum() >= best * (1 - 1e-8)
    assert problem.variances(spread_evenly(50, 30)).sum() > 1.05 * best


class TestReadingsThatErrAlike:
    """With a common error of variance a and own ones of 1 - a, a mean has a + (1 - a)/n (JCGM 100:2008, F.1.2.3)."""

    @pytest.mark.parametrize("alike", [0.0, 0.3, 1.0])
    def test_repeats_are_worth_less(self, alike):
        problem = candidates(np.eye(1), np.eye(1), alike)
        for n in (1, 2, 10, 200):
            assert problem.variances(np.array([n]))[0] == pytest.approx(alike + (1 - alike) / n)

    def test_settings_close_by_err_apart(self):
        problem = Candidates(np.eye(1), np.eye(1), np.array([0.8]), np.array([5.0]))
        for n, variance in ((1, 1.0), (5, 1 / 5), (50, 0.8 / 5 + 0.2 / 50)):
            assert problem.variances(np.array([n]))[0] == pytest.approx(variance)

    def test_the_design_spreads_over_more_settings(self):
        numbers = []
        for alike in (0.0, 0.5, 0.9):
            problem = candidates(quadratic(GRID), quadratic(np.array([0.0, 0.5])), alike)
            counts = problem.exchanged(grown(problem, spread_evenly(41, 3), 60), spread_evenly(41, 3))
            numbers.append(np.count_nonzero(counts))
        assert numbers[0] <= 6 < numbers[1] < numbers[2]


def test_coefficients_that_cannot_be_told_apart_are_refused():
    rows = np.column_stack([GRID, 2 * GRID])
    with pytest.raises(InputError, match="tell all coefficients apart"):
        design(rows, rows)
