"""Torque through the cycle against a textbook's slider crank and against energy balances."""

import numpy as np
import pytest

from driveloss.physics import torque

ANGLES = (np.arange(3600) + 0.5) * 2 * np.pi / 3600
BORE, STROKE = 0.042, 0.028
VOLUME = np.pi * BORE**2 / 4 * STROKE


def test_turning_moment_of_the_textbook_engine():
    """Khurmi & Gupta, Theory of Machines, ch. 15: crank 300 mm, rod 1.2 m, bore 0.5 m, reciprocating 250 kg, 250
    r/min, 60 degrees, 0.35 N/mm^2 (data seen in a copy). The book goes by the rod's angle phi:
    T = F sin(th + phi) r/cos(phi); 14.484 kN m printed, from memory."""
    crank, rod, angle, omega = 0.3, 1.2, np.radians(60), 2 * np.pi * 250 / 60
    inertia = 250 * omega**2 * crank * (np.cos(angle) + np.cos(2 * angle) * crank / rod)
    effort = 0.35e6 * np.pi / 4 * 0.5**2 - inertia
    phi = np.arcsin(np.sin(angle) * crank / rod)
    found = torque.turning_moment(effort, angle, 2 * crank, crank / rod)
    assert found == pytest.approx(effort * np.sin(angle + phi) / np.cos(phi) * crank, rel=1e-12)
    assert found == pytest.approx(14.484e3, rel=1e-3)


@pytest.mark.parametrize("ratio", [0.0, 0.2, 0.3])
def test_turning_moment_is_near_the_first_order_formula(ratio):
    """T = F r (sin th + lambda/2 sin 2th), the usual first-order form (Khurmi & Gupta, ch. 15); it errs as lambda^3."""
    first_order = 100 * STROKE / 2 * (np.sin(ANGLES) + ratio / 2 * np.sin(2 * ANGLES))
    found = torque.turning_moment(100.0, ANGLES, STROKE, ratio)
    assert np.abs(found - first_order).max() <= 100 * STROKE / 2 * (ratio**3 / 3 + 1e-12)
    assert ratio == 0 or np.abs(found - first_order).max() > 0


@pytest.mark.parametrize("ratio", [0.0, 0.3])
@pytest.mark.parametrize("phase", [0.3, 0.8, np.pi / 2])
def test_mean_gas_torque_times_two_pi_is_the_work_of_a_cycle(phase, ratio):
    """Energy balance; the mean pressure difference gives back what it takes."""
    cycle = torque.gas_torque(ANGLES, 2e5, 6e4, phase, BORE, STROKE, ratio)
    assert cycle.mean() * 2 * np.pi == pytest.approx(np.pi / 2 * 6e4 * VOLUME * np.sin(phase), rel=1e-9)


@pytest.mark.parametrize("ratio", [0.0, 0.3])
def test_the_wave_is_found_back_from_the_area_of_its_indicator_diagram(ratio):
    """The loop of p against V by trapezia, V from Pythagoras: nothing of driveloss in it."""
    crank, angle = STROKE / 2, np.linspace(0, 2 * np.pi, 4001)
    rod = crank / ratio if ratio else None
    travel = crank * (1 - np.cos(angle))
    travel += rod - np.sqrt(rod**2 - (crank * np.sin(angle)) ** 2) if rod else 0.0
    pressure = 3e5 + 6e4 * np.cos(angle + 0.7)
    steps = np.diff(travel) * np.pi * BORE**2 / 4
    loop = -np.sum((pressure[1:] + pressure[:-1]) / 2 * steps)
    assert torque.wave_amplitude(loop, 0.7, VOLUME) == pytest.approx(6e4, rel=1e-5)
    assert torque.wave_phase(loop, 6e4, VOLUME) == pytest.approx(0.7, rel=1e-5)


def test_a_wave_too_small_for_its_work_peaks_a_quarter_turn_early():
    """The work of a wave is largest at a right angle, so 0.5 % more than that has no phase of its own."""
    most = np.pi / 2 * 6e4 * VOLUME
    phases = torque.wave_phase(np.array([1.005, -1.005]) * most, 6e4, VOLUME)
    assert phases == pytest.approx([np.pi / 2, -np.pi / 2])


def test_no_phase_needs_less_amplitude_than_a_right_angle():
    phases = np.linspace(0.1, 3.0, 50)
    least = torque.wave_amplitude(1.0, np.pi / 2, VOLUME)
    assert (torque.wave_amplitude(1.0, phases, VOLUME) >= least).all()
    assert np.isnan(torque.wave_amplitude(1.0, -0.2, VOLUME))


@pytest.mark.parametrize("ratio", [0.0, 0.3])
def test_friction_torque_does_the_work_of_two_strokes(ratio):
    cycle = torque.friction_torque(ANGLES, 16.0, STROKE, ratio)
    assert cycle.mean() * 2 * np.pi == pytest.approx(2 * STROKE * 16.0, rel=1e-6)
    assert (cycle >= 0).all()


def test_gas_alone_peaks_with_the_mean_pressure_on_a_scotch_yoke():
    """dp A r at mid-stroke, upwards (270 degrees): elementary statics."""
    cycle = torque.gas_torque(ANGLES, 2e5, 0.0, 1.0, BORE, STROKE, 0.0)
    assert cycle.max() == pytest.approx(2e5 * np.pi * BORE**2 / 4 * STROKE / 2, rel=1e-6)
    assert np.degrees(ANGLES[cycle.argmax()]) == pytest.approx(270, abs=0.2)


@pytest.mark.parametrize("size", [1e-3, 1.0])
def test_the_transmission_loses_in_both_directions(size):
    """By hand, at any size: 4/0.8/2 forward, 4 0.8/2 back; what the drive itself takes comes on top."""
    forward, back = torque.torque_at_motor(np.array([4.0, -4.0]) * size, 0.0, 0.3 * size, 2.0, 0.8)
    assert (forward, back) == pytest.approx((2.8 * size, -1.3 * size))


def test_seal_friction_passes_the_transmission_together_with_the_gas():
    """By hand: (4 + 1)/0.8/2 forward; the gas drives the crank with 4 - 1, of which 0.8 arrives."""
    forward, back = torque.torque_at_motor(np.array([4.0, -4.0]), 1.0, 0.0, 2.0, 0.8)
    assert (forward, back) == pytest.approx((3.125, -1.2))
