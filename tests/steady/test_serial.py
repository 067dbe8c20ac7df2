"""Readings of which each resembles the one before: how many they are worth, and whether they drift."""

from functools import cache

import numpy as np
import pytest
from simulate.log import alike

from driveloss.steady.equivalence import equivalence, variance_ratio
from driveloss.steady.serial import effective_number, quadratic, trend

LENGTH, SCATTER = 400, 0.1


def correlation_matrix(n, rho):
    return rho ** np.abs(np.subtract.outer(np.arange(n), np.arange(n)))


@pytest.mark.parametrize("rho", [0.0, 0.3, 0.8, 0.95])
def test_the_effective_number_is_that_of_the_whole_correlation_matrix(rho):
    """Independent: the variance of a mean is the sum of all covariances over n squared, summed one by one."""
    n = 60
    assert effective_number(n, rho) == pytest.approx(n**2 / correlation_matrix(n, rho).sum(), rel=1e-9)


def test_a_long_series_is_worth_what_the_textbook_says():
    """n (1 - rho)/(1 + rho): Bartlett (1935), in the limit of a long series; from memory."""
    assert effective_number(10**6, 0.6) == pytest.approx(10**6 * 0.4 / 1.6, rel=1e-4)


def test_any_weighted_sum_has_the_variance_of_the_whole_matrix():
    weights = np.random.default_rng(1).standard_normal(40)
    assert quadratic(weights, 0.7) == pytest.approx(weights @ correlation_matrix(40, 0.7) @ weights)


@cache
def many(rho):
    rng = np.random.default_rng(2)
    return [trend(20.0 + SCATTER * alike(LENGTH, rho, rng)) for _ in range(400)]


@pytest.mark.parametrize("rho", [0.0, 0.5, 0.9])
def test_errors_are_what_means_and_drifts_of_made_series_scatter_by(rho):
    found = many(rho)
    for value, error in (("mean", "mean_error"), ("change", "change_error")):
        real = np.std([getattr(line, value) for line in found])
        assert np.sqrt(np.mean([getattr(line, error) ** 2 for line in found])) == pytest.approx(real, rel=0.15)


@pytest.mark.parametrize("rho", [0.0, 0.5, 0.9])
def test_the_correlation_itself_is_found_without_bias(rho):
    assert np.mean([line.correlation for line in many(rho)]) == pytest.approx(rho, abs=0.03)


def test_a_slow_wander_that_neighbours_do_not_show_is_seen_by_blocks():
    """White noise over a slow one: the first lag alone would make the mean far too sure."""
    rng = np.random.default_rng(3)
    found = [trend(alike(2000, 0.0, rng) + 0.5 * alike(2000, 0.995, rng)) for _ in range(60)]
    real = np.std([line.mean for line in found])
    assert sum(line.wanders for line in found) > 30
    assert 0.5 * real < np.median([line.mean_error for line in found]) < 1.5 * real


def test_a_constant_reading_has_no_error_and_no_drift():
    line = trend(np.full(50, 3.25))
    assert (line.mean, line.mean_error, line.change, line.effective) == pytest.approx((3.25, 0.0, 0.0, 50.0))
    assert equivalence(line, 0.005).is_steady


@pytest.mark.parametrize("rho", [0.0, 0.5])
def test_a_drift_at_the_limit_is_called_steady_as_seldom_as_promised(rho):
    """Two one-sided tests at 5 %: of 400 series, 20 and at most 33 (three standard deviations)."""
    rng, line = np.random.default_rng(4), np.linspace(-0.5, 0.5, LENGTH)
    calls = [
        equivalence(trend(20.0 * (1 + 0.005 * line) + SCATTER * alike(LENGTH, rho, rng)), 0.005).is_steady
        for _ in range(400)
    ]
    assert sum(calls) <= 33


def test_the_ratio_of_variances_cannot_decide_where_readings_resemble_each_other():
    """Cao & Rhinehart's R, filters 0.2, 0.1, 0.1: about one for independent readings, beyond 1.5 in most cases at a
    correlation of 0.5 with nothing drifting (own simulation: 61 %)."""
    rng = np.random.default_rng(5)
    shares = {rho: np.mean([variance_ratio(alike(200, rho, rng))[-1] > 1.5 for _ in range(400)]) for rho in (0.0, 0.5)}
    assert shares[0.0] < 0.06
    assert shares[0.5] == pytest.approx(0.61, abs=0.08)
