"""Piston motion against textbook cranks, closed forms and an independent form of the slider crank."""

import math

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import minimize_scalar

from driveloss.physics import crank

ROD_RATIOS = [0.0, 0.1, 0.25, 0.45, 0.7, 0.95]


def rod_angle_speed(angle, frequency, stroke, rod_ratio):
    """Through the rod's angle: v = omega r sin(th + phi)/cos(phi), sin(phi) = lambda sin(th)."""
    rod_angle = math.asin(rod_ratio * math.sin(angle))
    return math.pi * frequency * stroke * math.sin(angle + rod_angle) / math.cos(rod_angle)


# r 0.3 m, l 1.5 m, 180 r/min, 40 deg; 0.15 m, 0.6 m, 450 r/min, 60 deg. The book drops terms above lambda, hence
# the looser last column; exact values recomputed through the rod's angle.
@pytest.mark.parametrize(
    ("degrees", "rpm", "stroke", "rod_ratio", "exact", "printed"),
    [
        pytest.param(40, 180, 0.6, 0.2, 4.19643, 4.19, id="Ex. 15.4"),
        pytest.param(60, 450, 0.3, 0.25, 6.90536, 6.9, id="Ex. 15.5"),
    ],
)
def test_speed_of_textbook_cranks(degrees, rpm, stroke, rod_ratio, exact, printed):
    """Khurmi & Gupta, Theory of Machines, ch. 15."""
    speed = crank.piston_speed(math.radians(degrees), rpm / 60, stroke, rod_ratio)
    assert speed == pytest.approx(exact, rel=2e-6)
    assert speed == pytest.approx(printed, rel=2e-3)


@pytest.mark.parametrize("rod_ratio", ROD_RATIOS)
def test_speed_follows_from_the_piston_position(rod_ratio):
    """x = r + l - r cos(th) - sqrt(l^2 - r^2 sin^2 th), the cosine law, differentiated numerically."""
    frequency, stroke, step = 12.0, 0.04, 1e-4
    angles = np.linspace(0.1, 6.2, 41)

    def position(angle):
        if rod_ratio == 0:
            return stroke / 2 * (1 - np.cos(angle))
        rod = stroke / 2 / rod_ratio
        return stroke / 2 + rod - stroke / 2 * np.cos(angle) - np.sqrt(rod**2 - (stroke / 2 * np.sin(angle)) ** 2)

    omega = 2 * np.pi * frequency
    ahead, behind = position(angles + step), position(angles - step)
    speed = crank.piston_speed(angles, frequency, stroke, rod_ratio)
    assert speed == pytest.approx(omega * (ahead - behind) / (2 * step), abs=1e-5 * omega * stroke / 2)


@pytest.mark.parametrize("rod_ratio", ROD_RATIOS)
def test_mean_speed_is_two_strokes_a_turn_for_any_rod(rod_ratio):
    """Khurmi & Gupta: the mean piston speed is 2 S N, whatever the rod."""
    half, _ = quad(crank.piston_speed, 0, math.pi, args=(12.0, 0.04, rod_ratio), epsrel=1e-12)
    assert half / math.pi == pytest.approx(2 * 0.04 * 12.0, rel=1e-12)
    assert crank.mean_piston_speed(12.0, 0.04) == pytest.approx(half / math.pi, rel=1e-12)


def test_scotch_yoke_has_closed_forms():
    """Means of sin^2 and |sin|^3 over a turn: 1/2 and 4/(3 pi)."""
    pin_speed = 2 * math.pi * 9.0 * 0.018
    assert crank.mean_square_speed(9.0, 0.036, 0.0) == pytest.approx(pin_speed**2 / 2, rel=1e-13)
    assert crank.mean_cubed_speed(9.0, 0.036, 0.0) == pytest.approx(4 * pin_speed**3 / (3 * math.pi), rel=1e-13)
    assert crank.peak_piston_speed(9.0, 0.036, 0.0) == pytest.approx(pin_speed, rel=1e-13)


@pytest.mark.parametrize("rod_ratio", ROD_RATIOS)
@pytest.mark.parametrize(("mean", "power"), [(crank.mean_square_speed, 2), (crank.mean_cubed_speed, 3)])
def test_power_means_against_adaptive_quadrature(mean, power, rod_ratio):
    expected, _ = quad(lambda a: rod_angle_speed(a, 9.0, 0.036, rod_ratio) ** power, 0, math.pi, epsrel=1e-12)
    assert mean(9.0, 0.036, rod_ratio) == pytest.approx(expected / math.pi, rel=1e-11)


@pytest.mark.parametrize("rod_ratio", [*ROD_RATIOS, 0.999])
def test_peak_speed_against_a_search(rod_ratio):
    """To 1e-12, as promised: a maximum is flat, so eight digits of its place give sixteen of its height."""
    options = {"bounds": (0.8, 1.7), "method": "bounded", "options": {"xatol": 1e-9}}
    found = minimize_scalar(lambda a: -rod_angle_speed(a, 9.0, 0.036, rod_ratio), **options)
    assert crank.peak_piston_speed(9.0, 0.036, rod_ratio) == pytest.approx(-found.fun, rel=1e-12)


@pytest.mark.parametrize("function", [crank.mean_square_speed, crank.mean_cubed_speed, crank.peak_piston_speed])
def test_resampled_rods_broadcast_against_frequencies(function):
    frequencies, rod_ratios = np.array([[3.0], [7.0], [12.0]]), np.linspace(0.1, 0.3, 5)
    table = function(frequencies, 0.036, rod_ratios)
    assert table.shape == (3, 5)
    one_by_one = [[function(f, 0.036, r) for r in rod_ratios] for f in frequencies[:, 0]]
    assert table == pytest.approx(np.array(one_by_one), rel=1e-13)


@pytest.mark.parametrize("bad", [1.0, -0.1, float("nan"), np.array([0.2, 1.5, 7.0])])
@pytest.mark.parametrize("function", [crank.mean_square_speed, crank.mean_cubed_speed, crank.peak_piston_speed])
def test_a_rod_shorter_than_the_crank_is_refused(function, bad):
    with pytest.raises(ValueError, match=r"rod_ratio .* must lie in \[0, 1\), got (1|-0\.1|nan|1\.5);"):
        function(9.0, 0.036, bad)


@pytest.mark.parametrize("rod_ratio", ROD_RATIOS)
def test_half_turn_means_are_those_of_any_function_of_the_speed(rod_ratio):
    """Adaptive quadrature over the rod-angle form; a mean of ones is one, and no node sits on a dead centre."""
    speeds, weights = crank.half_turn_speeds(rod_ratio)
    pin_speed = math.pi * 9.0 * 0.036
    expected, _ = quad(lambda a: math.cosh(rod_angle_speed(a, 9.0, 0.036, rod_ratio) / pin_speed), 0, math.pi)
    assert np.cosh(speeds) @ weights == pytest.approx(expected / math.pi, rel=1e-10)
    assert weights.sum() == pytest.approx(1, rel=1e-14)
    assert (speeds > 0).all()


@pytest.mark.parametrize("half_degree", [0, 1, 25, 99])
def test_half_turn_rule_is_exact_for_the_polynomials_that_fejers_is(half_degree):
    """n Chebyshev nodes: exact to degree n - 1 (Davis & Rabinowitz, sec. 2.5.5, from memory).

    The mean of Chebyshev's polynomial T_2k on (-1, 1) is 1/(1 - 4 k^2).
    """
    sines, weights = crank.half_turn_speeds(0.0)
    places = (2 * np.arange(len(weights)) + 1) * np.pi / (2 * len(weights))
    assert sines == pytest.approx(np.sin(np.pi / 2 * (1 - np.cos(places))), rel=1e-12)
    mean = np.cos(2 * half_degree * places) @ weights
    assert mean == pytest.approx(1 / (1 - 4 * half_degree**2), rel=1e-9)


def test_the_shared_weights_cannot_be_spoilt():
    with pytest.raises(ValueError, match="read-only"):
        crank.half_turn_speeds(0.2)[1][0] = 0.0
