"""One turn of a crank in steps: where the piston is, how fast it goes, how the rod leans. SI throughout.

Crank angle 0 is the dead centre nearer to the crank; positions rise towards top dead centre, half a turn later.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

STEPS = 720  # crank angles in one turn


def piston_position(angle: FloatArray, stroke: float, rod_length: float | None) -> FloatArray:
    """Piston position [m] at crank angles [rad], by Pythagoras from crank pin and rod."""
    crank = stroke / 2
    if rod_length is None:
        return -crank * np.cos(angle)
    return np.sqrt(rod_length**2 - (crank * np.sin(angle)) ** 2) - crank * np.cos(angle)


def piston_positions(stroke: float, rod_length: float | None, steps: int = STEPS) -> FloatArray:
    """Piston position [m] at `steps` + 1 crank angles over one turn."""
    return piston_position(np.linspace(0.0, 2 * np.pi, steps + 1), stroke, rod_length)


def piston_velocities(frequency: ArrayLike, stroke: float, rod_length: float | None, steps: int = STEPS) -> FloatArray:
    """Velocity [m/s] in each step: distance covered over the step's duration. Shape (readings, steps)."""
    distance = np.diff(piston_positions(stroke, rod_length, steps))
    return np.multiply.outer(np.asarray(frequency, float) * steps, distance)


def piston_accelerations(frequency: ArrayLike, stroke: float, rod_length: float | None) -> FloatArray:
    """Acceleration [m/s^2] in each step, by differences of velocity; shape (readings, steps)."""
    velocity = piston_velocities(frequency, stroke, rod_length)
    change = np.roll(velocity, -1, axis=1) - np.roll(velocity, 1, axis=1)
    return change * np.asarray(frequency, float)[:, None] * STEPS / 2


def middles(steps: int = STEPS) -> FloatArray:
    """Crank angle in the middle of each step. [rad]"""
    return (np.arange(steps) + 0.5) * 2 * np.pi / steps


def rod_angles(stroke: float, rod_length: float | None) -> FloatArray:
    """How far the rod leans [rad] in each step; positive while the crank pin is on the side it moves to first."""
    if rod_length is None:
        return np.zeros(STEPS)
    return np.arcsin(stroke / 2 * np.sin(middles()) / rod_length)


def rod_swing(stroke: float, rod_length: float | None) -> FloatArray:
    """Angular velocity of the rod for one rad/s of the crank, positive in the crank's sense; shape (steps,)."""
    if rod_length is None:
        return np.zeros(STEPS)
    return stroke / 2 * np.cos(middles()) / (rod_length * np.cos(rod_angles(stroke, rod_length)))
