"""Linkage friction against bearing makers' formulas and textbook loss separations."""

import math

import numpy as np
import pytest

from driveloss.physics import linkage


def test_bearing_power_loss_in_the_makers_units():
    """N = 1.05e-4 M n, M in N mm and n in r/min (a bearing maker's handbook)."""
    assert linkage.coulomb_power(35.0e-3, 900 / 60) == pytest.approx(1.05e-4 * 35.0 * 900, rel=3e-3)


@pytest.mark.parametrize("rpm", [300, 900, 3000])
def test_palmgren_moment_in_the_makers_units(rpm):
    """M0 = 1e-7 f0 (nu n)^(2/3) dm^3 in N mm (Palmgren, from memory), for a grease-filled 35 mm bearing."""
    f0, viscosity, diameter = 2.0, 100.0, 35.0  # [1], [mm^2/s], [mm]
    moment = 1e-7 * f0 * (viscosity * rpm) ** (2 / 3) * diameter**3
    radians_per_revolution_a_minute = 2 * math.pi / 60
    coefficient = 1e-10 * f0 * (viscosity / radians_per_revolution_a_minute) ** (2 / 3) * diameter**3
    power = linkage.rolling_bearing_power(coefficient, rpm / 60)
    assert power == pytest.approx(1.05e-4 * moment * rpm, rel=3e-3)


@pytest.mark.parametrize(
    ("function", "exponent"),
    [
        (linkage.coulomb_power, 1),
        (linkage.rolling_bearing_power, 5 / 3),
        (linkage.viscous_power, 2),
        (linkage.windage_power, 3),
    ],
)
def test_each_law_has_its_power_of_the_speed(function, exponent):
    """Coulomb 1, Palmgren 5/3, Newtonian film 2, fan laws 3 (from memory); one at 1 rad/s."""
    frequencies = np.array([2.0, 4.0, 8.0])
    power = function(0.003, frequencies)
    assert power[1:] / power[:-1] == pytest.approx(2.0**exponent, rel=1e-12)
    assert function(0.003, 1 / (2 * math.pi)) == pytest.approx(0.003, rel=1e-12)


def test_theraja_separates_constant_torque_from_drag():
    """Theraja & Theraja, Ex. 32.29: A f + B f^2 is 52 W at 40 Hz and 90 W at 60 Hz, so 45 W + 25 W at 50 Hz.

    The book's iron losses follow the same two laws as a dry and a viscous torque.
    """
    frequencies = np.array([40.0, 60.0])
    design = np.column_stack([linkage.coulomb_power(1.0, frequencies), linkage.viscous_power(1.0, frequencies)])
    torque, drag = np.linalg.solve(design, [52.0, 90.0])
    assert linkage.coulomb_power(torque, 50.0) == pytest.approx(45.0, rel=1e-9)
    assert linkage.viscous_power(drag, 50.0) == pytest.approx(25.0, rel=1e-9)


def test_mcpherson_separates_constant_torque_from_drag():
    """McPherson, Ex. 1.4: 400 W at 60 Hz and 169 W at 30 Hz: 276 W + 124 W at 60 Hz."""
    frequencies = np.array([60.0, 30.0])
    design = np.column_stack([linkage.coulomb_power(1.0, frequencies), linkage.viscous_power(1.0, frequencies)])
    torque, drag = np.linalg.solve(design, [400.0, 169.0])
    assert linkage.coulomb_power(torque, 60.0) == pytest.approx(276.0, abs=0.5)
    assert linkage.viscous_power(drag, 60.0) == pytest.approx(124.0, abs=0.5)
