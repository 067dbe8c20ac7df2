"""Errors common to many readings: what meters, constants and dimensions may be off by, drawn once for all of them.

Limits of error are rectangular (JCGM 101:2008, 6.4.2) and drawn in strata, so that a few hundred draws already fill
each rectangle evenly. Each error is one field below. Its name keys its own stream of random numbers: adding one moves
no other, and one instrument on two benches errs alike on both.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass, field, fields, replace
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np

from driveloss.bench.records import Cylinder, FloatArray, Limits, Meter, Motor, Quantity, Rig

if TYPE_CHECKING:
    from driveloss.fit.readings import Readings

CHANCE = ("noise", "terms")  # what each reading scatters by, and what laws its scatter leaves open

Salt = Callable[[str], int]


def stream(seed: int, name: str, salt: int = 0) -> np.random.Generator:
    """The random numbers of one purpose: the same for the same seed, name and salt, independent of all others."""
    return np.random.default_rng([seed, salt, *name.encode()])


def strata(rng: np.random.Generator, count: int) -> FloatArray:
    """Numbers between 0 and 1, one in each of `count` equal strata, in random order, (count,)."""
    return np.asarray((rng.permutation(count) + rng.random(count)) / count)


@dataclass(frozen=True)
class CommonError:
    """What is known of one error: the budget's row that it counts to, and where bench.toml states it."""

    source: str
    origin: str  # section of bench.toml: where two benches' are equal, it is the same hardware; '' = never
    stated: Callable[[Any], Quantity | None]  # from the rig (or the cylinder) to value and limit
    most: float  # what it cannot exceed, however wide its limits


def _error(source: str, origin: str, stated: Callable[[Any], Quantity | None], most: float = np.inf) -> Any:
    return field(metadata={"error": CommonError(source, origin, stated, most)})


def _gain(instrument: str) -> Any:
    source = "meter gain" if instrument in ("power", "voltage", "current") else instrument
    return _error(source, "meter", lambda rig: Quantity(1.0, getattr(rig.meter, instrument).gain))


def _zero(instrument: str) -> Any:
    source = "meter zero" if instrument in ("power", "voltage", "current") else instrument
    return _error(source, "meter", lambda rig: Quantity(0.0, getattr(rig.meter, instrument).zero))


def _ammeter_gain(meter: Meter) -> float:
    """Its own limit; where neither its nor the voltmeter's is stated, the power's, which then stands for both."""
    return meter.power.gain if meter.voltage.is_perfect and meter.current.is_perfect else meter.current.gain


def _controller(motor: Motor) -> Quantity:
    """What passes it of what goes beyond standby; all where the meter sits behind it or nothing is stated."""
    stated = motor.controller_efficiency if motor.supply == "controller" else None
    return stated or Quantity(1.0)


def _dimension(key: str) -> Any:
    return _error("geometry", key, lambda cylinder: getattr(cylinder, key))


@dataclass(frozen=True)
class CylinderDraws:
    """One cylinder's dimensions, (1 + draws,) each; nan where not given."""

    bore: FloatArray = _dimension("bore")  # [m]
    stroke: FloatArray = _dimension("stroke")  # [m]
    back_pressure: FloatArray = _dimension("back_pressure")  # [Pa]
    open_port_diameter: FloatArray = _dimension("open_port_diameter")  # [m]
    discharge_coefficient: FloatArray = _dimension("discharge_coefficient")  # [1]
    open_volume: FloatArray = _dimension("open_volume")  # [m^3]
    pressure_friction: FloatArray = _dimension("pressure_friction")  # [N/Pa]


@dataclass(frozen=True)
class Meters:
    """Every common error of a bench, arrays of shape (1 + draws,): as stated first, then the draws; nan = not known."""

    power_gain: FloatArray = _gain("power")  # factor on a reading [1]
    power_zero: FloatArray = _zero("power")  # [W]
    voltage_gain: FloatArray = _gain("voltage")
    voltage_zero: FloatArray = _zero("voltage")  # [V]
    current_gain: FloatArray = _error("meter gain", "meter", lambda rig: Quantity(1.0, _ammeter_gain(rig.meter)))
    current_zero: FloatArray = _zero("current")  # [A]
    pressure_gain: FloatArray = _gain("pressure")
    pressure_zero: FloatArray = _zero("pressure")  # [Pa]
    frequency_gain: FloatArray = _gain("frequency")
    frequency_zero: FloatArray = _zero("frequency")  # [Hz]
    winding_zero: FloatArray = _zero("temperature")  # [K] of each thermometer
    cold_end_zero: FloatArray = _zero("temperature")
    hot_end_zero: FloatArray = _zero("temperature")
    coolant_zero: FloatArray = _zero("temperature")
    ambient_temperature: FloatArray = _error("temperature", "", lambda rig: rig.ambient_temperature)  # [K]
    resistance: FloatArray = _error("motor constants", "motor", lambda rig: rig.motor.winding_resistance)  # [ohm]
    torque_constant: FloatArray = _error("motor constants", "motor", lambda rig: rig.motor.torque_constant)  # [N m/A]
    form_factor: FloatArray = _error("motor constants", "motor", lambda rig: rig.motor.current_form_factor)  # [1]
    brush_drop: FloatArray = _error(
        "motor constants", "motor", lambda rig: rig.motor.brush_drop or Quantity(0.0)
    )  # [V] of both brushes
    controller_efficiency: FloatArray = _error(
        "motor constants", "motor", lambda rig: _controller(rig.motor), 1.0
    )  # of what passes beyond standby
    incremental_efficiency: FloatArray = _error(
        "motor constants", "motor", lambda rig: rig.motor.incremental_efficiency, 1.0
    )
    ratio: FloatArray = _error("transmission", "transmission", lambda rig: rig.transmission.ratio)  # [1]
    efficiency: FloatArray = _error("transmission", "transmission", lambda rig: rig.transmission.efficiency, 1.0)
    seal_heat_share: FloatArray = _error(
        "seal heat share", "aftercooler", lambda rig: rig.aftercooler.seal_heat_share, 1.0
    )
    thermal_resistance: FloatArray = _error(
        "temperature", "aftercooler", lambda rig: rig.aftercooler.thermal_resistance
    )  # [K/W]
    cylinders: dict[str, CylinderDraws] = field(default_factory=dict)
    reference_temperature: float = 293.15  # [K] at which the resistance was measured
    product_by_power_limits: bool = False  # volts times amperes without limits of their own: the power's stand for both
    fitted: tuple[str, ...] = ()  # fields found in the readings: they follow from the other errors and the scatter
    reading_by_reading: Limits = Limits()  # [Hz] a run's own misreading of frequency

    @property
    def size(self) -> int:
        """One and the number of draws."""
        return len(self.power_gain)

    def power(self, readings: Readings) -> FloatArray:
        """Input power with the meter's errors applied, (n, 1 + draws). [W]"""
        corrected = readings.power[:, None] * self.power_gain + self.power_zero
        product = np.isfinite(readings.voltage)
        if product.any() and not self.product_by_power_limits:
            corrected[product] = (self.voltage(readings) * self._amperes(readings.bus_current))[product]
        return corrected

    def voltage(self, readings: Readings) -> FloatArray:
        """Voltage with the meter's errors applied, (n, 1 + draws). [V]"""
        gain = self.power_gain / self.current_gain if self.product_by_power_limits else self.voltage_gain
        return np.asarray(readings.voltage[:, None] * gain + self.voltage_zero)

    def current(self, readings: Readings) -> FloatArray:
        """Motor current with the meter's errors applied, (n, 1 + draws). [A]"""
        return self._amperes(readings.current)

    def _amperes(self, read: FloatArray) -> FloatArray:
        return np.asarray(read[:, None] * self.current_gain + self.current_zero)

    def frequency(self, read: FloatArray) -> FloatArray:
        """True frequency where (n,) was read, (n, 1 + draws). [Hz]"""
        return np.asarray(read[:, None] * self.frequency_gain + self.frequency_zero)

    def misread(self, true: FloatArray) -> FloatArray:
        """What the meter shows beyond a true frequency (n,), to first order: (n, 1 + draws). [Hz]"""
        return np.asarray(true[:, None] * (1 - self.frequency_gain) - self.frequency_zero)

    def pressure(self, read: FloatArray) -> FloatArray:
        """True mean pressure where (n,) was read, (n, 1 + draws). [Pa]"""
        return np.asarray(read[:, None] * self.pressure_gain + self.pressure_zero)

    def temperature(self, place: str, read: FloatArray) -> FloatArray:
        """True temperature where (n,) was read; place: winding, cold_end, hot_end or coolant. (n, 1 + draws). [K]"""
        return np.asarray(read[:, None] + getattr(self, f"{place}_zero"))

    def each_misread(self, frequency: FloatArray, rng: np.random.Generator) -> FloatArray:
        """Each run's own misreading of frequency (n,) within the meter's limits, (n, 1 + draws). [Hz]

        An error common to all readings cancels between a curve and a run read on the same meter, so the limits
        are drawn for each run by itself.
        """
        limits = self.reading_by_reading
        error = (2 * rng.random((len(frequency), self.size)) - 1) * (limits.gain * frequency[:, None] + limits.zero)
        error[:, 0] = 0.0
        return error

    def errors(self) -> Iterator[tuple[str, FloatArray]]:
        """Source and draws of every error that is at work."""
        holders: list[Meters | CylinderDraws] = [self, *self.cylinders.values()]
        for holder in holders:
            for name, error in common_errors(holder).items():
                draws = getattr(holder, name)
                if np.ptp(draws) > 0 and name not in self.fitted:  # nan: not known
                    yield error.source, draws

    def as_stated(self) -> Meters:
        """The first column alone: every array cut to shape (1,)."""
        cylinders = {name: _cut(draws) for name, draws in self.cylinders.items()}
        return replace(_cut(self), cylinders=cylinders)


def common_errors(record: Any) -> dict[str, CommonError]:
    """The errors that a record, or its class, holds draws of."""
    return {item.name: item.metadata["error"] for item in fields(record) if "error" in item.metadata}


_STATED = (*common_errors(Meters).values(), *common_errors(CylinderDraws).values())
SOURCES = (*CHANCE, *dict.fromkeys(error.source for error in _STATED))  # all that can be at work
Draws = TypeVar("Draws", Meters, CylinderDraws)


def _cut(draws: Draws) -> Draws:
    return replace(draws, **{name: getattr(draws, name)[:1] for name in common_errors(draws)})


@dataclass(frozen=True)
class Sampler:
    """How errors are drawn: how often, by which seed, and which sources are at work; others keep stated values.

    salt: for an origin ('motor', 'cylinders.wide.bore', ''), the number of the bench whose hardware it is: errors of
    equal names and salts are the same in the same column. 0 for a bench by itself.
    """

    draws: int
    seed: int
    active: Collection[str] = SOURCES
    salt: Salt = lambda origin: 0

    def meters(self, rig: Rig) -> Meters:
        """Draw every common error of a rig."""
        meter = rig.meter
        return Meters(
            **self._record(Meters, rig, ""),
            cylinders={
                name: CylinderDraws(**self._record(CylinderDraws, cylinder, f"cylinders.{name}."))
                for name, cylinder in rig.cylinders.items()
            },
            reference_temperature=rig.motor.winding_temperature,
            product_by_power_limits=meter.voltage.is_perfect and meter.current.is_perfect,
            reading_by_reading=meter.frequency if "frequency" in self.active else Limits(),
        )

    def _record(self, kind: type[Meters] | type[CylinderDraws], stated: Rig | Cylinder, path: str) -> dict[str, Any]:
        """Draws of every field of a record, by name."""
        return {name: self._drawn(path + name, path, error, stated) for name, error in common_errors(kind).items()}

    def _drawn(self, name: str, path: str, error: CommonError, stated: Rig | Cylinder) -> FloatArray:
        quantity = error.stated(stated)
        if quantity is None:
            return np.full(self.draws + 1, np.nan)
        rng = stream(self.seed, name, self.salt(path + error.origin))
        spread = (2 * strata(rng, self.draws) - 1) * (quantity.limit if error.source in self.active else 0.0)
        # limits may reach past what an efficiency or a share can be
        return np.minimum(quantity.value + np.concatenate([[0.0], spread]), error.most)
