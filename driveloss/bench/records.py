"""The bench as frozen records, in SI units (temperatures in kelvin, pressures absolute)."""

from __future__ import annotations

from dataclasses import dataclass, field, fields, replace
from math import isfinite
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from driveloss.errors import InputError

FloatArray = NDArray[np.float64]

STAGES = ("standby", "motor-alone", "piston-disconnected", "no-load", "loaded")
CYLINDER_STAGES = ("no-load", "loaded")
SUPPLIES = ("terminals", "controller")
CYCLES = ("pulse-tube", "stirling", "heat-pump", "none")


def _one_of(name: str, value: str, allowed: tuple[str, ...]) -> None:
    if value not in allowed:
        raise InputError(f"{name} must be one of {', '.join(allowed)}; got '{value}'")


@dataclass(frozen=True, slots=True)
class Quantity:
    """A value with its limit of error: the half-width of a rectangular distribution, same unit."""

    value: float
    limit: float = 0.0

    def __post_init__(self) -> None:
        if not (isfinite(self.value) and isfinite(self.limit) and self.limit >= 0):
            raise InputError(f"expected a finite value and a limit of zero or more, got {self.value} +/- {self.limit}")


@dataclass(frozen=True, slots=True)
class Limits:
    """Limits of error of an instrument: `gain` is a fraction of the reading, `zero` in the reading's unit."""

    gain: float = 0.0
    zero: float = 0.0

    @property
    def is_perfect(self) -> bool:
        """No limit is stated."""
        return self.gain == 0 and self.zero == 0

    def __post_init__(self) -> None:
        if not (0 <= self.gain < 1 and self.zero >= 0 and isfinite(self.zero)):
            raise InputError(f"expected limits of zero or more, got {self.gain} of the reading and {self.zero}")


@dataclass(frozen=True, slots=True)
class Meter:
    """What the data sheets promise; each error is common to all readings of its instrument."""

    power: Limits = Limits()  # [W]
    frequency: Limits = Limits()  # [Hz]
    voltage: Limits = Limits()  # [V]
    current: Limits = Limits()  # [A]
    pressure: Limits = Limits()  # [Pa]
    temperature: Limits = Limits()  # [K]


@dataclass(frozen=True, slots=True)
class Motor:
    """The motor's constants as far as the bench knows them."""

    supply: str  # one of SUPPLIES
    winding_resistance: Quantity | None = None  # [ohm] at winding_temperature
    winding_temperature: float = 293.15  # [K] where the resistance was measured
    torque_constant: Quantity | None = None  # [N m/A]
    current_form_factor: Quantity = Quantity(1.0)  # rms over mean [1]
    incremental_efficiency: Quantity | None = None  # [1]
    peak_torque: Quantity | None = None  # [N m] at the motor shaft
    current_limit: Quantity | None = None  # [A]

    def __post_init__(self) -> None:
        _one_of("supply", self.supply, SUPPLIES)
        if self.incremental_efficiency is not None and self.winding_resistance is not None:
            raise InputError(
                "incremental_efficiency stands instead of winding_resistance: expected one of them, got both"
            )


@dataclass(frozen=True, slots=True)
class Transmission:
    """Motor to crank."""

    ratio: Quantity = Quantity(1.0)  # motor revolutions per crank revolution [1]
    efficiency: Quantity = Quantity(1.0)  # of the load power passing through [1]


@dataclass(frozen=True, slots=True)
class Cylinder:
    """One cylinder with its seal."""

    name: str
    bore: Quantity  # [m]
    stroke: Quantity  # [m]
    back_pressure: Quantity  # [Pa] absolute, on the seal's other side
    seal: str = ""
    gas: str = "air"
    open_port_diameter: Quantity | None = None  # [m] no-load breathing hole
    discharge_coefficient: Quantity = Quantity(0.62, 0.03)  # [1]
    pressure_friction: Quantity | None = None  # [N/Pa]

    def __post_init__(self) -> None:
        port = self.open_port_diameter
        if port is not None and port.value > self.bore.value:
            raise InputError(
                f"open_port_diameter must not exceed the bore of {self.bore.value:g} m, got {port.value:g} m"
            )


@dataclass(frozen=True, slots=True)
class Aftercooler:
    """Where compression heat and the seal's share of friction heat are rejected."""

    seal_heat_share: Quantity = Quantity(1.0)  # [1]
    thermal_resistance: Quantity | None = None  # [K/W]


@dataclass(frozen=True, slots=True)
class Rig:
    """Everything that stays the same while sweeps are run."""

    title: str
    ambient_temperature: Quantity  # [K]
    ambient_pressure: Quantity  # [Pa]
    meter: Meter
    motor: Motor
    transmission: Transmission
    rod_length: Quantity | None  # [m]; None = scotch yoke
    cylinders: dict[str, Cylinder]
    aftercooler: Aftercooler = Aftercooler()
    cycle: str = "none"  # one of CYCLES

    def __post_init__(self) -> None:
        _one_of("cycle", self.cycle, CYCLES)
        for name, cylinder in self.cylinders.items():
            rod, radius = self.rod_length, cylinder.stroke.value / 2
            if rod is not None and rod.value <= radius:
                raise InputError(
                    f"rod_length must exceed the crank radius, half the stroke of cylinder '{name}', "
                    f"{radius:g} m; got {rod.value:g} m"
                )


@dataclass(frozen=True)
class Sweep:
    """One file of readings. Arrays have shape (rows,) and are read-only; a column not recorded is None."""

    stage: str  # one of STAGES
    cylinder: str | None
    file: str  # as bench.toml names it
    sha256: str
    line: NDArray[np.int64]  # line of each reading in the file, 1 = first line
    frequency: FloatArray  # [Hz] of the crank; zeros in standby where not recorded
    power: FloatArray  # [W] at the meter (voltage times current where no power column)
    power_resolution: float  # [W] the last digit written
    from_volts_and_amps: bool  # power is the product of the voltage and current columns
    current: FloatArray | None  # [A]
    voltage: FloatArray | None  # [V]
    mean_pressure: FloatArray | None  # [Pa] absolute; column, else the sweep's value; None where neither
    winding: FloatArray | None = None  # [K]
    cold_end: FloatArray | None = None  # [K]
    hot_end: FloatArray | None = None  # [K]
    coolant: FloatArray | None = None  # [K]
    note: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        _one_of("stage", self.stage, STAGES)
        if (self.cylinder is not None) != (self.stage in CYLINDER_STAGES):
            raise InputError(f"stage '{self.stage}' with cylinder {self.cylinder}: only {CYLINDER_STAGES} have one")
        for column in fields(self):
            if isinstance(getattr(self, column.name), np.ndarray):
                self._freeze(column.name)

    def _freeze(self, column: str) -> None:
        """Own, read-only, finite, as long as the others."""
        values = np.array(getattr(self, column))
        if values.shape != self.frequency.shape or not np.isfinite(values).all():
            raise InputError(f"{self.file}: {column} must hold {len(self)} finite readings, got {values}")
        values.flags.writeable = False
        object.__setattr__(self, column, values)

    def replace(self, **changes: Any) -> Sweep:
        """The same readings with some fields changed."""
        return replace(self, **changes)

    def __len__(self) -> int:
        return len(self.frequency)


@dataclass(frozen=True)
class Bench:
    """A rig, its sweeps in the order of bench.toml, and notices about what was left unread."""

    folder: Path
    rig: Rig
    sweeps: tuple[Sweep, ...]
    sha256: str  # of bench.toml
    notices: tuple[str, ...] = field(default=())
