"""The bench as frozen records, in SI units (temperatures in kelvin, pressures absolute).

A field made by `key`, `text` or `column` carries its whole rule: how bench.toml or a sweep file writes it, the range
that is believable, and what the template says of it. Reader, template and messages follow from it.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields, replace
from math import isfinite
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from driveloss.bench.rules import column, columns_of, key, keys_of, table, text
from driveloss.errors import InputError
from driveloss.physics.arrays import FloatArray as FloatArray
from driveloss.physics.gas import GAS_CONSTANT

STAGES = ("standby", "motor-alone", "piston-disconnected", "braked", "no-load", "blanked", "loaded")
WITNESS_STAGES = ("braked", "blanked")  # no rung of the ladder: they measure what subtraction can only assume
CYLINDER_STAGES = ("no-load", "blanked", "loaded")
AMBIENT_STAGES = ("no-load", "blanked")  # at ambient pressure unless stated: ports open, or closed there
RUNDOWN_STAGES = ("motor-alone", "piston-disconnected", "no-load")  # where nothing but friction slows it down


class FieldError(InputError):
    """What a record refuses by itself; `field` is the one at fault, for the reader to find its place in the file."""

    def __init__(self, field: str, reason: str) -> None:
        super().__init__(field, reason)
        self.field = field

    def __str__(self) -> str:
        return " ".join(self.args)


def _check_words(record: Any) -> None:
    for rule in keys_of(type(record)):
        if rule.words:
            _one_of(rule.field, getattr(record, rule.field), rule.words)


def _one_of(name: str, value: str, allowed: tuple[str, ...]) -> None:
    if value not in allowed:
        raise FieldError(name, f"must be one of {', '.join(allowed)}; got '{value}'")


@dataclass(frozen=True, slots=True)
class Quantity:
    """A value with its limit of error: the half-width of a rectangular distribution, same unit."""

    value: float
    limit: float = 0.0
    by_digit: bool = field(default=False, compare=False)  # no limit was written, so the last digit stands for it

    def __post_init__(self) -> None:
        if not (isfinite(self.value) and isfinite(self.limit) and self.limit >= 0):
            raise InputError(f"expected a finite value and a limit of zero or more, got {self.value} +/- {self.limit}")


@dataclass(frozen=True, slots=True)
class Limits:
    """Limits of error of an instrument: `gain` is a fraction of the reading, `zero` in the reading's unit."""

    gain: float = 0.0
    zero: float = 0.0

    def __post_init__(self) -> None:
        if not (0 <= self.gain < 1 and self.zero >= 0 and isfinite(self.zero)):
            raise InputError(f"expected limits of zero or more, got {self.gain} of the reading and {self.zero}")


# One key is one field: its rule on the first line, what the template says of it on the next.
# fmt: off


@dataclass(frozen=True, slots=True, kw_only=True)
class Meter:
    """What the data sheets promise; each error is common to all readings of its instrument. None: nothing stated."""

    power: Limits | None = key("power", "W", "0.5 % + 0.1 W", comment="% is of the reading", default=None, shown=True)
    frequency: Limits | None = key("frequency", "Hz", "0.02 Hz", default=None, shown=True)
    voltage: Limits | None = key(
        "voltage", "V", "0.2 % + 0.01 V", comment="where power is the product of voltage and current", default=None
    )
    current: Limits | None = key("current", "A", "0.5 % + 0.01 A", default=None)
    pressure: Limits | None = key("pressure", "Pa", "0.5 % + 10 mbar", default=None)
    temperature: Limits | None = key("temperature", "K", "1.5 K", default=None)
    torque: Limits | None = key("torque", "N*m", "1 % + 0.005 N*m", comment="of a brake or generator", default=None)
    force: Limits | None = key("force", "N", "0.5 % + 0.05 N", comment="of the brake's scale", default=None)
    linearity: Limits | None = key(
        "linearity", "", "0.2 %", comment="of power: what bends with the reading, not a common share", default=None
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Motor:
    """The motor's constants as far as the bench knows them."""

    supply: str = text(
        "terminals", 'meter on the motor\'s leads; "controller": before one', words=("terminals", "controller"))
    winding_resistance: Quantity | None = key(
        "resistance", "ohm", "0.42 ohm", 1e-4, 1e4, "was it in mohm?",
        "between the leads; else pneumatic work is an upper bound", default=None)
    running_temperature: Quantity | None = key(
        "temperature", "K", "45 degC +/- 10 degC", 220, 520, "was it in degF?",
        "of the winding at the highest power, where no column tells", default=None)
    winding_temperature: float = key(  # where data sheets state a resistance, unless given
        "temperature", "K", "20 degC", 220, 520, "was it in degF?",
        "at which that was measured", default=293.15, limit_in="winding_resistance")
    torque_constant: Quantity | None = key(
        "torque per current", "N*m/A", "0.061 N*m/A", 1e-5, 100, "was it in mN*m/A?",
        'needed with "controller", to find the motor\'s current', default=None)
    current_form_factor: Quantity | None = key(
        "ratio", "", "1.03 +/- 0.02", 1, 5, "rms over mean cannot be less than 1",
        "rms over mean of the motor's current", default=None)
    brush_drop: Quantity | None = key(
        "voltage", "V", "0.9 V +/- 0.3 V", 0, 50, "was it in mV?",
        'of both brushes together; "0 V +/- 0 V" for a motor without', default=None)
    controller_efficiency: Quantity | None = key(
        "ratio", "", "0.95 +/- 0.03", 0.05, 1, "was it in percent?",
        "with a controller: of what passes beyond standby", default=None)
    incremental_efficiency: Quantity | None = key(
        "ratio", "", "0.8", 0.05, 1, "was it in percent?",
        "output per input at constant speed; replaces a resistance", default=None)
    peak_torque: Quantity | None = key(
        "torque", "N*m", "1.2 N*m", 1e-4, 1e5, "was it in mN*m?", "what the motor can give, at its shaft", default=None)
    current_limit: Quantity | None = key(
        "current", "A", "12 A", 1e-3, 1e4, "was it in mA?", "what the motor or its controller can stand", default=None)

    def __post_init__(self) -> None:
        _check_words(self)
        if self.incremental_efficiency is not None and self.winding_resistance is not None:
            raise FieldError(
                "incremental_efficiency", "stands instead of winding_resistance: expected one of them, got both")


@dataclass(frozen=True, slots=True, kw_only=True)
class Transmission:
    """Motor to crank."""

    ratio: Quantity | None = key(
        "ratio", "", "1.0", 0.01, 1000, "motor revolutions per crank revolution",
        "motor revolutions per crank revolution", default=None, shown=True)
    efficiency: Quantity | None = key(
        "ratio", "", "0.95 +/- 0.02", 0.05, 1, "was it in percent?",
        "of the load power that passes through", default=None)

    @property
    def turns(self) -> Quantity:
        """Motor revolutions per crank revolution; one where nothing is stated."""
        return self.ratio or Quantity(1.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Cylinder:
    """One cylinder with its seal."""

    name: str
    bore: Quantity = key("length", "m", "32 mm", 1e-3, 1, "was it in mm?")
    stroke: Quantity = key("length", "m", "36 mm", 1e-4, 1, "was it in mm?")
    back_pressure: Quantity = key(
        "pressure", "Pa", "1.013 bar", 1, 1e8, "was it in bar?",
        "on the seal's other side; ambient unless given", shown=False)
    seal: str = text("filled PTFE lip", "free text", default="")
    gas: str = text("air", words=tuple(GAS_CONSTANT), default="air")
    open_port_diameter: Quantity | None = key(
        "length", "m", "8 mm", 1e-4, 1, "was it in mm?",
        "the hole it breathes through in the no-load sweep", default=None)
    discharge_coefficient: Quantity | None = key(
        "ratio", "", "0.62 +/- 0.03", 0.1, 1, "was it in percent?", "of that hole", default=None)
    open_volume: Quantity | None = key(
        "volume", "m^3", "20 cm^3", 0, 0.1, "was it in cm^3?",
        "gas left at top dead centre behind that hole; matters where it is small", default=None)
    closed_volume: Quantity | None = key(
        "volume", "m^3", "30 cm^3", 0, 0.1, "was it in cm^3?",
        "gas left at top dead centre in a blanked sweep", default=None)
    leak_down: Quantity | None = key(
        "time", "s", "20 s +/- 5 s", 1e-2, 1e6, "was it in ms?",
        "in which pressure falls to 37 % with that volume closed, piston at rest", default=None)
    pressure_friction: Quantity | None = key(
        "force per pressure", "N/Pa", "0.7 N/bar", 0, 1e-2, "was it in N/bar?",
        "drag per bar across the seal, where not swept at pressure", default=None)
    seal_change: Quantity | None = key(
        "ratio", "", "0.95 +/- 0.05", 0.1, 3, "was it in percent?",
        "drag of the seal in the loaded runs over that in the no-load sweeps", default=None)
    swept_after: bool = False  # a no-load sweep of it stands behind its loaded ones

    def __post_init__(self) -> None:
        _check_words(self)
        port = self.open_port_diameter
        if port is not None and port.value > self.bore.value:
            limit = f"the bore of {self.bore.value:g} m"
            raise FieldError("open_port_diameter", f"must not exceed {limit}, got {port.value:g} m")


@dataclass(frozen=True, slots=True, kw_only=True)
class Aftercooler:
    """Where compression heat and the seal's share of friction heat are rejected."""

    seal_heat_share: Quantity | None = key(
        "ratio", "", "1.0", 0, 1, "was it in percent?",
        "share of the seal's heat that enters the gas; 1 is safe", default=None)
    thermal_resistance: Quantity | None = key(
        "temperature rise per power", "K/W", "0.35 K/W", 1e-6, 1e3, "was it in mK/W?",
        "hot end above coolant, per watt rejected", default=None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Rig:
    """Everything that stays the same while sweeps are run."""

    title: str = text("My bench", shown=True)
    ambient_temperature: Quantity = key("temperature", "K", "21 degC", 220, 340, "was it in degF?")
    ambient_pressure: Quantity = key("pressure", "Pa", "1.013 bar", 2e4, 2e5, "was it in mbar?")
    meter: Meter = table("limits of error from the data sheets; leave out what is not known")
    motor: Motor = table()
    transmission: Transmission = table()
    rod_length: Quantity | None = key(
        "length", "m", "95 mm", 1e-3, 5, "was it in mm?",
        "leave it out for a scotch yoke", default=None, shown=True, at="crank.rod_length")
    bearings: str = text(
        "rolling", 'pins and main: "rolling" or "sleeve"; what they lose grows with the force in the rod',
        words=("rolling", "sleeve", "not stated"), default="not stated", at="crank.bearings")
    pin_friction: Quantity | None = key(
        "ratio", "", "0.05 +/- 0.03", 0, 1, "was it in percent?",
        "of these bearings, with the three radii", default=None, at="crank.pin_friction")
    crank_pin_radius: Quantity | None = key(
        "length", "m", "5 mm", 1e-4, 1, "was it in mm?", default=None, at="crank.crank_pin_radius")
    wrist_pin_radius: Quantity | None = key(
        "length", "m", "4 mm", 1e-4, 1, "was it in mm?", default=None, at="crank.wrist_pin_radius")
    main_bearing_radius: Quantity | None = key(
        "length", "m", "5 mm", 1e-4, 1, "was it in mm?", default=None, at="crank.main_bearing_radius")
    load_friction: Quantity | None = key(
        "length", "m", "0.3 mm +/- 0.1 mm", 0, 0.1, "was it in mm?",
        "instead: friction torque at the crank per newton in the rod", default=None, at="crank.load_friction")
    brake_arm: Quantity | None = key(
        "length", "m", "120 mm +/- 1 mm", 1e-3, 5, "was it in mm?",
        "from the crank's axis to where the brake's force is read", default=None, at="brake.arm")
    cylinders: dict[str, Cylinder] = table("any name; one such table for each cylinder or seal that was tried")
    aftercooler: Aftercooler = table(default=Aftercooler())
    cycle: str = text(
        "none", '"pulse-tube", "stirling" or "heat-pump" to have its ceiling quoted',
        words=("pulse-tube", "stirling", "heat-pump", "none"), default="none", shown=True, at="cycle.kind")

    def __post_init__(self) -> None:
        _check_words(self)
        for name, cylinder in self.cylinders.items():
            rod, radius = self.rod_length, cylinder.stroke.value / 2
            if rod is not None and rod.value <= radius:
                limit = f"the crank radius, half the stroke of cylinder '{name}', {radius:g} m"
                raise FieldError("rod_length", f"must exceed {limit}; got {rod.value:g} m")


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepSpec:
    """One [[sweeps]] table, and how messages call its place."""

    stage: str = text("motor-alone", words=STAGES)
    cylinder: str | None = text("narrow", default=None)
    file: str = text("readings.csv")
    mean_pressure: float | None = key(  # absolute
        "pressure", "Pa", "2 bar", 1e3, 1e8, "was it in bar?",
        "or a column; ambient unless given", default=None, limit_in="[meter] pressure")
    where: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordingSpec:
    """One [[recordings]] table: pressure through the cycle of a run, and how messages call its place."""

    file: str = text("recording.csv")
    cylinder: str = text("narrow")
    stage: str = text("loaded", "the run it was made at", words=("loaded", "blanked"), default="loaded")
    frequency: Quantity | None = key(
        "frequency", "Hz", "10 Hz", 1e-3, 1000, "was it in rpm?", "of the crank, where no time column tells",
        default=None)
    mean_pressure: float | None = key(
        "pressure", "Pa", "2 bar", 1e3, 1e8, "was it in bar?",
        "absolute; ambient unless given", default=None, limit_in="[meter] pressure")
    dead_centre: Quantity | None = key(
        "angle", "rad", "0 deg +/- 1 deg", -7, 7, "was it in deg?",
        "crank angle of the file (or after its index mark) at which the piston is at its top", default=None)
    sensor_lag: Quantity | None = key(
        "time", "s", "0.2 ms +/- 0.1 ms", 0, 1, "was it in ms?",
        "time constant of the pressure sensor with its tube", default=None)
    where: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RundownSpec:
    """One [[rundowns]] table: the machine coasting after the supply is cut, and how messages call its place."""

    file: str = text("rundown.csv")
    stage: str = text("piston-disconnected", words=RUNDOWN_STAGES)
    cylinder: str | None = text("narrow", default=None)
    mean_pressure: float | None = key(
        "pressure", "Pa", "1.013 bar", 1e3, 1e8, "was it in bar?",
        "absolute; ambient unless given", default=None, limit_in="[meter] pressure")
    inertia: Quantity | None = key(
        "inertia", "kg*m^2", "2.1e-3 kg*m^2 +/- 5 %", 1e-9, 1e4, "was it in g*cm^2?",
        "of all that turns, at the crank; of the motor at its shaft where it runs alone", default=None)
    added_inertia: Quantity | None = key(
        "inertia", "kg*m^2", "1.0e-3 kg*m^2 +/- 1 %", 1e-9, 1e4, "was it in g*cm^2?",
        "known, put on for this run-down; with one without it tells the inertia", default=None)
    brake_torque: Quantity | None = key(
        "torque", "N*m", "0.05 N*m +/- 2 %", 1e-6, 1e5, "was it in mN*m?",
        "known, of a brake at the same shaft; instead of an added inertia", default=None)
    moving_mass: Quantity | None = key(
        "mass", "kg", "120 g +/- 10 g", 0, 1e3, "was it in g?",
        "of what goes to and fro with the piston", default=None)
    where: str

    def __post_init__(self) -> None:
        _check_words(self)
        if self.added_inertia is not None and self.brake_torque is not None:
            raise FieldError("brake_torque", "stands instead of added_inertia: expected one of them, got both")
        if self.moving_mass is not None and self.stage not in CYLINDER_STAGES:
            raise FieldError("moving_mass", f"no piston moves at stage '{self.stage}': expected no such key")
        if self.stage in CYLINDER_STAGES and self.inertia is not None and self.moving_mass is None:
            raise FieldError(
                "inertia", "does not hold the piston, which swings with the crank: expected the key moving_mass too")


# fmt: on

_TEMPERATURE = ("temperature", "K", "degC", 2000.0, "which unit was it in?")
_DRIFT = ("rate of temperature", "K/s", "K/min", 1e3, "which unit was it in?")


@dataclass(frozen=True, kw_only=True)
class Sweep:
    """One file of readings. Arrays have shape (rows,) and are read-only; a column not recorded is None.

    A single reading that is missing is nan, in the columns that may have gaps.
    """

    stage: str  # one of STAGES
    cylinder: str | None
    file: str  # as bench.toml names it
    sha256: str
    line: NDArray[np.int64]  # line of each reading in the file, 1 = first line
    # Of the crank; zeros in standby where not recorded. "speed" is its other name.
    frequency: FloatArray = column("frequency", "Hz", "Hz", 1000, "was it in rpm?", is_required=True)
    # At the meter: voltage times current where there is no power column.
    power: FloatArray = column("power", "W", "W", 1e7, "was it in mW?", is_required=True)
    power_resolution: float  # [W] the last digit written
    from_volts_and_amps: bool  # power is the product of the voltage and current columns
    # The ammeter's own reading: the motor's current at its terminals, the bus current before a controller.
    current: FloatArray | None = column("current", "A", "A", 1e5, "was it in mA?")
    voltage: FloatArray | None = column("voltage", "V", "V", 1e5, "was it in mV?")
    # Absolute; the column, else the sweep's value; None where neither.
    mean_pressure: FloatArray | None = column("pressure", "Pa", "bar", 1e8, "was it in Pa or mbar?")
    # Half of peak to peak.
    pressure_amplitude: FloatArray | None = column("pressure", "Pa", "bar", 1e8, "was it in Pa or mbar?")
    # Standard deviation of that reading, such as the standard error of a logged plateau's mean.
    power_scatter: FloatArray | None = column("power", "W", "W", 1e7, "was it in mW?")
    # At the crank, by a brake or a generator; the brake's force times [brake] arm.
    torque: FloatArray | None = column("torque", "N*m", "N*m", 1e4, "was it in mN*m?")
    brake_force: FloatArray | None = column("force", "N", "N", 1e5, "was it in mN?")
    winding: FloatArray | None = column(*_TEMPERATURE)
    cold_end: FloatArray | None = column(*_TEMPERATURE, has_gaps=True)
    hot_end: FloatArray | None = column(*_TEMPERATURE, has_gaps=True)
    coolant: FloatArray | None = column(*_TEMPERATURE)
    # How fast an end still moved when it was read; zero where it had settled.
    cold_end_drift: FloatArray | None = column(*_DRIFT, has_gaps=True)
    hot_end_drift: FloatArray | None = column(*_DRIFT, has_gaps=True)
    # Since the setting was changed; several rows of one setting then tell where its ends settle.
    settling_time: FloatArray | None = column("time", "s", "min", 1e6, "was it in ms?", has_gaps=True)
    note: tuple[str, ...] = ()
    typed: tuple[str, ...] = ()  # speed of each reading as written, with its unit; () where nobody wrote it

    def __post_init__(self) -> None:
        _one_of("stage", self.stage, STAGES)
        if (self.cylinder is not None) != (self.stage in CYLINDER_STAGES):
            raise InputError(f"stage '{self.stage}' with cylinder {self.cylinder}: only {CYLINDER_STAGES} have one")
        for item in fields(self):
            if isinstance(getattr(self, item.name), np.ndarray):
                self._freeze(item.name)

    def _freeze(self, name: str) -> None:
        """Own, read-only, finite but for gaps, as long as the others."""
        values = np.array(getattr(self, name))
        kind = columns_of(type(self)).get(name)
        is_read = np.isfinite(values) | (np.isnan(values) if kind is not None and kind.has_gaps else False)
        if values.shape != self.frequency.shape or not is_read.all():
            raise InputError(f"{self.file}: {name} must hold {len(self)} finite readings, got {values}")
        values.flags.writeable = False
        object.__setattr__(self, name, values)

    def replace(self, **changes: Any) -> Sweep:
        """The same readings with some fields changed."""
        return replace(self, **changes)

    def __len__(self) -> int:
        return len(self.frequency)

    def __repr__(self) -> str:
        cylinder = "" if self.cylinder is None else f" {self.cylinder!r}"
        return f"Sweep({self.file!r}, {self.stage}{cylinder}, {len(self)} readings)"


@dataclass(frozen=True, kw_only=True)
class Recording:
    """Pressure through several turns, shape (n,) each; its mean does not matter, so it may be gauge.

    One of crank angle, time with index marks, or time with a volume.
    """

    file: str
    sha256: str
    cylinder: str
    stage: str = "loaded"  # or 'blanked'
    frequency: Quantity | None  # [Hz]
    mean_pressure: float  # [Pa]
    dead_centre: Quantity | None  # [rad]
    sensor_lag: Quantity | None  # [s]
    line: NDArray[np.int64]
    pressure: FloatArray  # [Pa]
    angle: FloatArray | None = None  # [rad] of the crank
    time: FloatArray | None = None  # [s]
    index: FloatArray | None = None  # above zero while the mark passes
    volume: FloatArray | None = None  # [m^3], from any zero

    def __len__(self) -> int:
        return len(self.pressure)

    def __repr__(self) -> str:
        return f"Recording({self.file!r}, {self.cylinder!r}, {len(self)} samples)"


@dataclass(frozen=True, kw_only=True)
class Rundown:
    """The machine coasting, shape (n,) each: its frequency at times, or the times alone at which a mark passes."""

    file: str
    sha256: str
    stage: str  # one of RUNDOWN_STAGES
    cylinder: str | None
    mean_pressure: float  # [Pa]
    inertia: Quantity | None  # [kg m^2] at the crank
    added_inertia: Quantity | None  # [kg m^2] at the crank
    brake_torque: Quantity | None  # [N m] at the crank
    moving_mass: Quantity | None  # [kg]
    mark: float  # turns of the crank between two marks
    line: NDArray[np.int64]
    time: FloatArray  # [s]
    frequency: FloatArray | None  # [Hz] of the crank; None where the times are of marks

    @property
    def is_aided(self) -> bool:
        """Whether a known inertia or brake was put on."""
        return self.added_inertia is not None or self.brake_torque is not None

    def __len__(self) -> int:
        return len(self.time)

    def __repr__(self) -> str:
        of = self.stage if self.cylinder is None else f"{self.stage} {self.cylinder!r}"
        return f"Rundown({self.file!r}, {of}, {len(self)} {'marks' if self.frequency is None else 'samples'})"


@dataclass(frozen=True)
class Bench:
    """A rig, its sweeps in the order of bench.toml, and notices about what was left unread."""

    folder: Path
    rig: Rig
    sweeps: tuple[Sweep, ...]
    sha256: str  # of bench.toml
    notices: tuple[str, ...] = ()
    recordings: tuple[Recording, ...] = ()
    rundowns: tuple[Rundown, ...] = ()

    def __repr__(self) -> str:
        return f"Bench({self.rig.title!r}, {len(self.sweeps)} sweeps)"
