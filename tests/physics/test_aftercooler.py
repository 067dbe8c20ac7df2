"""Aftercooler: energy balance, first law and round trips."""

import numpy as np
import pytest

from driveloss.physics import aftercooler, ceilings


def test_heat_balances_whatever_share_of_the_friction_stays_outside():
    shares = np.array([0.0, 0.3, 1.0])
    heat = aftercooler.aftercooler_heat(12.0, 4.0, shares)
    kept_out = (1 - shares) * 4.0
    assert heat + kept_out == pytest.approx(16.0)
    assert heat[0] == 12.0


def test_frictionless_pulse_tube_rejects_its_work_in_the_aftercooler():
    """First law of an ideal orifice pulse tube: work leaves at the aftercooler, cooling at the hot end.

    The warm side in all rejects W + Q_c = W (1 + T_c/T_h) (de Waele, J. Low Temp. Phys. 164 (2011) 179, from
    memory).
    """
    cooling = ceilings.pulse_tube_cooling(12.0, 75.0, 300.0)
    assert aftercooler.aftercooler_heat(12.0, 0.0, 1.0) + cooling == pytest.approx(12.0 * 1.25)


def test_measured_hot_ends_give_the_resistance_back():
    heat = np.array([5.0, 12.0, 30.0])
    hot_end = aftercooler.hot_end_temperature(294.0, 0.35, heat)
    assert aftercooler.thermal_resistance(hot_end, 294.0, heat) == pytest.approx(0.35)


def test_hot_end_of_a_plane_wall():
    """Fourier's law: a wall of thickness d, conductivity k and area A has R = d/(k A)."""
    area, thickness, conductivity, heat = 0.01, 0.002, 0.2, 15.0
    gradient = heat / (conductivity * area)
    hot_end = aftercooler.hot_end_temperature(294.0, thickness / (conductivity * area), heat)
    assert hot_end == pytest.approx(294.0 + gradient * thickness)


def test_no_resistance_without_heat():
    assert np.isnan(aftercooler.thermal_resistance(294.0, 294.0, np.array([0.0, -1.0]))).all()
