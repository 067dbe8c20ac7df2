"""The true machine: what a piston bench really loses, worked out step by step through one crank turn.

Nothing here comes from driveloss. Powers are averages over a turn of force times velocity and torque times
speed, taken from piston positions on a fine grid of crank angles; no closed-form mean is used. SI throughout.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

STEPS = 720  # crank angles in one turn
GAS_CONSTANT = {"air": 287.05, "nitrogen": 296.80, "helium": 2077.1}  # [J/(kg K)]
COPPER_ZERO = 235.0  # [degC] below zero where copper's resistance would vanish (IEC 60034-1)
CELSIUS = 273.15


@dataclass(frozen=True, slots=True)
class TorqueLaw:
    """Drag torque of a turning part against its own shaft speed: M = M_C + k w^(2/3) + b w + d w^2."""

    coulomb: float = 0.0  # [N m]
    rolling: float = 0.0  # [N m (s/rad)^(2/3)]
    viscous: float = 0.0  # [N m s/rad]
    windage: float = 0.0  # [N m (s/rad)^2]

    def power(self, speed: FloatArray) -> FloatArray:
        """Drag power [W] at shaft speed [rad/s], any shape."""
        torque = self.coulomb + self.rolling * speed ** (2 / 3) + self.viscous * speed + self.windage * speed**2
        return torque * speed


@dataclass(frozen=True, slots=True)
class SealLaw:
    """Drag force of a piston seal against the magnitude of its velocity and the pressure across it."""

    coulomb: float = 0.0  # [N]
    static: float = 0.0  # [N] breakaway; below `coulomb` means no Stribeck rise
    stribeck_speed: float = 0.05  # [m/s]
    viscous: float = 0.0  # [N s/m]
    energised: float = 0.0  # [N/Pa] of pressure across the seal

    def force(self, speed: FloatArray, across: FloatArray) -> FloatArray:
        """Drag [N] at `speed` [m/s, not negative] with `across` [Pa] over the seal."""
        rise = max(self.static - self.coulomb, 0.0)
        force = self.coulomb + self.viscous * speed + self.energised * across
        return force + rise * np.exp(-((speed / self.stribeck_speed) ** 2)) if rise else force


@dataclass(frozen=True, slots=True)
class CylinderTruth:
    """A cylinder, its seal, its breathing hole and the gas load that it drives."""

    name: str
    bore: float  # [m]
    stroke: float  # [m]
    seal: SealLaw
    seal_text: str = "test seal"
    gas: str = "air"
    back_pressure: float = 101325.0  # [Pa]
    port_diameter: float | None = None  # [m]; None = so wide that it costs nothing
    discharge_coefficient: float = 0.62
    work_ratio: float = 0.2  # work per turn over mean pressure times swept volume, at standstill
    work_ratio_slope: float = 0.0  # [1/Hz] how that ratio rises with frequency
    phase: float = 0.6  # [rad] of the pressure wave ahead of the piston's velocity

    @property
    def area(self) -> float:
        return np.pi * self.bore**2 / 4


@dataclass(frozen=True, slots=True)
class MotorTruth:
    """The motor with its controller."""

    supply: str = "terminals"  # or "controller"
    resistance: float = 0.5  # [ohm] at `reference_temperature`
    reference_temperature: float = 293.15  # [K]
    torque_constant: float = 0.06  # [N m/A]
    form_factor: float = 1.0  # rms over mean current
    law: TorqueLaw = TorqueLaw()  # iron, brushes, bearings, windage; against motor speed
    standby: float = 0.0  # [W] idle power of the controller
    heating: float = 0.0  # [K/W] winding above ambient for each watt lost in the motor
    bus_voltage: float = 24.0  # [V] before a controller


@dataclass(frozen=True, slots=True)
class Truth:
    """Everything true about a bench."""

    motor: MotorTruth
    linkage: TorqueLaw  # against crank speed
    cylinders: tuple[CylinderTruth, ...]
    ratio: float = 1.0  # motor turns per crank turn
    transmission_efficiency: float = 1.0
    rod_length: float | None = None  # [m]; None = scotch yoke
    ambient_temperature: float = 293.15  # [K]
    ambient_pressure: float = 101325.0  # [Pa]
    seal_heat_share: float = 1.0
    thermal_resistance: float | None = None  # [K/W] aftercooler to coolant
    cycle: str = "none"
    top_frequency: float = 10.0  # [Hz] highest crank frequency the machine is meant for
    top_pressure: float = 101325.0  # [Pa] highest mean pressure it is meant for

    def cylinder(self, name: str) -> CylinderTruth:
        return next(cylinder for cylinder in self.cylinders if cylinder.name == name)


def piston_positions(stroke: float, rod_length: float | None, steps: int = STEPS) -> FloatArray:
    """Piston position [m] at `steps` + 1 crank angles over one turn, by Pythagoras from crank pin and rod."""
    angle = np.linspace(0.0, 2 * np.pi, steps + 1)
    crank = stroke / 2
    if rod_length is None:
        return -crank * np.cos(angle)
    return np.sqrt(rod_length**2 - (crank * np.sin(angle)) ** 2) - crank * np.cos(angle)


def piston_velocities(frequency: ArrayLike, stroke: float, rod_length: float | None, steps: int = STEPS) -> FloatArray:
    """Velocity [m/s] in each step: distance covered over the step's duration. Shape (readings, steps)."""
    distance = np.diff(piston_positions(stroke, rod_length, steps))
    return np.multiply.outer(np.asarray(frequency, float) * steps, distance)


def gas_density(truth: Truth, cylinder: CylinderTruth, pressure: ArrayLike) -> FloatArray:
    """Density [kg/m^3] of an ideal gas at `pressure` [Pa] and ambient temperature."""
    return np.asarray(pressure, float) / (GAS_CONSTANT[cylinder.gas] * truth.ambient_temperature)


def port_drop(truth: Truth, cylinder: CylinderTruth, velocity: FloatArray, pressure: ArrayLike) -> FloatArray:
    """Momentary pressure drop [Pa] in the breathing hole, shape of `velocity` (readings, steps).

    Orifice law, flow rate = C_d A_p sqrt(2 drop/rho), solved for the drop.
    """
    if cylinder.port_diameter is None:
        return np.zeros_like(velocity)
    hole = np.pi * cylinder.port_diameter**2 / 4
    density = gas_density(truth, cylinder, pressure)[:, None]
    flow = cylinder.area * np.abs(velocity)
    return (flow / (cylinder.discharge_coefficient * hole)) ** 2 * density / 2


def port_power(truth: Truth, cylinder: CylinderTruth, frequency: FloatArray, pressure: FloatArray) -> FloatArray:
    """Cycle mean of pressure drop times flow [W], shape (readings,)."""
    velocity = piston_velocities(frequency, cylinder.stroke, truth.rod_length)
    drop = port_drop(truth, cylinder, velocity, pressure)
    return np.mean(drop * cylinder.area * np.abs(velocity), axis=1)


def seal_power(truth: Truth, cylinder: CylinderTruth, frequency: FloatArray, pressure: FloatArray) -> FloatArray:
    """Cycle mean of seal force times speed [W], shape (readings,)."""
    speed = np.abs(piston_velocities(frequency, cylinder.stroke, truth.rod_length))
    across = (np.asarray(pressure, float) - cylinder.back_pressure)[:, None]
    return np.mean(cylinder.seal.force(speed, across) * speed, axis=1)


def work_ratio(cylinder: CylinderTruth, frequency: ArrayLike) -> FloatArray:
    """Wanted work per turn over mean pressure times swept volume."""
    return cylinder.work_ratio + cylinder.work_ratio_slope * np.asarray(frequency, float)


def pressure_amplitude(
    truth: Truth, cylinder: CylinderTruth, frequency: FloatArray, pressure: FloatArray
) -> FloatArray:
    """Amplitude [Pa] of the pressure wave that does the wanted work, shape (readings,)."""
    angle = (np.arange(STEPS) + 0.5) * 2 * np.pi / STEPS
    moved = np.diff(piston_positions(cylinder.stroke, truth.rod_length))
    work_of_unit_wave = np.sum(np.sin(angle + cylinder.phase) * moved)  # per piston area [m]
    return work_ratio(cylinder, frequency) * pressure * cylinder.stroke / work_of_unit_wave


def pneumatic_power(truth: Truth, cylinder: CylinderTruth, frequency: FloatArray, pressure: FloatArray) -> FloatArray:
    """Net p-V power [W]: frequency times the sum of p A dx round the loop, shape (readings,)."""
    angle = (np.arange(STEPS) + 0.5) * 2 * np.pi / STEPS
    moved = np.diff(piston_positions(cylinder.stroke, truth.rod_length))
    amplitude = pressure_amplitude(truth, cylinder, frequency, pressure)
    wave = pressure[:, None] + amplitude[:, None] * np.sin(angle + cylinder.phase)
    return frequency * np.sum(wave * moved, axis=1) * cylinder.area


def electrical(truth: Truth, frequency: FloatArray, air_gap: FloatArray) -> dict[str, FloatArray]:
    """From air-gap power to the motor's current, winding temperature, copper loss and input power.

    The winding settles where temperature = ambient + heating (copper + rotation losses) and the resistance
    follows the temperature; both are linear in each other, hence solved in one step.
    """
    motor = truth.motor
    speed = 2 * np.pi * truth.ratio * frequency
    current = np.divide(air_gap, motor.torque_constant * speed, out=np.zeros_like(air_gap), where=speed > 0)
    rotation = motor.law.power(speed)
    per_degree = motor.resistance / (COPPER_ZERO + motor.reference_temperature - CELSIUS)
    without_copper = COPPER_ZERO + truth.ambient_temperature - CELSIUS + motor.heating * rotation
    squared = (motor.form_factor * current) ** 2
    headroom = 1 - per_degree * motor.heating * squared
    if np.any(headroom <= 0):
        raise ValueError("this motor would burn out: its winding never settles at the load asked for")
    resistance = per_degree * without_copper / headroom
    copper = squared * resistance
    winding = truth.ambient_temperature + motor.heating * (rotation + copper)
    return {
        "current": current,
        "rotation": rotation,
        "copper": copper,
        "winding": winding,
        "input": motor.standby + air_gap + copper,
    }


def no_load_losses(
    truth: Truth, cylinder: str | None, frequency: ArrayLike, pressure: ArrayLike | None = None
) -> Mapping[str, FloatArray]:
    """True no-load losses [W] at crank frequency [Hz] and mean pressure [Pa], shape (n,) each.

    `cylinder` None = drive alone. The copper loss is that of the motor turning motor, linkage and seal,
    without the breathing hole's power, which `total_W` leaves out too.
    """
    f = np.atleast_1d(np.asarray(frequency, float))
    p = np.broadcast_to(np.asarray(truth.ambient_pressure if pressure is None else pressure, float), f.shape)
    seal = port = np.zeros_like(f)
    if cylinder is not None:
        seal = seal_power(truth, truth.cylinder(cylinder), f, p)
        port = port_power(truth, truth.cylinder(cylinder), f, p)
    linkage = truth.linkage.power(2 * np.pi * f) + seal / truth.transmission_efficiency - seal
    rotation = truth.motor.law.power(2 * np.pi * truth.ratio * f)
    electric = electrical(truth, f, rotation + linkage + seal)
    motor = rotation + electric["copper"]
    return {
        "standby_W": np.full_like(f, truth.motor.standby),
        "motor_W": motor,
        "motor_copper_W": electric["copper"],
        "motor_rotation_W": rotation,
        "linkage_W": linkage,
        "drive_W": motor + linkage,
        "seal_W": seal,
        "port_W": port,
        "total_W": electric["input"],
    }


def loaded_parts(truth: Truth, cylinder: str, frequency: ArrayLike, pressure: ArrayLike) -> dict[str, FloatArray]:
    """True split [W] of the input of loaded runs, shape (n,) each: parts, ceiling, aftercooler heat."""
    f, p = np.atleast_1d(np.asarray(frequency, float)), np.atleast_1d(np.asarray(pressure, float))
    cyl = truth.cylinder(cylinder)
    pneumatic, seal = pneumatic_power(truth, cyl, f, p), seal_power(truth, cyl, f, p)
    transmission = (pneumatic + seal) * (1 / truth.transmission_efficiency - 1)
    linkage = truth.linkage.power(2 * np.pi * f)
    rotation = truth.motor.law.power(2 * np.pi * truth.ratio * f)
    electric = electrical(truth, f, rotation + linkage + seal + transmission + pneumatic)
    motor, friction_heat = rotation + electric["copper"], truth.seal_heat_share * seal
    return {
        "input_W": electric["input"],
        "standby_W": np.full_like(f, truth.motor.standby),
        "motor_W": motor,
        "motor_copper_W": electric["copper"],
        "linkage_W": linkage,
        "drive_W": motor + linkage,
        "transmission_W": transmission,
        "seal_W": seal,
        "pneumatic_W": pneumatic,
        "efficiency_ceiling": pneumatic / electric["input"],
        "aftercooler_heat_W": pneumatic + friction_heat,
        "friction_heat_W": friction_heat,
        "cycle_work_ratio": pneumatic / (f * p * cyl.area * cyl.stroke),
    }
