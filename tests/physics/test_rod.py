"""Force in the rod, pressure on the lip and swing of the power in one turn: closed forms, and a worked example."""

import numpy as np
import pytest
from scipy import integrate, special

from driveloss.physics import rod
from driveloss.physics.crank import crank_pin_speed
from driveloss.physics.cylinder import disc_area

BORE, STROKE, FREQUENCY = 0.04, 0.03, 10.0
AREA, SPEED = disc_area(BORE), crank_pin_speed(FREQUENCY, STROKE)
MEANS_GOOD_TO = 5e-3  # of kinked functions, by the docstring


def means(difference=0.0, amplitude=0.0, phase=np.pi / 2, drag=0.0, rod_ratio=0.0):
    force, swing = rod.rod_means(difference, amplitude, phase, drag, BORE, STROKE, rod_ratio, FREQUENCY)
    return [float(x) for x in (force, rod.lip_pressure(difference, amplitude, phase, rod_ratio), swing)]


@pytest.mark.parametrize("phase", [0.3, 0.8, np.pi / 2])
def test_a_wave_alone(phase):
    """Mean |cos| = 2/pi for the force; cos(th + phi) sin(th) swings by 1/2 of sqrt(1/2) whatever the phase."""
    force, _, swing = means(amplitude=5e4, phase=phase)
    assert force == pytest.approx(5e4 * AREA * 2 / np.pi, rel=MEANS_GOOD_TO)
    assert swing == pytest.approx(5e4 * AREA * SPEED / (2 * np.sqrt(2)), rel=1e-9)


@pytest.mark.parametrize(("phase", "share"), [(np.pi / 2, np.pi / 4), (1e-9, 1 / 2)])
def test_the_lip_counts_where_the_piston_moves(phase, share):
    """Weighted by |sin|: mean sin^2 over mean |sin| = pi/4 in phase with the speed, mean |sin cos| over it = 1/2."""
    assert means(amplitude=5e4, phase=phase)[1] == pytest.approx(share * 5e4, rel=MEANS_GOOD_TO)


def test_a_mean_pressure_above_the_wave_leaves_no_change_of_sign():
    """Then the wave adds nothing to the mean of either."""
    for difference in (9e4, -9e4):
        force, lip, _ = means(difference, amplitude=5e4, phase=0.7)
        assert (force, lip) == pytest.approx((9e4 * AREA, 9e4), rel=1e-9)


def test_drag_alone():
    """The seal's force both ways; |sin| has the variance 1/2 - 4/pi^2."""
    force, lip, swing = means(drag=7.0)
    assert (force, lip) == (pytest.approx(7.0), 0.0)
    assert swing == pytest.approx(7.0 * SPEED * np.sqrt(1 / 2 - 4 / np.pi**2), rel=MEANS_GOOD_TO)


def test_a_leaning_rod_carries_more():
    """Mean of 1/sqrt(1 - lambda^2 sin^2) = (2/pi) K(lambda^2), a complete elliptic integral (SciPy)."""
    assert means(9e4, rod_ratio=0.3)[0] == pytest.approx(9e4 * AREA * 2 / np.pi * special.ellipk(0.09), rel=1e-9)


@pytest.mark.parametrize("phase", [0.4, 1.1])
def test_everything_together_against_quadrature(phase):
    """SciPy's quadrature of the same balance of forces, written out with a rod at a third of the crank radius."""
    lean, difference, amplitude, drag = 1 / 3, 3e4, 5e4, 12.0

    def over(th):
        return difference + amplitude * np.cos(th + phase)

    def velocity(th):
        return np.sin(th) * (1 + lean * np.cos(th) / np.sqrt(1 - (lean * np.sin(th)) ** 2))

    def force(th):
        return drag * np.sign(np.sin(th)) - over(th) * AREA

    def power(th):
        return force(th) * velocity(th)

    def mean(f):
        return integrate.quad(f, 0, 2 * np.pi, limit=400, points=[np.pi])[0] / (2 * np.pi)

    expected = (
        mean(lambda th: abs(force(th)) / np.sqrt(1 - (lean * np.sin(th)) ** 2)),
        mean(lambda th: abs(over(th) * velocity(th))) / mean(lambda th: abs(velocity(th))),
        SPEED * np.sqrt(mean(lambda th: power(th) ** 2) - mean(power) ** 2),
    )
    assert means(difference, amplitude, phase, drag, lean) == pytest.approx(expected, rel=MEANS_GOOD_TO)


def test_the_rod_of_a_vertical_engine(monkeypatch):
    """Khurmi & Gupta, Theory of Machines, Ex. 15.11, p. 537 (seen): bore 100, stroke 120, rod 250 mm; 20 degrees after
    top dead centre the net force on the piston is 2255.6 N and the wall takes 185.4 N.

    The book rounds the rod's lean to 4.7 degrees: 0.2 % of the side force.
    """
    monkeypatch.setattr(rod, "ANGLES", np.radians([20.0]))
    on_piston = 2255.6
    found, _ = rod.rod_means(-on_piston / disc_area(0.1), 0.0, 0.0, 0.0, 0.1, 0.12, 0.06 / 0.25, 2000 / 60)
    assert np.sqrt(float(found) ** 2 - on_piston**2) == pytest.approx(185.4, rel=3e-3)
