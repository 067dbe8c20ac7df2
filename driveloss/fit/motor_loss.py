"""From what the meter read to shaft-side (air-gap) power, for every draw of the common inputs.

How the loss that grows with load is known decides the route (`load_loss_route`); each route is one row of
ROUTES. A route returns that loss; shaft power is the input less standby less that loss.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from driveloss.bench.records import FloatArray, Rig
from driveloss.errors import InputError
from driveloss.fit.meters import Inputs
from driveloss.fit.readings import Readings
from driveloss.physics import motor


@dataclass(frozen=True)
class Shaft:
    """Arrays of shape (n, 1 + draws) [W]: input, and what of it is lost in growing with load, or reaches the shaft."""

    input: FloatArray
    load_loss: FloatArray
    power: FloatArray


@dataclass(frozen=True)
class Scattered:
    """What one reading deviates by chance, (n, 1 + draws): its power [W], and its motor current as a fraction."""

    power: FloatArray
    current: FloatArray


def load_loss_route(rig: Rig, *groups: Readings) -> str:
    """Name the route that all readings allow: 'measured current', 'motor constants', 'incremental' or 'unknown'."""
    known = rig.motor
    if known.incremental_efficiency is not None:
        return "incremental"
    if known.winding_resistance is None:
        return "unknown"
    has_current = all(np.isfinite(readings.current).all() for readings in groups)
    if known.supply == "terminals" and has_current:
        return "measured current"
    return "unknown" if known.torque_constant is None else "motor constants"


def input_power(readings: Readings, inputs: Inputs) -> FloatArray:
    """Power at the meter with the meter's errors applied, shape (n, 1 + draws). [W]"""
    power = readings.power[:, None]
    by_product = np.isfinite(readings.voltage)
    corrected = power * inputs.power_gain + inputs.power_zero
    if by_product.any():
        volts = readings.voltage[by_product, None] * inputs.voltage_gain + inputs.voltage_zero
        read = readings.power[by_product] / readings.voltage[by_product]  # at a controller: bus current
        amps = read[:, None] * inputs.current_gain + inputs.current_zero
        corrected[by_product] = volts * amps
        if inputs.product_by_power_limits:
            corrected[by_product] = volts * amps * inputs.power_gain + inputs.power_zero
    return corrected


def shaft_power(
    readings: Readings, inputs: Inputs, standby: FloatArray, route: str, scatter: Scattered | None = None
) -> Shaft:
    """Split input power into standby, load loss and shaft power.

    standby: shape (1 + draws,) or (n, 1 + draws) [W]. scatter: of each reading by itself, applied before the split.
    Raises InputError where a reading lies so far below standby that no motor current explains it.
    """
    total = input_power(readings, inputs)
    amps = readings.current[:, None] * inputs.current_gain + inputs.current_zero
    if scatter is not None:
        total, amps = total + scatter.power, amps * (1 + scatter.current)
    net = total - standby
    loss = ROUTES[route](readings, inputs, net, amps)
    if not np.isfinite(loss[:, 0]).all():
        bad = int(np.flatnonzero(~np.isfinite(loss[:, 0]))[0])
        raise InputError(
            f"{readings.where(bad)}, column 'power': read {readings.power[bad]:g} W, expected more than "
            f"the standby power of {float(np.ravel(standby)[0]):g} W"
        )
    loss = np.where(np.isfinite(loss), loss, loss[:, :1])
    return Shaft(total, loss, motor.air_gap_power(net, loss))


def _winding_resistance(readings: Readings, inputs: Inputs) -> FloatArray:
    """At each reading, shape (n, 1 + draws): at the reference temperature where none was read. [ohm]"""
    read = np.isfinite(readings.winding)[:, None]
    reference = inputs.reference_temperature
    temperature = np.where(read, readings.winding[:, None] + inputs.temperature_shift, reference)
    return motor.winding_resistance(inputs.resistance, reference, temperature)


def _from_current(readings: Readings, inputs: Inputs, net: FloatArray, amps: FloatArray) -> FloatArray:
    return motor.copper_loss(amps, _winding_resistance(readings, inputs), inputs.form_factor)


def _from_constants(readings: Readings, inputs: Inputs, net: FloatArray, _: FloatArray) -> FloatArray:
    ohms = _winding_resistance(readings, inputs)
    speed = motor.motor_speed(readings.frequency[:, None], inputs.ratio)
    amps = motor.motor_current(net, ohms, inputs.torque_constant, speed, inputs.form_factor)
    return motor.copper_loss(amps, ohms, inputs.form_factor)


def _incremental(readings: Readings, inputs: Inputs, net: FloatArray, _: FloatArray) -> FloatArray:
    return net - motor.incremental_shaft_power(net, inputs.incremental_efficiency)


def _unknown(readings: Readings, inputs: Inputs, net: FloatArray, _: FloatArray) -> FloatArray:
    return np.zeros_like(net)


# Each takes readings, inputs, net input power and motor current (n, 1 + draws); gives the load loss (n, 1 + draws) [W].
ROUTES: dict[str, Callable[[Readings, Inputs, FloatArray, FloatArray], FloatArray]] = {
    "measured current": _from_current,
    "motor constants": _from_constants,
    "incremental": _incremental,
    "unknown": _unknown,
}
