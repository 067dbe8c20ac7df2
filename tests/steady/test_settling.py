"""Temperatures carried on to where they settle."""

import numpy as np
import pytest
from simulate.log import alike

from driveloss.fit.estimate import Estimate
from driveloss.physics.settling import three_readings
from driveloss.steady.settling import Curve, settle

MINUTE = 60.0


def curve(end, bodies, minutes, rng, noise=0.02, likeness=0.0, n=300):
    """bodies: time constant [min] to size [K]."""
    time = np.linspace(0.0, minutes * MINUTE, n)
    decay = sum(size * np.exp(-time / (tau * MINUTE)) for tau, size in bodies.items())
    return Curve(time, end + decay + noise * alike(n, likeness, rng))


def test_three_readings_settle_where_the_textbook_says():
    """Theraja, A Textbook of Electrical Technology, vol. III, Ex. 45.12: 30 then 40 at equal steps from 0: 45."""
    assert three_readings(0.0, 30.0, 40.0) == pytest.approx(45.0)


def test_three_readings_of_the_heating_curve():
    """Elements of Electric Drives, Ex. 46: 29.1, 46.7, 57.3 degC rise after 1, 2, 3 h; the book's graph: 74 degC, 2 h.

    The rule's 73.35 degC and 1.97 h are own reckoning from the book's readings.
    """
    assert three_readings(29.1, 46.7, 57.3) == pytest.approx(73.35, abs=0.01)
    assert 1 / np.log((46.7 - 29.1) / (57.3 - 46.7)) == pytest.approx(1.97, abs=0.005)


def test_the_heating_curve_as_a_whole():
    """The same book: 74 degC by its graph. All eight readings by SciPy's own least squares: the reference here."""
    from scipy.optimize import curve_fit

    hours = np.array([0, 0.2, 0.4, 0.6, 1, 1.5, 2, 3])
    rise = np.array([0, 7, 13.5, 19.3, 29.1, 39.1, 46.7, 57.3])
    fitted, _ = curve_fit(lambda t, end, size, tau: end + size * np.exp(-t / tau), hours, rise, (70, -70, 2))
    tau = 3600 * fitted[2]
    (found,) = settle([Curve(3600 * hours, 300 + rise)], Estimate(tau, 0.0, tau, tau))
    assert found.value.value - 300 == pytest.approx(fitted[0], abs=0.01)
    assert found.value.value - 300 == pytest.approx(74, abs=1.0)


@pytest.mark.parametrize("steps", [(0, 10, 30), (0, 10, 20), (0, 10, 5), (1, 1, 1)])
def test_steps_that_do_not_shrink_settle_nowhere(steps):
    assert np.isnan(three_readings(*map(float, steps)))


def test_one_body_is_found_with_an_interval_that_holds_it():
    rng = np.random.default_rng(1)
    found = [settle([curve(250.0, {5.0: 20.0}, 15.0, rng, 0.1, 0.7)])[0] for _ in range(25)]
    assert all(one.how == "extrapolated" for one in found)
    assert sum(one.value.low <= 250.0 <= one.value.high for one in found) >= 22
    assert np.median([one.time_constants[0] for one in found]) == pytest.approx(5 * MINUTE, rel=0.05)


def test_two_bodies_are_not_taken_for_one():
    """20 K to go in all, 12 K of it quickly: a single exponential would stop near the first body's end."""
    (found,) = settle([curve(250.0, {1.0: 12.0, 15.0: 8.0}, 45.0, np.random.default_rng(2), 0.05, 0.5)])
    assert found.time_constants == pytest.approx((MINUTE, 15 * MINUTE), rel=0.1)
    assert found.value.low <= 250.0 <= found.value.high
    assert found.value.half_width < 0.3


@pytest.mark.parametrize(
    ("bodies", "minutes"), [({12.5: 20.0}, 5.0), ({1.0: 12.0, 15.0: 8.0}, 10.0)], ids=["one body", "two bodies"]
)
def test_too_short_a_curve_gives_a_bound_and_no_number(bodies, minutes):
    """Five minutes at 12.5 min leave 13 K of 20 K undone."""
    (found,) = settle([curve(250.0, bodies, minutes, np.random.default_rng(3))])
    assert (found.value, found.how, found.side, found.wait) == (None, "not settled", "below", None)
    assert found.last > 250.0
    assert found.rate < 0


def test_a_short_curve_is_told_by_its_neighbours_time_constant():
    rng = np.random.default_rng(4)
    long, short = curve(250.0, {5.0: 20.0}, 25.0, rng), curve(240.0, {5.0: 15.0}, 4.0, rng)
    assert settle([short])[0].value is None
    told = settle([long, short])[1]
    assert told.how == "extrapolated"
    assert told.value.low <= 240.0 <= told.value.high
    assert told.wait == pytest.approx(5 * MINUTE * np.log(15.0 * np.exp(-4 / 5)), rel=0.05)


def test_a_stated_time_constant_serves_and_its_limit_is_in_the_interval():
    (exact,) = settle([curve(250.0, {12.5: 20.0}, 5.0, np.random.default_rng(5))], Estimate(750, 0, 750, 750))
    (rough,) = settle([curve(250.0, {12.5: 20.0}, 5.0, np.random.default_rng(5))], Estimate(750, 35, 690, 810))
    assert exact.value.low <= 250.0 <= exact.value.high
    assert rough.value.half_width > 5 * exact.value.half_width


def test_what_hardly_moves_is_taken_as_read():
    """Its time constant cannot be told, and need not be."""
    (found,) = settle([curve(300.0, {}, 20.0, np.random.default_rng(6))])
    assert found.value.low <= 300.0 <= found.value.high
    assert found.wait == 0.0


def test_gaps_between_readings_and_a_rise_do_not_matter():
    rng = np.random.default_rng(7)
    whole = curve(320.0, {4.0: -25.0}, 20.0, rng)
    kept = (whole.time < 5 * MINUTE) | (whole.time > 7 * MINUTE)
    (found,) = settle([Curve(whole.time[kept], whole.temperature[kept])])
    assert found.value.low <= 320.0 <= found.value.high
    assert found.side == "above"


def test_a_curve_without_any_noise_is_one_body_still():
    """Rounding of the last digit must not be taken for a second body whose end is not in sight."""
    time = np.arange(0.0, 600.0, 0.64)
    (found,) = settle([Curve(time, np.round(250.0 + 30.0 * np.exp(-time / 200), 3))])
    assert found.time_constants == pytest.approx((200.0,), rel=0.01)
    assert found.value.value == pytest.approx(250.0, abs=0.02)
