"""Seal friction against adaptive quadrature, closed forms, measured seals and textbook indicator cards."""

import math
from itertools import pairwise

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import dawsn

from driveloss.physics import crank, seal

FREQUENCY, STROKE = 9.0, 0.036


def slider_crank_speed(angle, rod_ratio):
    """Speed through the rod's angle: omega r sin(th + phi)/cos(phi), sin(phi) = lambda sin(th)."""
    rod_angle = math.asin(rod_ratio * math.sin(angle))
    return math.pi * FREQUENCY * STROKE * math.sin(angle + rod_angle) / math.cos(rod_angle)


def half_turn_mean(function):
    """Adaptive quadrature, cut where a narrow Stribeck peak could hide."""
    cuts = [0, 0.01, 0.05, 0.2, 1, 2, math.pi - 0.2, math.pi - 0.05, math.pi - 0.01, math.pi]
    parts = [quad(function, a, b, epsabs=0, epsrel=1e-11)[0] for a, b in pairwise(cuts)]
    return sum(parts) / math.pi


@pytest.mark.parametrize("rod_ratio", [0.0, 0.25, 0.6, 0.9])
@pytest.mark.parametrize("share_of_peak", [0.01, 0.02, 0.1, 0.5, 1.0, 3.0])
def test_stribeck_against_adaptive_quadrature(share_of_peak, rod_ratio):
    limit = share_of_peak * crank.peak_piston_speed(FREQUENCY, STROKE, rod_ratio)

    def integrand(angle):
        speed = slider_crank_speed(angle, rod_ratio)
        return speed * math.exp(-((speed / limit) ** 2))

    power = seal.stribeck_power(3.0, limit, FREQUENCY, STROKE, rod_ratio)
    assert power == pytest.approx(3.0 * half_turn_mean(integrand), rel=1e-6)


@pytest.mark.parametrize("share_of_peak", [0.007, 0.01, 0.1, 1.0, 3.0])
def test_stribeck_on_a_scotch_yoke_is_dawsons_integral(share_of_peak):
    """For v = V sin(th), mean(|v| exp(-(v/v_s)^2)) = (2/pi) v_s D(V/v_s), D Dawson's integral."""
    peak = math.pi * FREQUENCY * STROKE
    limit = share_of_peak * peak
    power = seal.stribeck_power(1.0, limit, FREQUENCY, STROKE, 0.0)
    assert power == pytest.approx(2 / math.pi * limit * dawsn(peak / limit), rel=1e-6)


def test_stribeck_far_above_the_piston_speed_is_coulomb_friction():
    power = seal.stribeck_power(3.0, 1e6, FREQUENCY, STROKE, 0.3)
    assert power == pytest.approx(seal.coulomb_power(3.0, FREQUENCY, STROKE), rel=1e-10)


def test_stribeck_broadcasts_and_rests_at_standstill():
    frequencies = np.array([[0.0], [5.0], [9.0]])
    table = seal.stribeck_power(3.0, np.array([0.1, 0.2]), frequencies, STROKE, np.array([0.2, 0.3]))
    assert table.shape == (3, 2)
    assert (table[0] == 0).all()
    assert table[2, 1] == pytest.approx(seal.stribeck_power(3.0, 0.2, 9.0, STROKE, 0.3), rel=1e-13)


def test_viscous_power_is_the_mean_of_drag_times_square():
    expected = 2.0 * half_turn_mean(lambda angle: slider_crank_speed(angle, 0.3) ** 2)
    assert seal.viscous_power(2.0, FREQUENCY, STROKE, 0.3) == pytest.approx(expected, rel=1e-10)


# Running friction [N] of 25 mm pneumatic piston seals at 1, 3, 5, 7 bar gauge and the line through it:
# Zillen, Delft University of Technology, 2021, open data (CC0), evaluated from the raw loops. Repeat runs
# scatter by 7 to 14 %.
ZILLEN = [
    pytest.param([3.92, 5.44, 6.92, 7.81], 3.402, 0.654, id="O-ring"),
    pytest.param([3.34, 6.83, 9.51, 11.57], 2.342, 1.366, id="lip ring"),
    pytest.param([5.62, 5.66, 6.13, 6.75], 5.274, 0.192, id="compact ring"),
]


@pytest.mark.parametrize(("measured", "preload", "per_bar"), ZILLEN)
def test_drag_of_measured_seals_grows_with_pressure(measured, preload, per_bar):
    difference = np.array([1e5, 3e5, 5e5, 7e5])
    power = seal.coulomb_power(preload, FREQUENCY, STROKE)
    power = power + seal.pressure_power(per_bar / 1e5, difference, FREQUENCY, STROKE)
    force = seal.mean_friction_force(power, FREQUENCY, STROKE)
    assert force == pytest.approx(np.array(measured), rel=0.14)


def test_negative_pressure_difference_counts_as_zero():
    power = seal.pressure_power(7e-6, np.array([-5e4, 0.0, 5e4]), FREQUENCY, STROKE)
    assert power == pytest.approx([0, 0, 7e-6 * 5e4 * 2 * STROKE * FREQUENCY])


def test_onkar_singh_pump_card():
    """Onkar Singh, Engineering Thermodynamics, Ex. 10.2: 7.5 MPa; 88.36 kW from both sides of the piston."""
    pressure = seal.friction_mean_effective_pressure(88.36e3 / 2, 100 / 60, 0.15, 0.20)
    assert pressure == pytest.approx(7.5e6, rel=1e-4)


def test_gupta_card_with_its_pumping_loop_taken_off():
    """Gupta, Fundamentals of Internal Combustion Engines, Ex. 16.5: (475 - 25) mm^2 on 50 mm.

    Spring 0.8333 bar/mm; four-stroke at 500 r/min, so 250 cycles a minute; indicated 8.835 kW.
    """
    card = (475 - 25) / 50 * 0.8333e5
    assert seal.friction_mean_effective_pressure(8.835e3, 250 / 60, 0.15, 0.16) == pytest.approx(card, rel=2e-4)


def test_forms_of_stating_friction_agree():
    """A constant force F rubs over two strokes a turn: its mean effective pressure is 2 F/A."""
    power = seal.coulomb_power(5.0, FREQUENCY, STROKE)
    area = math.pi * 0.030**2 / 4
    assert seal.mean_friction_force(power, FREQUENCY, STROKE) == pytest.approx(5.0)
    pressure = seal.friction_mean_effective_pressure(power, FREQUENCY, 0.030, STROKE)
    assert pressure == pytest.approx(2 * 5.0 / area)
    assert seal.friction_per_lip_length(5.0, 0.030) * math.pi * 0.030 == pytest.approx(5.0)


def test_no_friction_force_at_standstill():
    assert np.isnan(seal.mean_friction_force(0.0, 0.0, STROKE))
    assert np.isnan(seal.friction_mean_effective_pressure(0.0, 0.0, 0.030, STROKE))
