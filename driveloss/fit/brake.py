"""What driving a known torque at the crank costs: the load loss of controller, motor and transmission together."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from driveloss.bench.records import FloatArray
from driveloss.physics import linkage

DRIVE_LAWS = (
    lambda f: np.ones_like(f),
    lambda f: linkage.coulomb_power(1.0, f),
    lambda f: linkage.rolling_bearing_power(1.0, f),
    lambda f: linkage.viscous_power(1.0, f),
    lambda f: linkage.windage_power(1.0, f),
)


@dataclass(frozen=True)
class Brake:
    """net input = drive(f) + omega M + share omega M + slope M + square M^2, M the torque at the crank.

    Fields have shape (1 + draws,): the drive's coefficients as in DRIVE_LAWS, then what grows with the torque.
    """

    constant: FloatArray  # [W]
    coulomb: FloatArray  # [N m]
    rolling: FloatArray  # [N m s^(2/3)]
    viscous: FloatArray  # [N m s]
    windage: FloatArray  # [N m s^2]
    share: FloatArray  # [1] of the power that passes: belt, gears, controller
    slope: FloatArray  # [W/(N m)] as brushes cost
    square: FloatArray  # [W/(N m)^2] as a winding costs
    highest: FloatArray  # [N m] the largest torque of the sweep
    efficiency: FloatArray  # of the transmission, as stated or assumed, by which its share of that loss is told apart

    def drive(self, frequency: FloatArray) -> FloatArray:
        """Net input without any torque at frequency (n,): (n, 1 + draws). [W]"""
        laws = np.array([self.constant, self.coulomb, self.rolling, self.viscous, self.windage])
        return np.asarray(drive_shapes(frequency) @ laws)

    def loss(self, torque: FloatArray, omega: FloatArray) -> FloatArray:
        """Beyond the drive and the torque's own power, (n, 1 + draws). [W]"""
        return np.asarray(self.share * omega * torque + self.slope * torque + self.square * torque**2)

    def belt(self, passed: FloatArray) -> FloatArray:
        """What the transmission takes of the loss, where a power (n, 1 + draws) passes the crank. [W]"""
        return np.asarray((1 / self.efficiency - 1) * passed)

    def torque(self, beyond: FloatArray, omega: FloatArray) -> FloatArray:
        """The torque that a net input beyond the drive's (n, 1 + draws) [W] drives. [N m]

        The root of square M^2 + b M = P with the sign of P, written as physics/motor writes that of the current.
        """
        linear = (1 + self.share) * omega + self.slope
        root = np.sqrt(np.maximum(linear**2 + 4 * self.square * beyond, 0.0))
        return np.asarray(2 * beyond / (linear + root))

    def as_stated(self) -> Brake:
        """The first column alone."""
        return Brake(*(getattr(self, item.name)[:1] for item in fields(self)))


def drive_shapes(frequency: FloatArray) -> FloatArray:
    """Power of the drive's laws with coefficient one, (n, laws). [W]"""
    return np.column_stack([law(frequency) for law in DRIVE_LAWS])


def load_shapes(frequency: FloatArray, torque: FloatArray) -> FloatArray:
    """The same of what grows with the torque, (n, 3). [W]"""
    return np.column_stack([2 * np.pi * frequency * torque, torque, torque**2])
