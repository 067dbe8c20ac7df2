"""Scatter of single readings: how it grows, what repeats tell, and the F test for lack of fit."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from driveloss.fit.ladder import build_ladder
from driveloss.fit.least_squares import linear_fit
from driveloss.fit.meters import Sampler
from driveloss.fit.scatter import (
    PRIOR,
    SHARES,
    Pattern,
    choose_pattern,
    draw_scatter,
    growth_badness,
    lack_of_fit,
    least_size,
    repeat_groups,
)
from fit.benches import Sheet, write_bench

POWER = np.geomspace(5.0, 500.0, 200)


@pytest.mark.parametrize("share", SHARES)
def test_pattern_is_recognised(share):
    """Residuals drawn from each pattern: on average about the same is found."""
    rng = np.random.default_rng(3)
    sigma = Pattern(share, 50.0)(POWER)
    found = [choose_pattern(POWER, sigma * rng.standard_normal(POWER.size)).share for _ in range(20)]
    assert np.mean(found) == pytest.approx(share, abs=0.05 + 0.2 * share)


def test_pattern_joins_a_floor_and_a_fraction_in_squares():
    """As a data sheet gives it: 0.03 W and 0.4 % of the reading."""
    share = (0.004 * 10) ** 2 / (0.03**2 + (0.004 * 10) ** 2)
    power = np.array([0.0, 10.0, 80.0])
    assert Pattern(share, 10.0)(power) * 0.05 == pytest.approx(np.hypot(0.03, 0.004 * power), rel=1e-12)
    assert Pattern(1.0, 100.0)(np.array([0.0]))[0] > 0  # a reading of zero still weighs something


def test_pattern_without_any_residual_is_still_a_pattern():
    assert 0 <= choose_pattern(POWER, np.zeros(POWER.size)).share <= 1


def test_badness_is_a_normal_likelihood():
    """Minus twice SciPy's log-density of the residuals, at the size that suits them best; up to a constant."""
    residuals = 0.05 * POWER**0.6 * np.random.default_rng(5).standard_normal(POWER.size)
    gaps = []
    for pattern in (Pattern(share, 50.0) for share in SHARES):
        size = np.sqrt(np.mean((residuals / pattern(POWER)) ** 2))
        likelihood = stats.norm.logpdf(residuals, scale=size * pattern(POWER)).sum()
        gaps.append(growth_badness(pattern, POWER, residuals) + 2 * likelihood)
    assert gaps == pytest.approx([gaps[0]] * len(gaps), abs=1e-9)


def test_growth_is_drawn_by_its_likelihood_with_the_loaded_repeats(tmp_path):
    """Prior times SciPy's normal densities of the residuals and of what each loaded sweep's course leaves open.

    Three pairs about a parabola, which meets any three means: the differences within the pairs are all that is left,
    and the restricted likelihood is their density.
    """
    low, high = np.array([[90.0, 91.5], [120.0, 118.0], [150.0, 152.5]]).T
    rows = [(f, p) for f, pair in zip((6.0, 8.0, 10.0), zip(low, high, strict=True), strict=True) for p in pair]
    sheets = [Sheet(s, "frequency [Hz],power [W]", rows) for s in ("piston-disconnected", "no-load")]
    sheets.append(Sheet("loaded", sheets[0].header, rows, 'mean_pressure = "1 bar"'))
    bench = write_bench(tmp_path, '[motor]\nsupply = "terminals"', sheets)
    power = np.linspace(8.0, 14.0, 12)
    residuals = np.resize([0.3, -0.2, 0.25, -0.3, 0.2], 12) * (power / 10) ** 0.3
    expected = []
    for share, prior in zip(SHARES, PRIOR, strict=True):
        pattern = Pattern(share, 10.0)
        size = np.sqrt(np.mean((residuals / pattern(power)) ** 2))
        ladder = stats.norm.logpdf(residuals, scale=size * pattern(power)).sum()
        spread = size * np.hypot(pattern(low), pattern(high))
        pairs = stats.norm.logpdf(high - low, scale=spread).sum()
        expected.append(prior * np.exp(ladder + pairs))
    whole = build_ladder(bench)
    whole = replace(whole, readings=replace(whole.readings, power=power))
    stated = Sampler(1, 1).meters(bench.rig).as_stated()
    found = draw_scatter(Pattern(0.5, 10.0), whole, residuals, np.ones(20001), np.random.default_rng(6), stated)
    drawn = [np.mean(found.share == share) for share in SHARES]
    assert drawn == pytest.approx(np.array(expected) / np.sum(expected), abs=0.015)


class TestLackOfFit:
    """Pure error from repeats against the misfit of a straight line, computed here by SciPy from the group means."""

    x = np.repeat(np.arange(1.0, 7), 3)
    groups = np.repeat(np.arange(6), 3)

    def p_of_line(self, y):
        fit = linear_fit(np.column_stack([np.ones(18), self.x]), y)
        residuals = y - fit.coefficients[0] - fit.coefficients[1] * self.x
        return lack_of_fit(residuals, self.groups, 2, np.zeros(18)), residuals

    def test_against_scipy(self):
        y = 2 + self.x + 0.05 * self.x**2 + 0.3 * np.random.default_rng(1).standard_normal(18)
        found, residuals = self.p_of_line(y)
        pure = sum(np.var(y[self.groups == g]) * 3 for g in range(6))
        misfit = np.sum(residuals**2) - pure
        expected = stats.f.sf((misfit / 4) / (pure / 12), 4, 12)
        assert found.p_value == pytest.approx(expected, rel=1e-6)
        assert found.pure_sd == pytest.approx(np.sqrt(pure / 12), rel=1e-9)
        assert found.pure_dof == 12

    def test_one_repeat_is_enough(self):
        x, groups = np.array([1.0, 2.0, 2.0, 3.0, 4.0, 5.0]), np.array([0, 1, 1, 2, 3, 4])
        y = np.array([1.2, 1.9, 2.1, 3.4, 3.6, 5.3])
        line = stats.linregress(x, y)
        residuals = y - line.intercept - line.slope * x
        misfit = np.sum(residuals**2) - 0.02  # of the pair: 2 * 0.1^2
        found = lack_of_fit(residuals, groups, 2, np.zeros(6))
        assert found.p_value == pytest.approx(stats.f.sf((misfit / 3) / 0.02, 3, 1), rel=1e-6)

    def test_a_bent_curve_is_found_out(self):
        y = self.x**2 + 0.3 * np.random.default_rng(2).standard_normal(18)
        assert self.p_of_line(y)[0].p_value < 1e-4

    def test_true_lines_are_seldom_blamed(self):
        """The p value of a true model is even between 0 and 1."""
        rng = np.random.default_rng(4)
        p = [self.p_of_line(2 + self.x + rng.standard_normal(18))[0].p_value for _ in range(300)]
        assert stats.kstest(p, "uniform").pvalue > 0.01

    @pytest.mark.parametrize("lines", [750, pytest.param(3000, marks=pytest.mark.long)])
    @pytest.mark.parametrize("scatter", [0.0, 0.05, 0.1, 0.2, 0.4, 1.0])  # of the last digit
    def test_the_last_digit_is_seldom_blamed(self, scatter, lines):
        """A true line read to whole digits: by chance 1 % of such have p < 0.01, binomial limits at 4 sigma.

        Repeats that scatter by much less than a digit are all read alike, so that they show no scatter at all.
        """
        rng, alarms = np.random.default_rng(7), 0
        for _ in range(lines):
            y = np.round(rng.uniform(0, 1) + 2.37 * self.x + scatter * rng.standard_normal(18))
            slope, level = np.polyfit(self.x, y, 1)
            found = lack_of_fit(y - level - slope * self.x, self.groups, 2, np.ones(18))
            alarms += found.p_value < 0.01
        assert alarms < lines * (0.01 + 4 * np.sqrt(0.01 / lines))

    def test_nothing_to_say_without_repeats(self):
        assert lack_of_fit(np.array([0.1, -0.1, 0.0]), np.arange(3), 1, np.zeros(3)) is None

    def test_nothing_to_say_without_spare_groups(self):
        assert lack_of_fit(np.array([0.1, -0.1, 0.2, -0.2]), np.array([0, 0, 1, 1]), 2, np.zeros(4)) is None


@pytest.fixture
def readings(tmp_path):
    """Two passes of a drive (5.00 and 5.02, 8.00 and 8.07 Hz are within 1 %), and one no-load sweep."""
    header = "frequency [Hz],power [W]"
    drive = [("5.00", "10.0"), ("8.00", "17.0"), ("8.07", "17.2"), ("5.02", "10.1")]
    piston = [("5.00", "14.0"), ("8.00", "23.0"), ("5.01", "14.1")]
    sheets = [Sheet("piston-disconnected", header, drive), Sheet("no-load", header, piston)]
    return build_ladder(write_bench(tmp_path, '[motor]\nsupply = "terminals"', sheets)).readings


def test_repeats_are_found_within_a_rung_only(readings):
    groups = repeat_groups(readings).tolist()
    assert groups[0] == groups[3] and groups[1] == groups[2]
    assert groups[4] == groups[6]
    assert len({groups[0], groups[1], groups[4], groups[5]}) == 4


def test_the_last_digit_scatters_by_itself(readings):
    """0.1 W resolution: 0.1/sqrt(12) W (JCGM 100:2008, F.2.2.1)."""
    assert least_size(readings, Pattern(0.0, 15.0)) == pytest.approx(0.1 / np.sqrt(12), rel=1e-12)
