"""Draws of everything that is common to many readings: meter errors, motor constants, geometry.

Limits of error are rectangular (JCGM 101:2008, 6.4.2). Draws are stratified, so that a few hundred
of them already fill each rectangle evenly.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field, fields
from typing import Any

import numpy as np

from driveloss.bench.records import FloatArray, Limits, Quantity, Rig

SOURCES = (
    "noise",
    "meter gain",
    "meter zero",
    "motor constants",
    "geometry",
    "frequency",
    "temperature",
    "terms",
)


@dataclass(frozen=True)
class Inputs:
    """Arrays of shape (1 + draws,): the stated value first, then the draws."""

    power_gain: FloatArray  # factor on a power reading [1]
    power_zero: FloatArray  # [W]
    voltage_gain: FloatArray  # [1]
    voltage_zero: FloatArray  # [V]
    current_gain: FloatArray  # [1]
    current_zero: FloatArray  # [A]
    product_by_power_limits: bool  # volts times amperes: no limits of either are stated, so the power's stand for both
    pressure_gain: FloatArray  # [1]
    pressure_zero: FloatArray  # [Pa]
    temperature_shift: FloatArray  # [K] at the winding and elsewhere
    frequency_gain: FloatArray  # [1]
    frequency_zero: FloatArray  # [Hz]
    resistance: FloatArray  # [ohm] at the reference temperature, nan where not known
    reference_temperature: float  # [K] of that resistance
    torque_constant: FloatArray  # [N m/A], nan where not known
    form_factor: FloatArray  # [1]
    incremental_efficiency: FloatArray  # [1], nan where not given
    ratio: FloatArray  # [1]
    efficiency: FloatArray  # of the transmission [1]
    seal_heat_share: FloatArray  # [1]
    thermal_resistance: FloatArray  # [K/W], nan where not given
    ambient_temperature: FloatArray  # [K]
    cylinders: dict[str, dict[str, FloatArray]] = field(default_factory=dict)  # geometry by cylinder, SI

    @property
    def size(self) -> int:
        """One and the number of draws."""
        return len(self.power_gain)


class _Sampler:
    """Draws rectangular limits in a fixed order; a source that is switched off keeps its stated value."""

    def __init__(self, rng: np.random.Generator, draws: int, active: Collection[str]):
        self.rng, self.draws, self.active = rng, draws, active

    def rectangular(self, value: float, limit: float, source: str) -> FloatArray:
        """The value, then draws within value +/- limit; shape (1 + draws,)."""
        strata = (self.rng.permutation(self.draws) + self.rng.random(self.draws)) / self.draws
        spread = (2 * strata - 1) * (limit if source in self.active else 0.0)
        return value + np.concatenate([[0.0], spread])

    def quantity(self, quantity: Quantity | None, source: str) -> FloatArray:
        """Draws of a stated quantity; nan where there is none."""
        if quantity is None:
            return np.full(self.draws + 1, np.nan)
        return self.rectangular(quantity.value, quantity.limit, source)

    def gain(self, limits: Limits, source: str) -> FloatArray:
        return self.rectangular(1.0, limits.gain, source)

    def zero(self, limits: Limits, source: str) -> FloatArray:
        return self.rectangular(0.0, limits.zero, source)


def draw_inputs(rig: Rig, draws: int, seed: int, active: Collection[str] = SOURCES) -> Inputs:
    """Draw every common input of a rig; sources not in `active` keep their stated values."""
    sampler = _Sampler(np.random.default_rng([seed, 1]), draws, active)
    meter, motor, constants, geometry = rig.meter, rig.motor, "motor constants", "geometry"

    def at_most(draws: FloatArray, most: float) -> FloatArray:
        return np.minimum(draws, most)  # limits may reach past what an efficiency or a share can be

    return Inputs(
        power_gain=sampler.gain(meter.power, "meter gain"),
        power_zero=sampler.zero(meter.power, "meter zero"),
        voltage_gain=sampler.gain(meter.voltage, "meter gain"),
        voltage_zero=sampler.zero(meter.voltage, "meter zero"),
        current_gain=sampler.gain(meter.current, "meter gain"),
        current_zero=sampler.zero(meter.current, "meter zero"),
        product_by_power_limits=meter.voltage.is_perfect and meter.current.is_perfect,
        pressure_gain=sampler.gain(meter.pressure, geometry),
        pressure_zero=sampler.zero(meter.pressure, geometry),
        temperature_shift=sampler.zero(meter.temperature, "temperature"),
        frequency_gain=sampler.gain(meter.frequency, "frequency"),
        frequency_zero=sampler.zero(meter.frequency, "frequency"),
        resistance=sampler.quantity(motor.winding_resistance, constants),
        reference_temperature=motor.winding_temperature,
        torque_constant=sampler.quantity(motor.torque_constant, constants),
        form_factor=sampler.quantity(motor.current_form_factor, constants),
        incremental_efficiency=at_most(sampler.quantity(motor.incremental_efficiency, constants), 1.0),
        ratio=sampler.quantity(rig.transmission.ratio, geometry),
        efficiency=at_most(sampler.quantity(rig.transmission.efficiency, constants), 1.0),
        seal_heat_share=at_most(sampler.quantity(rig.aftercooler.seal_heat_share, geometry), 1.0),
        thermal_resistance=sampler.quantity(rig.aftercooler.thermal_resistance, "temperature"),
        ambient_temperature=sampler.quantity(rig.ambient_temperature, "temperature"),
        cylinders={name: _draw_cylinder(sampler, rig, name) for name in rig.cylinders},
    )


def first_column(inputs: Inputs) -> Inputs:
    """The stated values alone: every array cut to shape (1,)."""

    def cut(value: Any) -> Any:
        if isinstance(value, dict):
            return {key: cut(item) for key, item in value.items()}
        return value[:1] if isinstance(value, np.ndarray) else value

    return Inputs(**{item.name: cut(getattr(inputs, item.name)) for item in fields(Inputs)})


def _draw_cylinder(sampler: _Sampler, rig: Rig, name: str) -> dict[str, FloatArray]:
    cylinder = rig.cylinders[name]
    return {
        "bore": sampler.quantity(cylinder.bore, "geometry"),
        "stroke": sampler.quantity(cylinder.stroke, "geometry"),
        "back_pressure": sampler.quantity(cylinder.back_pressure, "geometry"),
        "open_port_diameter": sampler.quantity(cylinder.open_port_diameter, "geometry"),
        "discharge_coefficient": sampler.quantity(cylinder.discharge_coefficient, "geometry"),
        "pressure_friction": sampler.quantity(cylinder.pressure_friction, "geometry"),
    }
