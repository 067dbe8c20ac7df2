"""Whole sweeps of one rung that are off from one another: how far, and what that does to a fit."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from driveloss.fit.readings import Readings
from driveloss.fit.sweeps import Spread, between_sweeps

UP = np.linspace(4.0, 12.0, 7)
UP_AND_DOWN = np.concatenate([UP, UP[::-1]])
SCATTER = 0.02  # [W]


def drive(f):
    return 0.4 * f + 0.02 * f**2


def step(f):
    """What the piston adds. [W]"""
    return 0.5 * f


def bench(files, rng, frequencies=UP_AND_DOWN):
    """Readings of a drive, read once, and of no-load sweeps: file to the share by which its step is off."""
    n = len(frequencies)
    shares = np.repeat([0.0, *files.values()], n)
    f = np.tile(frequencies, 1 + len(files))
    of_piston = np.repeat([0.0] + [1.0] * len(files), n)
    power = drive(f) + of_piston * step(f) * (1 + shares) + SCATTER * rng.standard_normal(len(f))
    columns = {name: np.full(len(f), np.nan) for name in Readings.__dataclass_fields__}
    columns |= {
        "frequency": f,
        "power": power,
        "mean_pressure": np.full(len(f), 1e5),
        "resolution": np.full(len(f), 1e-3),
    }
    columns |= {
        "file": np.repeat(["drive.csv", *files], n),
        "stage": np.where(of_piston > 0, "no-load", "piston-disconnected"),
        "cylinder": np.where(of_piston > 0, "one", ""),
    }
    return Readings(**columns)


def found(files, seed, **choices):
    readings = bench(files, np.random.default_rng(seed), **choices)
    return between_sweeps(readings, readings.power)


def test_one_file_in_each_rung_tells_nothing():
    sweeps = found({"a.csv": 0.3}, 1)
    assert sweeps.departures == sweeps.spreads == ()
    assert not sweeps.draws(np.random.default_rng(1), 20).any()
    sigma = np.linspace(1, 2, len(sweeps.step))
    assert np.array_equal(sweeps.whitened(sweeps.step, sigma), sweeps.step / sigma)


def test_files_without_a_common_frequency_tell_nothing():
    readings = bench({"a.csv": 0.0, "b.csv": 0.2}, np.random.default_rng(2))
    slow = np.where(readings.file == "a.csv", readings.frequency < 8, readings.frequency > 8)
    readings = readings.only(slow | (readings.file == "drive.csv"))
    assert between_sweeps(readings, readings.power).spreads == ()


def test_the_size_of_a_departure():
    """b lies 10 % of the step of 0.5 f above a: 0.4 W at the mean frequency of 8 Hz."""
    inside = 0
    for seed in range(40):
        (departure,) = found({"a.csv": 0.0, "b.csv": 0.1}, [3, seed]).departures
        assert (departure.file, departure.others) == ("b.csv", ("a.csv",))
        inside += abs(departure.watts - 0.1 * step(8.0)) <= departure.half_width
    assert stats.binom.cdf(inside, 40, 0.95) > 0.005


def test_of_three_files_the_odd_one_is_named():
    for seed in range(10):
        (departure,) = found({"a.csv": 0.0, "b.csv": -0.1, "c.csv": 0.0}, [4, seed]).departures
        assert (departure.file, departure.others) == ("b.csv", ("a.csv", "c.csv"))


@pytest.mark.parametrize("benches", [100, pytest.param(400, marks=pytest.mark.long)])
@pytest.mark.parametrize("count", [2, 3])
def test_false_alarms(count, benches):
    """Nominal chance of 1 % for the bench; four standard errors of so many benches more."""
    names = [f"{number}.csv" for number in range(count)]
    alarms = sum(bool(found(dict.fromkeys(names, 0.0), [5, seed]).departures) for seed in range(benches))
    assert alarms <= benches * (0.01 + 4 * np.sqrt(0.01 / benches))


def test_the_variance_between_sweeps():
    """Ten files off by a normal 5 %: the moment estimate is near the sample variance (NumPy's) of those shares."""
    rng = np.random.default_rng(6)
    for seed in range(20):
        shares = 0.05 * rng.standard_normal(10)
        (spread,) = found({f"{i}.csv": share for i, share in enumerate(shares)}, [6, seed]).spreads
        assert spread.variance == pytest.approx(np.var(shares, ddof=1), rel=0.15)
        assert spread.count == 9


@pytest.mark.parametrize("count", [1, 2, 5])
def test_far_apart_a_sweep_is_off_by_students_t(count):
    """Normal deviates times the drawn deviation: SciPy's t with a degree of freedom for each offset, two at least."""
    spread, rng = Spread(np.arange(3), square=1e4 * count, count=count, lever=4.0), np.random.default_rng(7)
    drawn = spread.drawn(rng, 4000) * rng.standard_normal(4000)
    dof = max(count, 2)
    scale = np.sqrt(1e4 * count / dof / 4.0)
    assert stats.kstest(drawn / scale, stats.t(dof).cdf).pvalue > 0.01


def test_sweeps_that_agree_as_chance_lets_them_add_nothing():
    rng = np.random.default_rng(8)
    assert not Spread(np.arange(3), square=0.99, count=1, lever=4.0).drawn(rng, 100).any()


def test_whitened_least_squares_are_generalised_ones():
    """NumPy: inverse of the full covariance, each file's readings sharing an offset."""
    rng = np.random.default_rng(9)
    sweeps = found({"a.csv": 0.0, "b.csv": 0.1}, 9)
    n = len(sweeps.step)
    sigma, design, power = rng.uniform(1, 2, n), rng.standard_normal((n, 3)), rng.standard_normal(n)
    covariance = np.diag(sigma**2)
    for unit in np.unique(sweeps.unit):
        z = np.where(sweeps.unit == unit, sweeps.step, 0.0)
        variance = sweeps.pull[sweeps.unit == unit][0] / np.sum((z / sigma) ** 2)
        covariance += variance * np.outer(z, z)
    inverse = np.linalg.inv(covariance)
    expected = np.linalg.solve(design.T @ inverse @ design, design.T @ inverse @ power)
    best = np.linalg.lstsq(sweeps.whitened(design, sigma), sweeps.whitened(power, sigma), rcond=None)[0]
    assert best == pytest.approx(expected, rel=1e-9)
    assert sweeps.pull.max() > 10


def test_readings_of_a_file_are_off_together():
    sweeps = found({"a.csv": 0.0, "b.csv": 0.1}, 10)
    drawn = sweeps.draws(np.random.default_rng(10), 500)
    assert not drawn[:, 0].any()
    assert not drawn[:14].any()  # of the drive nothing is told
    relative = drawn[14:] / sweeps.step[14:, None]
    assert np.ptp(relative[:14], axis=0) == pytest.approx(np.zeros(500), abs=1e-12)
    assert abs(np.corrcoef(*np.sign(relative[[0, 14], 1:]))[0, 1]) < 0.2


def test_the_drawn_spread_follows_the_files():
    """Twice as far apart, twice as wide: the middle of all draws, far beyond chance."""
    near, far = (found({"a.csv": 0.0, "b.csv": by}, 11) for by in (0.1, 0.2))
    widths = [np.median(abs(s.draws(np.random.default_rng(11), 4000)[14:])) for s in (near, far)]
    assert widths[1] / widths[0] == pytest.approx(2, rel=0.05)


def test_cylinders_are_pooled():
    """A second cylinder's two files, which agree, about halve the variance: each rung counts by its own scatter."""
    readings = bench({"a.csv": -0.05, "b.csv": 0.05, "c.csv": 0.0, "d.csv": 0.0}, np.random.default_rng(12))
    other = np.isin(readings.file, ["c.csv", "d.csv"])
    readings = replace(readings, cylinder=np.where(other, "two", readings.cylinder))
    (both,) = between_sweeps(readings, readings.power).spreads
    (alone,) = between_sweeps(readings.only(~other), readings.power[~other]).spreads
    assert both.variance == pytest.approx(alone.variance / 2, rel=0.35)
    assert (alone.count, both.count) == (1, 2)
