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

from driveloss.bench.records import Cylinder, FloatArray, Limits, Quantity, Rig
from driveloss.fit.assumptions import (
    CURVED,
    FREE_LOAD_LOSS,
    FREE_LOAD_RISE,
    NAMES,
    Assumption,
    assumed,
    limits_of,
    with_tolerance,
)
from driveloss.fit.brake import Brake

if TYPE_CHECKING:
    from driveloss.fit.readings import Readings

WAVE = 16.0  # ratio of two readings over which a meter's curve goes through one wave: our choice
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
    origin: str  # hardware that it belongs to, as compare/benches tells whether two benches share it; '' = never
    stated: Callable[[Any], Quantity | None]  # from the rig (or the cylinder) to value and limit
    bounds: tuple[float, float]  # what it cannot pass, however wide its limits
    is_assumed: Callable[[Any], bool]  # whether those limits are assumed, in spite of a value

    def drawn(self, name: str, holder: Rig | Cylinder) -> tuple[tuple[float, float, float], Assumption | None]:
        """Best, lowest and highest value, nan where nothing is known; and the assumption where it stands in."""
        quantity, row = self.stated(holder), assumed(name, holder)
        if quantity is not None:
            value, limit = quantity.value, quantity.limit
            return (value, value - limit, value + limit), row if self.is_assumed(holder) else None
        return ((np.nan,) * 3, None) if row is None else ((row.best, row.low, row.high), row)


UNBOUNDED = (-np.inf, np.inf)


def _error(
    source: str,
    origin: str,
    stated: Callable[[Any], Quantity | None],
    bounds: tuple[float, float] = UNBOUNDED,
    is_assumed: Callable[[Any], bool] = lambda holder: False,
) -> Any:
    return field(metadata={"error": CommonError(source, origin, stated, bounds, is_assumed)})


def _is_unstated(instrument: str) -> Callable[[Rig], bool]:
    return lambda rig: getattr(rig.meter, instrument) is None


def _gain(instrument: str) -> Any:
    source = "meter gain" if instrument in ("power", "voltage", "current") else instrument
    return _error(
        source,
        "meter",
        lambda rig: Quantity(1.0, limits_of(rig, instrument).gain),
        is_assumed=_is_unstated(instrument),
    )


def _zero(instrument: str) -> Any:
    source = "meter zero" if instrument in ("power", "voltage", "current") else instrument
    return _error(
        source,
        "meter",
        lambda rig: Quantity(0.0, limits_of(rig, instrument).zero),
        is_assumed=_is_unstated(instrument),
    )


def _by_power_limits(rig: Rig) -> bool:
    """Neither volts' nor amperes' limits are stated: the power's stand for their product."""
    return rig.meter.voltage is None and rig.meter.current is None


def _ammeter_gain(rig: Rig) -> Quantity:
    """Its own limit; where neither its nor the voltmeter's is stated, the power's, which then stands for both."""
    return Quantity(1.0, limits_of(rig, "power" if _by_power_limits(rig) else "current").gain)


def _ammeter_is_unstated(rig: Rig) -> bool:
    return rig.meter.current is None and not (_by_power_limits(rig) and rig.meter.power is not None)


def _curve() -> Any:
    """One of the two waves that a power reading may bend by: see `Meters.bend`."""
    return _error(
        "meter linearity",
        "meter",
        lambda rig: Quantity(0.0, _bend(rig)),
        is_assumed=lambda r: r.meter.linearity is None,
    )


def _bend(rig: Rig) -> float:
    """Stated, or the share of the limits of gain that may be a curve."""
    if rig.meter.linearity is not None:
        return rig.meter.linearity.gain
    parts = ("power",) if rig.meter.power is not None or _by_power_limits(rig) else ("voltage", "current")
    return CURVED * sum(limits_of(rig, part).gain for part in parts)


def _motor_constant(key: str) -> Any:
    def is_by_digit(rig: Rig) -> bool:
        stated: Quantity | None = getattr(rig.motor, key)
        return stated is not None and stated.by_digit

    return _error(
        "motor constants", "motor", lambda rig: with_tolerance(getattr(rig.motor, key)), is_assumed=is_by_digit
    )


def _controller(rig: Rig) -> Quantity | None:
    """What passes it of what goes beyond standby; all where the meter sits behind it."""
    return rig.motor.controller_efficiency if rig.motor.supply == "controller" else Quantity(1.0)


def _winding_rise(rig: Rig) -> Quantity | None:
    """Of the winding above the room at the highest power. [K]"""
    stated = rig.motor.running_temperature
    return None if stated is None else Quantity(stated.value - rig.ambient_temperature.value, stated.limit)


def _transmission(rig: Rig) -> Quantity | None:
    stated = rig.transmission.efficiency
    return Quantity(1.0) if stated is None and assumed("efficiency", rig) is None else stated


RADII = ("main_bearing_radius", "crank_pin_radius", "wrist_pin_radius")
TYPICAL_PATH, PATH_LIMIT = 0.85, 0.25  # of the crank radius, all bearings together: common practice


def _load_friction(rig: Rig) -> Quantity:
    """Friction torque at the crank per newton in the rod, as far as it is stated as a length; else zero. [m]

    Main bearing and crank pin turn with the crank, the wrist pin swings with the rod: 2/pi of r/l of a turn.
    """
    if rig.load_friction is not None:
        return rig.load_friction
    if not _has_pins(rig):
        return Quantity(0.0)
    main, crank_pin, wrist = (getattr(rig, name) for name in RADII)
    lean = max((c.stroke.value for c in rig.cylinders.values()), default=0.0) / 2
    swing = 0.0 if rig.rod_length is None else 2 / np.pi * lean / rig.rod_length.value
    path = Quantity(
        main.value + crank_pin.value + swing * wrist.value, main.limit + crank_pin.limit + swing * wrist.limit
    )
    mu = rig.pin_friction or Quantity(0.0)
    return Quantity(mu.value * path.value, mu.limit * path.value + mu.value * path.limit)


def _has_pins(rig: Rig) -> bool:
    return all(getattr(rig, name) is not None for name in ("pin_friction", *RADII))


def _load_friction_share(rig: Rig) -> Quantity | None:
    """The same as a share of the crank radius, where it is not stated as a length."""
    if rig.load_friction is not None or _has_pins(rig):
        return Quantity(0.0)
    mu = rig.pin_friction
    return mu and Quantity(mu.value * TYPICAL_PATH, mu.limit * TYPICAL_PATH + mu.value * PATH_LIMIT)


def _without_port(cylinder: Cylinder) -> Quantity | None:
    """Any number, exact, where there is no port for it to matter to."""
    return Quantity(1.0) if cylinder.open_port_diameter is None else None


def _leak_rate(cylinder: Cylinder) -> Quantity | None:
    """One over the time constant of a closed cylinder's pressure. [1/s]"""
    stated = cylinder.leak_down
    return stated and Quantity(1 / stated.value, stated.limit / stated.value**2)


def _dimension(key: str) -> Any:
    return _error("geometry", key, lambda cylinder: getattr(cylinder, key))


@dataclass(frozen=True)
class CylinderDraws:
    """One cylinder's dimensions and what its seal and port may do, (1 + draws,) each; nan where not given."""

    bore: FloatArray = _dimension("bore")  # [m]
    stroke: FloatArray = _dimension("stroke")  # [m]
    back_pressure: FloatArray = _dimension("back_pressure")  # [Pa]
    open_port_diameter: FloatArray = _dimension("open_port_diameter")  # [m]
    discharge_coefficient: FloatArray = _error(
        "geometry",
        "port",
        lambda c: c.discharge_coefficient or _without_port(c),
        (0.0, 1.0),
    )  # [1]
    open_volume: FloatArray = _dimension("open_volume")  # [m^3]
    open_ratio: FloatArray = _error("geometry", "port", _without_port)  # of that volume over the swept one, unstated
    open_process: FloatArray = _error("geometry", "port", _without_port)  # of the gas there: isothermal 0, adiabatic 1
    pressure_friction: FloatArray = _dimension("pressure_friction")  # [N/Pa]
    port_share: FloatArray = _error(
        "geometry", "port", lambda c: None if c.open_port_diameter is None else Quantity(0.0)
    )  # of the no-load step at the highest frequency that a port of unknown size takes
    seal_change: FloatArray = _error("seal", "seal", lambda c: c.seal_change)  # drag in loaded runs over the ladder's
    closed_volume: FloatArray = _dimension("closed_volume")  # [m^3] at top dead centre in a blanked sweep
    hysteresis: FloatArray = _error(
        "gas spring", "bore", lambda c: None
    )  # of the closed gas, over what conduction tells
    leak_rate: FloatArray = _error("gas spring", "seal", _leak_rate, (0.0, np.inf))  # [1/s] of the closed cylinder
    blanked_seal: FloatArray = _error("seal", "seal", lambda c: None)  # drag in the blanked sweep over the ladder's
    lip_drag: FloatArray = _error("seal", "seal", lambda c: None)  # under pressure over that of others, where not told


@dataclass(frozen=True)
class Meters:
    """Every common error of a bench, arrays of shape (1 + draws,): as stated first, then the draws; nan = not known."""

    power_gain: FloatArray = _gain("power")  # factor on a reading [1]
    power_zero: FloatArray = _zero("power")  # [W]
    voltage_gain: FloatArray = _gain("voltage")
    voltage_zero: FloatArray = _zero("voltage")  # [V]
    current_gain: FloatArray = _error("meter gain", "meter", _ammeter_gain, is_assumed=_ammeter_is_unstated)
    current_zero: FloatArray = _zero("current")  # [A]
    power_curve: FloatArray = _curve()  # the two waves that it bends by, fractions of a reading
    power_curve_quarter: FloatArray = _curve()
    pressure_gain: FloatArray = _gain("pressure")
    pressure_zero: FloatArray = _zero("pressure")  # [Pa]
    frequency_gain: FloatArray = _gain("frequency")
    frequency_zero: FloatArray = _zero("frequency")  # [Hz]
    winding_zero: FloatArray = _zero("temperature")  # [K] of each thermometer
    cold_end_zero: FloatArray = _zero("temperature")
    hot_end_zero: FloatArray = _zero("temperature")
    coolant_zero: FloatArray = _zero("temperature")
    ambient_temperature: FloatArray = _error("temperature", "", lambda rig: rig.ambient_temperature)  # [K]
    resistance: FloatArray = _motor_constant("winding_resistance")  # [ohm]
    torque_constant: FloatArray = _motor_constant("torque_constant")  # [N m/A]
    form_factor: FloatArray = _error(
        "motor constants", "motor", lambda rig: rig.motor.current_form_factor or Quantity(1.0), (1.0, np.inf)
    )
    ripple: FloatArray = _error(
        "motor constants", "motor", lambda rig: None if rig.motor.current_form_factor is None else Quantity(0.0)
    )  # share of the torque's swing that reaches the current
    brush_drop: FloatArray = _error("motor constants", "motor", lambda rig: rig.motor.brush_drop)  # [V] of both brushes
    controller_efficiency: FloatArray = _error("motor constants", "motor", _controller, (0.0, 1.0))
    winding_rise: FloatArray = _error("motor constants", "motor", _winding_rise)  # [K] above the room at full power
    incremental_efficiency: FloatArray = _error(
        "motor constants", "motor", lambda rig: rig.motor.incremental_efficiency, (0.0, 1.0)
    )
    ratio: FloatArray = _error("transmission", "transmission", lambda rig: rig.transmission.turns)  # [1]
    efficiency: FloatArray = _error("transmission", "transmission", _transmission, (0.0, 1.0))
    load_friction: FloatArray = _error("pins and guides", "crank", _load_friction, (0.0, np.inf))  # [m]
    load_friction_share: FloatArray = _error("pins and guides", "crank", _load_friction_share)  # of the crank radius
    phase: FloatArray = _error("phase of the pressure", "gas circuit", lambda rig: None)  # [deg] before top dead centre
    seal_heat_share: FloatArray = _error(
        "seal heat share", "aftercooler", lambda rig: rig.aftercooler.seal_heat_share, (0.0, 1.0)
    )
    thermal_resistance: FloatArray = _error(
        "temperature", "aftercooler", lambda rig: rig.aftercooler.thermal_resistance
    )  # [K/W]
    torque_gain: FloatArray = _gain("torque")
    torque_zero: FloatArray = _zero("torque")  # [N m]
    force_gain: FloatArray = _gain("force")
    force_zero: FloatArray = _zero("force")  # [N]
    brake_arm: FloatArray = _error("brake", "brake_arm", lambda rig: rig.brake_arm)  # [m]
    dead_centre: FloatArray = _error("dead centre", "crank", lambda rig: Quantity(0.0, 1.0))  # of its limit
    sensor_lag: FloatArray = _error("sensor lag", "meter", lambda rig: Quantity(0.0, 1.0))  # of its limit
    inertia: FloatArray = _error("inertia", "crank", lambda rig: Quantity(0.0, 1.0))  # of its limit
    coasting_aid: FloatArray = _error(
        "inertia", "crank", lambda rig: Quantity(0.0, 1.0)
    )  # known addition: of its limit
    free_load_loss: FloatArray = _error(
        "motor constants", "motor", lambda rig: FREE_LOAD_LOSS
    )  # of the motor at its own friction alone, over what the incremental efficiency says
    free_load_rise: FloatArray = _error("motor constants", "motor", lambda rig: FREE_LOAD_RISE)
    cylinders: dict[str, CylinderDraws] = field(default_factory=dict)
    brake: Brake | None = None  # what a braked sweep tells
    phases: dict[str, FloatArray] = field(default_factory=dict)  # [deg] of cylinders whose pressure was recorded
    reference_temperature: float = 293.15  # [K] at which the resistance was measured
    product_by_power_limits: bool = False  # volts times amperes without limits of their own: the power's stand for both
    assumed: dict[str, str] = field(default_factory=dict)  # fields that bench.toml leaves open -> row of the budget
    fitted: tuple[str, ...] = ()  # fields found in the readings: they follow from the other errors and the scatter
    prior: dict[str, FloatArray] = field(default_factory=dict)  # what was drawn of fields that a sweep then narrowed
    idle: tuple[str, ...] = ()  # fields that nothing asked of this bench depends on
    full_power: float = 1.0  # [W] the highest that was read
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
        return corrected + self._bend(corrected)

    def _bend(self, power: FloatArray) -> FloatArray:
        """What a meter's curve adds to readings (n, 1 + draws): a wave over the reading's logarithm. [W]"""
        if not (self.power_curve.any() or self.power_curve_quarter.any()):
            return np.zeros_like(power)
        turns = 2 * np.pi * np.log(np.maximum(power[:, :1], 1e-9)) / np.log(WAVE)
        return np.asarray(power * (self.power_curve * np.cos(turns) + self.power_curve_quarter * np.sin(turns)))

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

    def torque(self, readings: Readings) -> FloatArray:
        """Torque of a brake at the crank with the instruments' errors applied, (n, 1 + draws). [N m]"""
        direct = readings.torque[:, None] * self.torque_gain + self.torque_zero
        by_arm = (readings.brake_force[:, None] * self.force_gain + self.force_zero) * self.brake_arm
        return np.where(np.isfinite(readings.torque)[:, None], direct, by_arm)

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
        for path, holder in (("", self), *((f"cylinders.{n}.", c) for n, c in self.cylinders.items())):
            for name, error in common_errors(holder).items():
                draws = self.prior.get(path + name, getattr(holder, name))
                if np.ptp(draws) > 0 and name not in self.fitted and path + name not in self.idle:  # nan: not known
                    yield self.assumed.get(path + name, error.source), draws

    def assumptions(self, rig: Rig) -> list[tuple[tuple[str, ...], Assumption]]:
        """What is assumed and matters on this bench: the keys that would replace it, and the row, in a fixed order."""
        found: dict[Assumption, dict[str, None]] = {}
        for name in self.assumed:
            if name in self.idle:
                continue
            path, _, own = name.rpartition(".")
            cylinder = path.partition(".")[2]
            row = assumed(own, rig.cylinders[cylinder] if cylinder else rig)
            if row is not None:
                found.setdefault(row, {})[row.key.format(cylinder=cylinder)] = None
        return [(tuple(keys), row) for row, keys in found.items()]

    def phase_of(self, cylinder: str) -> FloatArray:
        """Phase of a cylinder's pressure before top dead centre where no run tells it, (1 + draws,). [rad]"""
        return np.radians(self.phases.get(cylinder, self.phase))

    def load_friction_length(self, stroke: FloatArray) -> FloatArray:
        """Friction torque at the crank per newton in the rod, of a crank with a stroke (1 + draws,) [m]. [m]"""
        return np.asarray(self.load_friction + self.load_friction_share * stroke / 2)

    def as_stated(self) -> Meters:
        """The first column alone: every array cut to shape (1,)."""
        if self.size == 1:
            return self
        cylinders = {name: _cut(draws) for name, draws in self.cylinders.items()}
        brake = None if self.brake is None else self.brake.as_stated()
        phases = {name: phase[:1] for name, phase in self.phases.items()}
        prior = {name: draws[:1] for name, draws in self.prior.items()}
        return replace(_cut(self), cylinders=cylinders, brake=brake, phases=phases, prior=prior)


def common_errors(record: Any) -> dict[str, CommonError]:
    """The errors that a record, or its class, holds draws of."""
    return {item.name: item.metadata["error"] for item in fields(record) if "error" in item.metadata}


_STATED = (*common_errors(Meters).values(), *common_errors(CylinderDraws).values())
SOURCES = (*CHANCE, *dict.fromkeys((*(error.source for error in _STATED), *NAMES)))  # all that can be at work
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
        found = {"": self._record(Meters, rig, "")}
        found |= {
            name: self._record(CylinderDraws, cylinder, f"cylinders.{name}.")
            for name, cylinder in rig.cylinders.items()
        }
        drawn: list[dict[str, Any]] = [{name: one for name, (one, _) in each.items()} for each in found.values()]
        frequency = found[""]["frequency_gain"][1]
        has_frequency = ("frequency" if frequency is None else frequency.name) in self.active
        rows = {
            (f"cylinders.{where}." if where else "") + name: row.name
            for where, record in found.items()
            for name, (_, row) in record.items()
            if row is not None
        }
        return Meters(
            **drawn[0],
            cylinders={n: CylinderDraws(**draws) for n, draws in zip(rig.cylinders, drawn[1:], strict=True)},
            reference_temperature=rig.motor.winding_temperature,
            product_by_power_limits=_by_power_limits(rig),
            assumed=rows,
            reading_by_reading=limits_of(rig, "frequency") if has_frequency else Limits(),
        )

    def _record(
        self, kind: type[Meters] | type[CylinderDraws], holder: Rig | Cylinder, path: str
    ) -> dict[str, tuple[FloatArray, Assumption | None]]:
        """Draws of every field of a record, by name, and what is assumed of it."""
        return {name: self._drawn(path, name, error, holder) for name, error in common_errors(kind).items()}

    def _drawn(
        self, path: str, name: str, error: CommonError, holder: Rig | Cylinder
    ) -> tuple[FloatArray, Assumption | None]:
        (best, low, high), row = error.drawn(name, holder)
        if np.isnan(best):
            return np.full(self.draws + 1, np.nan), row
        rng = stream(self.seed, path + name, self.salt(path + error.origin))
        is_active = (error.source if row is None else row.name) in self.active
        drawn = low + (high - low) * strata(rng, self.draws) if is_active else np.full(self.draws, best)
        # limits may reach past what an efficiency or a share can be
        return np.clip(np.concatenate([[best], drawn]), *error.bounds), row
