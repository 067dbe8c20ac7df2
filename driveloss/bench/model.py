"""The bench as frozen records, in SI units (temperatures in kelvin, pressures absolute)."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

STAGES = ("standby", "motor-alone", "piston-disconnected", "no-load", "loaded")
CYLINDER_STAGES = ("no-load", "loaded")
SUPPLIES = ("terminals", "controller")
CYCLES = ("pulse-tube", "stirling", "heat-pump", "none")


@dataclass(frozen=True, slots=True)
class Quantity:
    """A value with its limit of error: the half-width of a rectangular distribution, same unit."""

    value: float
    limit: float = 0.0


@dataclass(frozen=True, slots=True)
class Limits:
    """Limits of error of an instrument: `gain` is a fraction of the reading, `zero` in the reading's unit."""

    gain: float = 0.0
    zero: float = 0.0


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
