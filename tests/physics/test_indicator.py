"""The indicator diagram's area and what a late angle does to it."""

import numpy as np
import pytest
from scipy.integrate import quad

from driveloss.physics import indicator
from driveloss.physics.crank import piston_speed

STROKE, LEAN, AREA = 0.036, 0.3, 1.1e-3


def travel(angle):
    """Distance from top dead centre by Pythagoras (Theory of Machines, ch. 15: displacement of the piston)."""
    r, rod = STROKE / 2, STROKE / 2 / LEAN
    return r * (1 - np.cos(angle)) + rod - np.sqrt(rod**2 - (r * np.sin(angle)) ** 2)


def pressure(angle):
    return 3e5 + 6e4 * np.cos(angle + 0.7) + 9e3 * np.cos(2 * angle - 0.4) + 2e3 * np.sin(3 * angle)


def volume(count):
    return AREA * indicator.volume_harmonics(STROKE, LEAN, count)


def exact_work():
    """SciPy's adaptive quadrature of -p dV/dth, as an independent reference."""
    slope = AREA * STROKE / 2

    def power(angle):
        lean = np.sqrt(1 - (LEAN * np.sin(angle)) ** 2)
        return -pressure(angle) * slope * (np.sin(angle) + LEAN * np.sin(2 * angle) / 2 / lean)

    return quad(power, 0, 2 * np.pi, epsabs=1e-12, epsrel=1e-12)[0]


def test_volume_harmonics_are_those_of_the_slider_crank():
    angle = np.linspace(0, 2 * np.pi, 400, endpoint=False)
    expected = indicator.harmonics(angle, travel(angle), 8)
    assert indicator.volume_harmonics(STROKE, LEAN, 8) == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize("samples", [12, 18, 72])
def test_work_of_a_dozen_samples_is_exact_where_a_chord_trapezoid_is_not(samples):
    angle = np.arange(samples) * 2 * np.pi / samples
    found = indicator.loop_work(indicator.harmonics(angle, pressure(angle), 5), volume(5))
    assert found == pytest.approx(exact_work(), rel=1e-5)
    closed = np.append(angle, 2 * np.pi)
    chord = -np.trapezoid(pressure(closed), AREA * travel(closed))
    if samples == 18:
        assert abs(chord / exact_work() - 1) > 0.01


def test_uneven_samples_do_as_well():
    angle = np.sort(np.random.default_rng(3).uniform(0, 2 * np.pi, 60))
    found = indicator.loop_work(indicator.harmonics(angle, pressure(angle), 5), volume(5))
    assert found == pytest.approx(exact_work(), rel=1e-6)


@pytest.mark.parametrize("offset", [-2e5, 0.0, 1e6])
def test_a_constant_pressure_does_no_work(offset):
    angle = np.arange(36) * np.pi / 18
    found = indicator.loop_work(indicator.harmonics(angle, pressure(angle) + offset, 5), volume(5))
    assert found == pytest.approx(exact_work(), rel=1e-9)


@pytest.mark.parametrize(("phase", "per_degree"), [(10, 9.9), (20, 4.8), (30, 3.0), (45, 1.75), (90, 0.0)])
def test_a_late_dead_centre_costs_the_cotangent_of_the_phase(phase, per_degree):
    """W = pi p1 V1 sin(phi): dW/W = cot(phi) d(theta); own reckoning."""
    phi = np.radians(phase)
    wave = 5e4 * np.array([[np.cos(phi), -np.sin(phi)]])  # p = cos(th + phi)
    piston = AREA * indicator.volume_harmonics(STROKE, 0.0, 1)
    assert indicator.phase_angle(wave, piston) == pytest.approx(phi)
    moved = [indicator.loop_work(indicator.late(wave, np.radians(d)), piston) for d in (-0.5, 0.5)]
    change = abs(moved[1] - moved[0]) / indicator.loop_work(wave, piston)
    assert 100 * change == pytest.approx(per_degree, abs=0.05)
    told = np.radians(1.0) * indicator.work_moved(np.array([phi, -phi, np.pi - phi]))
    assert 100 * told == pytest.approx(3 * [per_degree], abs=0.05)


def test_the_sum_of_harmonics_gives_back_the_readings():
    """Against SciPy's trigonometric resampling, exact for a wave of few harmonics."""
    from scipy.signal import resample

    angle = np.arange(24) * np.pi / 12
    fine = np.arange(96) * np.pi / 48
    swing = pressure(angle) - pressure(angle).mean()
    found = indicator.sum_of_harmonics(indicator.harmonics(angle, pressure(angle), 4), fine)
    assert found == pytest.approx(resample(swing, 96), abs=1e-6)


def test_a_first_order_lag_is_undone():
    """Against SciPy's own filter: the response of 1/(1 + i w tau) to a periodic input."""
    from scipy.signal import freqs

    frequency, lag = 12.0, 1.5e-3
    true = np.array([[4e4, 1e4], [2e3, -5e3]])
    _, response = freqs([1.0], [lag, 1.0], 2 * np.pi * frequency * np.array([1.0, 2.0]))
    shown = (true[:, 0] - 1j * true[:, 1]) * response  # a cos + b sin = Re((a - ib) e^(i th))
    shown = np.column_stack([shown.real, -shown.imag])
    assert indicator.unlagged(shown, lag, frequency) == pytest.approx(true, rel=1e-9)


def test_travel_agrees_with_the_speed_that_losses_use():
    angle = np.linspace(0.1, 6.1, 7)
    slope = (travel(angle + 1e-6) - travel(angle - 1e-6)) / 2e-6
    assert piston_speed(angle, 1 / (2 * np.pi), STROKE, LEAN) == pytest.approx(slope, rel=1e-6)


def test_too_few_samples_are_refused():
    with pytest.raises(ValueError, match="need 11 samples"):
        indicator.harmonics(np.arange(10.0), np.arange(10.0), 5)
