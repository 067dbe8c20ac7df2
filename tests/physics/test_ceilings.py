"""Ceilings against the second law's own relations and textbook engines."""

import numpy as np
import pytest

from driveloss.physics import ceilings, seal


def test_gupta_mechanical_efficiency():
    """Gupta, Internal Combustion Engines, Ex. 16.5: brake 7.333 of indicated 8.835 kW, 83 %."""
    assert ceilings.efficiency_ceiling(7333.0, 8835.0) == pytest.approx(0.83, abs=5e-4)


def test_carnot_machine_makes_no_entropy():
    """Q_c/T_c = Q_h/T_h with Q_h = Q_c + W: both laws, written without the formula under test."""
    work, cold, hot = 12.0, np.array([4.2, 77.0, 240.0]), 300.0
    cooling, heating = ceilings.carnot_cooling(work, cold, hot), ceilings.carnot_heating(work, cold, hot)
    assert heating - cooling == pytest.approx(work)
    assert cooling / cold == pytest.approx(heating / hot)


def test_pulse_tube_misses_exactly_its_expansion_work():
    """Given the expansion work W_e = Q_c back, Carnot's work is W - Q_c: Q_c = (W - Q_c) T_c/(T_h - T_c)."""
    cooling = ceilings.pulse_tube_cooling(12.0, 80.0, 300.0)
    assert ceilings.carnot_cooling(12.0 - cooling, 80.0, 300.0) == pytest.approx(cooling)


@pytest.mark.parametrize("function", [ceilings.carnot_cooling, ceilings.carnot_heating])
def test_carnot_has_no_answer_without_a_temperature_lift(function):
    answer = function(12.0, np.array([290.0, 300.0, 310.0]), 300.0)
    assert np.isnan(answer).tolist() == [False, True, True]


def test_no_ceiling_without_input():
    assert np.isnan(ceilings.efficiency_ceiling(np.array([0.0, 1.0]), 0.0)).all()


def test_cycle_work_ratio_is_mean_effective_over_mean_pressure():
    """Onkar Singh, Engineering Thermodynamics, Ex. 10.2: 44.18 kW a side, mean effective 7.5 MPa."""
    ratio = ceilings.cycle_work_ratio(88.36e3 / 2, 100 / 60, 5.0e6, 0.15, 0.20)
    assert ratio == pytest.approx(7.5 / 5.0, rel=1e-4)


def test_cycle_work_of_an_elliptic_indicator_diagram():
    """p_m + p_a cos(wt - phi) against V_m + V_s/2 cos(wt): the loop's area is pi/2 p_a V_s sin(phi)."""
    turn = np.linspace(0, 2 * np.pi, 2001)
    area = np.pi * 0.030**2 / 4
    volume, pressure = area * 0.036 / 2 * np.cos(turn), 3e5 + 0.6e5 * np.cos(turn - 0.5)
    work = abs(np.trapezoid(pressure, volume))
    ratio = ceilings.cycle_work_ratio(work * 10.0, 10.0, 3e5, 0.030, 0.036)
    assert ratio == pytest.approx(np.pi / 2 * 0.6 / 3 * np.sin(0.5), rel=1e-5)
    assert ratio * 3e5 == pytest.approx(
        seal.friction_mean_effective_pressure(work * 10.0, 10.0, 0.030, 0.036), rel=1e-12
    )
