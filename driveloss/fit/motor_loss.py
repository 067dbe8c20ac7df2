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
from driveloss.fit.brake import Brake
from driveloss.fit.meters import Meters
from driveloss.fit.readings import Readings
from driveloss.physics import motor

LARGEST_SWING = 0.7  # of the mean shaft power that the motor's current follows: common practice, no published source


@dataclass(frozen=True)
class LoadLoss:
    """Motor loss that grows with load, and the winding's copper loss within it, (n, 1 + draws) each. [W]"""

    total: FloatArray
    copper: FloatArray


@dataclass(frozen=True)
class Asked:
    """What a shaft power asks for: frequency [Hz] (n,), motor current [A] and resistance [ohm], (n, 1 + draws)."""

    frequency: FloatArray
    amps: FloatArray
    ohms: FloatArray


class Route(ABC):
    """How the motor loss that grows with load is known. Arrays are (n, 1 + draws)."""

    name: ClassVar[str]  # in saved calibrations
    words: ClassVar[str]
    has_copper: ClassVar[bool] = False  # whether the loss is the winding's copper loss
    is_cold: ClassVar[bool] = False  # whether the winding's resistance was measured at rest, not as it runs
    is_known: ClassVar[bool] = True
    needs_current: ClassVar[bool] = False  # a column of motor current beside each power
    uses: ClassVar[frozenset[str]] = frozenset()  # of the fields of Meters about the motor

    @abstractmethod
    def is_open(self, rig: Rig, groups: Iterable[Readings]) -> bool:
        """Whether a bench and all its readings tell what this route needs."""

    @abstractmethod
    def loss(
        self, readings: Readings, meters: Meters, net: FloatArray, amps: FloatArray, swing: FloatArray
    ) -> LoadLoss:
        """Loss at readings with net input power [W] and motor current [A]; nan where no current explains it.

        swing: standard deviation over the cycle of the power that the crank takes, (n, 1) or (n, 1 + draws). [W]
        """

    @abstractmethod
    def loss_at_shaft(self, shaft: FloatArray, asked: Asked, meters: Meters, swing: FloatArray) -> LoadLoss:
        """Loss that goes with a shaft power [W] at the frequency and with the current that it asks for."""

    def free_load_loss(self, shaft: FloatArray, frequency: FloatArray, meters: Meters, top: float) -> FloatArray:
        """What of a shaft power without load [W] at frequency (n,) is electrical all the same; below zero where a loss
        was taken off that grows with load but is not there without. top: of the ladder's frequencies [Hz].
        """
        return np.zeros_like(shaft)

    def scatter_at_meter(self, scatter: FloatArray, meters: Meters) -> FloatArray:
        """What a meter's reading deviates by where the ladder's, on the side it is fitted on, do by `scatter`. [W]"""
        return scatter

    def unread_winding(self, meters: Meters, power: FloatArray) -> FloatArray:
        """Temperature of a winding that nobody read at an input power (n, 1 or 1 + draws) [W]. [K]"""
        return np.asarray(meters.ambient_temperature + meters.winding_rise * power / meters.full_power)

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
    uses = frozenset({"resistance", "form_factor", "ripple", "brush_drop", "winding_rise"})

    def is_open(self, rig: Rig, groups: Iterable[Readings]) -> bool:
        at_motor = rig.motor.winding_resistance is not None and rig.motor.supply == "terminals"
        return at_motor and all(np.isfinite(readings.current).all() for readings in groups)

    def loss(
        self, readings: Readings, meters: Meters, net: FloatArray, amps: FloatArray, swing: FloatArray
    ) -> LoadLoss:
        ohms, brush = self.ohms(readings, meters), meters.brush_drop * amps
        smooth = motor.copper_loss(amps, ohms, meters.form_factor)
        copper = motor.copper_loss(amps, ohms, _form_factor(meters, net - smooth - brush, swing))
        return LoadLoss(copper + brush, copper)

    def ohms(self, readings: Readings, meters: Meters) -> FloatArray:
        """Resistance of the winding at each reading, (n, 1 + draws). [ohm]"""
        read = np.isfinite(readings.winding)[:, None]
        unread = self.unread_winding(meters, readings.power[:, None])
        temperature = np.where(read, meters.temperature("winding", readings.winding), unread)
        return motor.winding_resistance(meters.resistance, meters.reference_temperature, temperature)

    def loss_at_shaft(self, shaft: FloatArray, asked: Asked, meters: Meters, swing: FloatArray) -> LoadLoss:
        copper = motor.copper_loss(asked.amps, asked.ohms, _form_factor(meters, shaft, swing))
        taken = (shaft + copper + meters.brush_drop * asked.amps) / meters.controller_efficiency
        return LoadLoss(taken - shaft, copper)

    def passed_on(self, power: FloatArray, loss: FloatArray, slope: FloatArray) -> FloatArray:
        return np.hypot(1.0, 2 * loss / power)  # the ammeter's own deviation counts twice in the copper loss


class FittedConstants(MeasuredCurrent):
    """Volts and amperes at the motor from which its constants were fitted: nothing that bench.toml states."""

    name = "fitted constants"
    words = "copper and brush loss from the motor constants that the bench's own volts and amperes tell"
    is_cold = False
    uses = frozenset({"form_factor", "ripple"})

    def is_open(self, rig: Rig, groups: Iterable[Readings]) -> bool:
        return False  # whether the readings tell them shows in the fit

    def unread_winding(self, meters: Meters, power: FloatArray) -> FloatArray:
        return np.full_like(power, meters.reference_temperature)  # the fit has it as warm as it ran


class MotorConstants(MeasuredCurrent):
    """The winding resistance and the torque constant, from which the current follows."""

    name = "motor constants"
    words = "copper loss from the winding resistance and torque constant"
    needs_current = False
    uses = MeasuredCurrent.uses | {"torque_constant", "controller_efficiency"}

    def is_open(self, rig: Rig, groups: Iterable[Readings]) -> bool:
        return rig.motor.winding_resistance is not None and rig.motor.torque_constant is not None

    def loss(
        self, readings: Readings, meters: Meters, net: FloatArray, amps: FloatArray, swing: FloatArray
    ) -> LoadLoss:
        ohms, given = self.ohms(readings, meters), net * meters.controller_efficiency
        speed = motor.motor_speed(readings.frequency[:, None], meters.ratio)

        def amperes(form: FloatArray) -> FloatArray:
            return motor.motor_current(given, ohms, meters.torque_constant, speed, form, meters.brush_drop)

        smooth = amperes(meters.form_factor)
        form = _form_factor(meters, smooth * meters.torque_constant * speed, swing)
        found = amperes(form)
        copper = motor.copper_loss(found, ohms, form)
        return LoadLoss(net - given + copper + meters.brush_drop * found, copper)

    passed_on = Route.passed_on


class Incremental(Route):
    """A stated slope of output against input at constant speed."""

    name = "incremental"
    words = "load loss from the stated incremental efficiency"
    uses = frozenset({"incremental_efficiency", "free_load_loss", "free_load_rise"})

    def is_open(self, rig: Rig, groups: Iterable[Readings]) -> bool:
        return rig.motor.incremental_efficiency is not None

    def loss(
        self, readings: Readings, meters: Meters, net: FloatArray, amps: FloatArray, swing: FloatArray
    ) -> LoadLoss:
        return LoadLoss(net - motor.incremental_shaft_power(net, meters.incremental_efficiency), np.zeros_like(net))

    def loss_at_shaft(self, shaft: FloatArray, asked: Asked, meters: Meters, swing: FloatArray) -> LoadLoss:
        return LoadLoss(shaft * (1 / meters.incremental_efficiency - 1), np.zeros_like(shaft))

    def free_load_loss(self, shaft: FloatArray, frequency: FloatArray, meters: Meters, top: float) -> FloatArray:
        taken = shaft * (1 / meters.incremental_efficiency - 1)  # as if friction cost what a load does
        share = meters.free_load_loss * (frequency[:, None] / top) ** meters.free_load_rise
        return np.asarray(-(1 - np.minimum(share, 1.0)) * taken)

    def scatter_at_meter(self, scatter: FloatArray, meters: Meters) -> FloatArray:
        return scatter / meters.incremental_efficiency

    def passed_on(self, power: FloatArray, loss: FloatArray, slope: FloatArray) -> FloatArray:
        return np.ones_like(power)  # the scatter was found on the shaft's side


class Unknown(Incremental):
    """Nothing tells, so an incremental efficiency is assumed."""

    name = "unknown"
    words = "load loss of the motor not known: an incremental efficiency is assumed"
    is_known = False

    def is_open(self, rig: Rig, groups: Iterable[Readings]) -> bool:
        return True


class Braked(Route):
    """The machine drove a known torque: what that cost beyond the torque's own power is the load loss.

    Motor, controller and transmission together; what reaches the crank is the shaft power.
    """

    name = "braked"
    words = "load loss of controller, motor and transmission from the braked sweep"
    uses = frozenset({"ripple"})

    def is_open(self, rig: Rig, groups: Iterable[Readings]) -> bool:
        return False  # whether the braked sweep tells it shows in the fit

    def loss(
        self, readings: Readings, meters: Meters, net: FloatArray, amps: FloatArray, swing: FloatArray
    ) -> LoadLoss:
        brake, omega = _brake(meters), 2 * np.pi * readings.frequency[:, None]
        drive = brake.drive(readings.frequency)
        torque = brake.torque(net - drive, omega)
        rippled = self._ripple(meters, drive + omega * torque, omega, swing)
        torque = brake.torque(net - drive - rippled, omega)
        return LoadLoss(net - drive - omega * torque, np.zeros_like(net))

    def loss_at_shaft(self, shaft: FloatArray, asked: Asked, meters: Meters, swing: FloatArray) -> LoadLoss:
        brake, omega = _brake(meters), 2 * np.pi * asked.frequency[:, None]
        torque = (shaft - brake.drive(asked.frequency)) / omega
        rippled = self._ripple(meters, shaft, omega, swing)
        return LoadLoss(brake.loss(torque, omega) + rippled, np.zeros_like(shaft))

    def free_load_loss(self, shaft: FloatArray, frequency: FloatArray, meters: Meters, top: float) -> FloatArray:
        """The drive's input less its friction, which is the torque that, taken off the crank, brings the input to zero.

        As a Willans line is carried on to no input at all.
        """
        brake, omega = _brake(meters), 2 * np.pi * frequency[:, None]
        drive = brake.drive(frequency)
        return np.asarray(drive + omega * brake.torque(-drive, omega))

    def _ripple(self, meters: Meters, shaft: FloatArray, omega: FloatArray, swing: FloatArray) -> FloatArray:
        """What a torque that swings costs beyond its mean: the loss that grows with its square. [W]"""
        follows = np.minimum(swing, LARGEST_SWING * np.maximum(shaft, 0.0))
        return np.asarray(_brake(meters).square * (_ripple(meters) * follows / omega) ** 2)


UNKNOWN = Unknown()
FITTED = FittedConstants()
BRAKED = Braked()
# the best last
ROUTES: dict[str, Route] = {
    r.name: r for r in (UNKNOWN, FITTED, Incremental(), MotorConstants(), MeasuredCurrent(), BRAKED)
}


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


def shaft_power(  # noqa: PLR0913 - all that a reading's split depends on
    readings: Readings,
    meters: Meters,
    standby: FloatArray,
    route: Route,
    scatter: Scattered | None = None,
    swing: FloatArray | None = None,
) -> Shaft:
    """Split input power into standby, load loss and shaft power.

    standby: shape (1 + draws,) or (n, 1 + draws) [W]. scatter: of each reading by itself, applied before the split.
    swing: standard deviation over the cycle of the power that the crank takes, (n, 1 + draws) [W]; none unless given.
    Raises InputError where a reading lies so far below standby that no motor current explains it.
    """
    total, amps = meters.power(readings), meters.current(readings)
    if scatter is not None:
        total, amps = total + scatter.power, amps * (1 + scatter.current)
    net = total - standby
    found = route.loss(readings, meters, net, amps, np.zeros((len(readings), 1)) if swing is None else swing)
    if not np.isfinite(found.total[:, 0]).all():
        bad = int(np.flatnonzero(~np.isfinite(found.total[:, 0]))[0])
        raise InputError(
            f"{readings.where(bad)}, column 'power': read {readings.power[bad]:g} W, expected more than "
            f"the standby power of {float(np.ravel(standby)[0]):g} W"
        )
    loss, copper = (np.where(np.isfinite(part), part, part[:, :1]) for part in (found.total, found.copper))
    return Shaft(total, loss, copper, motor.air_gap_power(net, loss))


def _brake(meters: Meters) -> Brake:
    if meters.brake is None:
        raise ValueError("the braked route needs a braked sweep to have been fitted")
    return meters.brake


def _ripple(meters: Meters) -> FloatArray:
    """Share of the torque's swing in the current, (1 + draws,): small ones are likelier, rotors have inertia."""
    return np.asarray(meters.ripple**2)


def _form_factor(meters: Meters, shaft: FloatArray, swing: FloatArray) -> FloatArray:
    """Rms over mean of the current, (n, 1 + draws), that follows a swing of power [W] about the shaft power [W].

    Inertia leaves an unknown share of the swing. A machine whose load swings further than LARGEST_SWING of the mean
    needs a flywheel to turn evenly at all, so beyond it the current follows no further.
    """
    relative = np.clip(swing / np.maximum(shaft, 1e-9), 0.0, LARGEST_SWING)
    return np.asarray(np.hypot(meters.form_factor, _ripple(meters) * relative))
