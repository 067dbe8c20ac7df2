"""Forces in the crank mechanism through one turn, and what its bearings and guides lose to them.

Arrays have shape (readings, steps). A bearing's friction torque is mu F r (dry journal, or a rolling bearing by
its makers' constant coefficient); its power is that times the angular velocity of the one part within the other.
"""

from __future__ import annotations

import numpy as np

from simulate.effects import Pins
from simulate.turn import FloatArray, rod_angles, rod_swing


def side_force(axial: FloatArray, stroke: float, rod_length: float | None) -> FloatArray:
    """What presses the piston to the wall [N] where the rod pushes it along the axis with `axial` [N]."""
    return np.abs(axial) * np.tan(np.abs(rod_angles(stroke, rod_length)))


def rod_force(axial: FloatArray, stroke: float, rod_length: float | None) -> FloatArray:
    """Force along the rod. [N]"""
    return np.abs(axial) / np.cos(rod_angles(stroke, rod_length))


def pin_power(
    pins: Pins, frequency: FloatArray, axial: FloatArray, stroke: float, rod_length: float | None
) -> FloatArray:
    """Cycle mean of what crank pin, wrist pin and main bearings lose [W], shape (readings,)."""
    swing = rod_swing(stroke, rod_length)
    path = pins.main + pins.crank_pin * np.abs(1 - swing) + pins.wrist_pin * np.abs(swing)  # [m] a radian
    torque = pins.mu * rod_force(axial, stroke, rod_length) * path
    return 2 * np.pi * frequency * torque.mean(axis=1)


def wall_power(mu: float, axial: FloatArray, velocity: FloatArray, stroke: float, rod_length: float | None):
    """Cycle mean of side force times friction coefficient times speed [W], shape (readings,)."""
    return np.mean(mu * side_force(axial, stroke, rod_length) * np.abs(velocity), axis=1)
