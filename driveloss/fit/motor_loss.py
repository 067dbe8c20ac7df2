"""From what the meter read to shaft-side (air-gap) power and back: the motor loss that grows with load.

How that loss is known is a route: one class each, with both directions (input power to loss, shaft power to loss).
Shaft power is the input less standby less that loss.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterable
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from driveloss.bench.records import FloatArray, Rig
from driveloss.errors import InputError
from driveloss.fit.meters import Meters
from driveloss.fit.readings import Readings
from driveloss.physics import motor


@dataclass(frozen=True)
class LoadLoss:
    """Motor loss that grows with load, and the winding's copper loss within it, (n, 1 + draws) each. [W]"""

    total: FloatArray
    copper: FloatArray


class Route(ABC):
    """How the motor loss that grows with load is known. Arrays are (n, 1 + draws)."""

    name: ClassVar[str]  # in saved calibrations
    words: ClassVar[str]
    has_copper: ClassVar[bool] = False  # whether the loss is the winding's copper loss
    is_cold: ClassVar[bool] = False  # whether the winding's resistance was measured at rest, not as it runs
    is_known: ClassVar[bool] = True
    needs_current: ClassVar[bool] = False  # a column of motor current beside each power

    @abstractmethod
    def is_open(self, rig: Rig, groups: Iterable[Readings]) -> bool:
        """Whether a bench and all its readings tell what this route needs."""

    @abstractmethod
    def loss(self, readings: Readings, meters: Meters, net: FloatArray, amps: FloatArray) -> LoadLoss:
        """Loss at readings with net input power [W] and motor current [A]; nan where no current explains it."""

    @abstractmethod
    def loss_at_shaft(self, shaft: FloatArray, amps: FloatArray, ohms: FloatArray, meters: Meters) -> LoadLoss:
        """Loss that goes with a shaft power [W], which asks for a current [A] in the winding's resistance [ohm]."""

    def scatter_at_meter(self, scatter: FloatArray, meters: Meters) -> FloatArray:
        """What a meter's reading deviates by where the ladder's, on the side it is fitted on, do by `scatter`. [W]"""
        return scatter

    def passed_on(self, power: FloatArray, loss: FloatArray, slope: FloatArray) -> FloatArray:
        """Share of a small deviation of input power [W] that reaches the shaft; slope of the loss in shaft power."""
        return 1 / (1 + slope)


class MeasuredCurrent(Route):
    """The winding resistance and a column of motor current."""

    name = "measured current"
    words = "copper loss from the winding resistance and the measured motor current"
    has_copper = True
    is_cold = True
    needs_current = True

    def is_open(self, rig: Rig, groups: Iterable[Readings]) -> bool:
        at_motor = rig.motor.winding_resistance is not None and rig.motor.supply == "terminals"
        return at_motor and all(np.isfinite(readings.current).all() for readings in groups)

    def loss(self, readings: Readings, meters: Meters, net: FloatArray, amps: FloatArray) -> LoadLoss:
        copper = motor.copper_loss(amps, _winding_resistance(readings, meters), meters.form_factor)
        return LoadLoss(copper + meters.brush_drop * amps, copper)

    def loss_at_shaft(self, shaft: FloatArray, amps: FloatArray, ohms: FloatArray, meters: Meters) -> LoadLoss:
        copper = motor.copper_loss(amps, ohms, meters.form_factor)
        taken = (shaft + copper + meters.brush_drop * amps) / meters.controller_efficiency
        return LoadLoss(taken - shaft, copper)

    def passed_on(self, power: FloatArray, loss: FloatArray, slope: FloatArray) -> FloatArray:
        return np.hypot(1.0, 2 * loss / power)  # the ammeter's own deviation counts twice in the copper loss


class FittedConstants(MeasuredCurrent):
    """Volts and amperes at the motor from which its constants were fitted: nothing that bench.toml states."""

    name = "fitted constants"
    words = "copper and brush loss from the motor constants that the bench's own volts and amperes tell"
    is_cold = False

    def is_open(self, rig: Rig, groups: Iterable[Readings]) -> bool:
        return False  # whether the readings tell them shows in the fit


class MotorConstants(MeasuredCurrent):
    """The winding resistance and the torque constant, from which the current follows."""

    name = "motor constants"
    words = "copper loss from the winding resistance and torque constant"
    needs_current = False

    def is_open(self, rig: Rig, groups: Iterable[Readings]) -> bool:
        return rig.motor.winding_resistance is not None and rig.motor.torque_constant is not None

    def loss(self, readings: Readings, meters: Meters, net: FloatArray, amps: FloatArray) -> LoadLoss:
        ohms, given = _winding_resistance(readings, meters), net * meters.controller_efficiency
        speed = motor.motor_speed(readings.frequency[:, None], meters.ratio)
        found = motor.motor_current(given, ohms, meters.torque_constant, speed, meters.form_factor, meters.brush_drop)
        copper = motor.copper_loss(found, ohms, meters.form_factor)
        return LoadLoss(net - given + copper + meters.brush_drop * found, copper)

    passed_on = Route.passed_on


class Incremental(Route):
    """A stated slope of output against input at constant speed."""

    name = "incremental"
    words = "load loss from the stated incremental efficiency"

    def is_open(self, rig: Rig, groups: Iterable[Readings]) -> bool:
        return rig.motor.incremental_efficiency is not None

    def efficiency(self, meters: Meters) -> FloatArray:
        """The slope, (1 + draws,). [1]"""
        return meters.incremental_efficiency

    def loss(self, readings: Readings, meters: Meters, net: FloatArray, amps: FloatArray) -> LoadLoss:
        return LoadLoss(net - motor.incremental_shaft_power(net, self.efficiency(meters)), np.zeros_like(net))

    def loss_at_shaft(self, shaft: FloatArray, amps: FloatArray, ohms: FloatArray, meters: Meters) -> LoadLoss:
        return LoadLoss(shaft * (1 / self.efficiency(meters) - 1), np.zeros_like(shaft))

    def scatter_at_meter(self, scatter: FloatArray, meters: Meters) -> FloatArray:
        return scatter / self.efficiency(meters)

    def passed_on(self, power: FloatArray, loss: FloatArray, slope: FloatArray) -> FloatArray:
        return np.ones_like(power)  # the scatter was found on the shaft's side


class Unknown(Incremental):
    """Nothing tells: input powers are subtracted, as if nothing grew with load."""

    name = "unknown"
    words = "load loss of the motor not known: input powers are subtracted"
    is_known = False

    def is_open(self, rig: Rig, groups: Iterable[Readings]) -> bool:
        return True

    def efficiency(self, meters: Meters) -> FloatArray:
        return np.ones(meters.size)


UNKNOWN = Unknown()
FITTED = FittedConstants()
# the best last
ROUTES: dict[str, Route] = {r.name: r for r in (UNKNOWN, FITTED, Incremental(), MotorConstants(), MeasuredCurrent())}


def choose_route(rig: Rig, *groups: Readings) -> Route:
    """The best route that all readings allow."""
    return [route for route in ROUTES.values() if route.is_open(rig, groups)][-1]


@dataclass(frozen=True)
class Shaft:
    """Arrays of shape (n, 1 + draws) [W]: input, and what of it is lost in growing with load, or reaches the shaft."""

    input: FloatArray
    load_loss: FloatArray
    copper: FloatArray  # of the load loss
    power: FloatArray


@dataclass(frozen=True)
class Scattered:
    """What one reading deviates by chance, (n, 1 + draws): its power [W], and its motor current as a fraction."""

    power: FloatArray
    current: FloatArray


def shaft_power(
    readings: Readings, meters: Meters, standby: FloatArray, route: Route, scatter: Scattered | None = None
) -> Shaft:
    """Split input power into standby, load loss and shaft power.

    standby: shape (1 + draws,) or (n, 1 + draws) [W]. scatter: of each reading by itself, applied before the split.
    Raises InputError where a reading lies so far below standby that no motor current explains it.
    """
    total, amps = meters.power(readings), meters.current(readings)
    if scatter is not None:
        total, amps = total + scatter.power, amps * (1 + scatter.current)
    net = total - standby
    found = route.loss(readings, meters, net, amps)
    if not np.isfinite(found.total[:, 0]).all():
        bad = int(np.flatnonzero(~np.isfinite(found.total[:, 0]))[0])
        raise InputError(
            f"{readings.where(bad)}, column 'power': read {readings.power[bad]:g} W, expected more than "
            f"the standby power of {float(np.ravel(standby)[0]):g} W"
        )
    loss, copper = (np.where(np.isfinite(part), part, part[:, :1]) for part in (found.total, found.copper))
    return Shaft(total, loss, copper, motor.air_gap_power(net, loss))


def _winding_resistance(readings: Readings, meters: Meters) -> FloatArray:
    """At each reading, shape (n, 1 + draws): at the reference temperature where none was read. [ohm]"""
    read = np.isfinite(readings.winding)[:, None]
    reference = meters.reference_temperature
    temperature = np.where(read, meters.temperature("winding", readings.winding), reference)
    return motor.winding_resistance(meters.resistance, reference, temperature)
