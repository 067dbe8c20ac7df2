"""The true machine: what a piston bench really loses, worked out step by step through one crank turn.

Nothing here comes from driveloss. Powers are averages over a turn of force times velocity and torque times
speed, taken from piston positions on a fine grid of crank angles; no closed-form mean is used. SI throughout.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from simulate.bearings import pin_power, side_force, wall_power
from simulate.breathing import HEAT_CAPACITY_RATIO, Chamber, breathing_pressure
from simulate.closed import ClosedGas, closed_pressure
from simulate.effects import Effects
from simulate.turn import (
    FloatArray,
    middles,
    piston_accelerations,
    piston_positions,
    piston_velocities,
)

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
    effects: Effects = Effects()

    def cylinder(self, name: str) -> CylinderTruth:
        return next(cylinder for cylinder in self.cylinders if cylinder.name == name)


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
    """Cycle mean of pressure drop times flow, or of pressure times velocity where gas is squeezed [W], (readings,)."""
    velocity = piston_velocities(frequency, cylinder.stroke, truth.rod_length)
    if truth.effects.breathing != "quasi-steady":
        wave = open_pressure(truth, cylinder, frequency, pressure)
        return np.mean(wave * velocity, axis=1) * cylinder.area
    drop = port_drop(truth, cylinder, velocity, pressure)
    return np.mean(drop * cylinder.area * np.abs(velocity), axis=1)


def open_pressure(truth: Truth, cylinder: CylinderTruth, frequency: FloatArray, pressure: FloatArray) -> FloatArray:
    """Pressure in a cylinder that breathes through its open port [Pa], shape (readings, steps)."""
    if truth.effects.breathing == "quasi-steady" or cylinder.port_diameter is None:
        velocity = piston_velocities(frequency, cylinder.stroke, truth.rod_length)
        return pressure[:, None] + np.sign(velocity) * port_drop(truth, cylinder, velocity, pressure)
    chamber = Chamber(
        area=cylinder.area,
        stroke=cylinder.stroke,
        rod_length=truth.rod_length,
        hole=cylinder.discharge_coefficient * np.pi * cylinder.port_diameter**2 / 4,
        dead_volume=truth.effects.dead_volume * cylinder.area * cylinder.stroke,
        gas_constant=GAS_CONSTANT[cylinder.gas],
        kappa=HEAT_CAPACITY_RATIO[cylinder.gas],
        temperature=truth.ambient_temperature,
        is_isothermal=truth.effects.breathing == "isothermal",
    )
    return breathing_pressure(chamber, frequency, pressure)


def seal_power(truth: Truth, cylinder: CylinderTruth, frequency: FloatArray, pressure: FloatArray) -> FloatArray:
    """Cycle mean of seal force times speed at a steady pressure [W], shape (readings,)."""
    speed = np.abs(piston_velocities(frequency, cylinder.stroke, truth.rod_length))
    across = (np.asarray(pressure, float) - cylinder.back_pressure)[:, None]
    return np.mean(cylinder.seal.force(speed, across) * speed, axis=1)


@dataclass(frozen=True)
class Turn:
    """What happens to a piston in every step of a turn, shape (readings, steps)."""

    velocity: FloatArray  # [m/s] towards top dead centre
    drag: FloatArray  # [N] of the seal, not negative
    axial: FloatArray  # [N] along the cylinder that the rod must give, towards top dead centre
    seal: FloatArray  # [W] cycle mean, shape (readings,)
    bearing: FloatArray  # [W] cycle mean of pins and guides, shape (readings,)

    @property
    def power(self) -> FloatArray:
        """What gas, seal and inertia take of the crank at every moment. [W]"""
        return self.axial * self.velocity


def turn(truth: Truth, cylinder: CylinderTruth, f: FloatArray, p: FloatArray, wave: FloatArray, warm: float) -> Turn:
    """Follow one turn at mean pressures `p` (readings,) and momentary ones `wave` (readings, steps). [Pa]

    `warm`: factor on the seal's drag.
    """
    effects, stroke, rod = truth.effects, cylinder.stroke, truth.rod_length
    velocity = piston_velocities(f, stroke, rod)
    speed, over = np.abs(velocity), wave - cylinder.back_pressure
    drag = (
        cylinder.seal.force(speed, np.abs(over) if effects.lip_swing else (p - cylinder.back_pressure)[:, None]) * warm
    )
    inertia = effects.moving_mass * piston_accelerations(f, stroke, rod)
    axial = over * cylinder.area + drag * np.sign(velocity) + inertia
    axial = axial + effects.wall_friction * side_force(axial, stroke, rod) * np.sign(velocity)
    bearing = wall_power(effects.wall_friction, axial, velocity, stroke, rod)
    if effects.pins:
        bearing = bearing + pin_power(effects.pins, f, axial, stroke, rod)
    return Turn(velocity, drag, axial, np.mean(drag * speed, axis=1), bearing)


def open_turn(truth: Truth, cylinder: CylinderTruth, frequency: FloatArray, pressure: FloatArray) -> Turn:
    """A turn of a no-load run."""
    return turn(truth, cylinder, frequency, pressure, open_pressure(truth, cylinder, frequency, pressure), 1.0)


def blanked_turn(truth: Truth, cylinder: CylinderTruth, frequency: FloatArray, pressure: FloatArray) -> Turn:
    """A turn of a blanked run."""
    wave = blanked_pressure(truth, cylinder, frequency, pressure)
    return turn(truth, cylinder, frequency, pressure, wave, truth.effects.blanked_seal)


def blanked_pressure(truth: Truth, cylinder: CylinderTruth, frequency: FloatArray, pressure: FloatArray) -> FloatArray:
    """Pressure in a cylinder that is closed off [Pa], shape (readings, steps)."""
    effects = truth.effects
    closed = ClosedGas(
        area=cylinder.area,
        bore=cylinder.bore,
        stroke=cylinder.stroke,
        rod_length=truth.rod_length,
        clearance=effects.closed_volume * cylinder.area * cylinder.stroke,
        gas=cylinder.gas,
        wall=truth.ambient_temperature,
        exchange=effects.wall_exchange,
        leak=effects.closed_leak,
    )
    return closed_pressure(closed, frequency, pressure)


def blanked_power(truth: Truth, cylinder: CylinderTruth, frequency: FloatArray, pressure: FloatArray) -> FloatArray:
    """What a blanked run takes at the crank [W], shape (readings,)."""
    this = blanked_turn(truth, cylinder, frequency, pressure)
    wave = blanked_pressure(truth, cylinder, frequency, pressure)
    return np.mean(wave * this.velocity, axis=1) * cylinder.area + this.seal + this.bearing


def loaded_turn(truth: Truth, cylinder: CylinderTruth, frequency: FloatArray, pressure: FloatArray) -> Turn:
    """A turn of a loaded run."""
    wave = pressure_wave(truth, cylinder, frequency, pressure)
    return turn(truth, cylinder, frequency, pressure, wave, truth.effects.warm_seal)


def ripple_factor(truth: Truth, air_gap: FloatArray, this: Turn | None) -> FloatArray:
    """Rms over mean of the motor current that follows the turn's torque as far as inertia lets it, (readings,)."""
    if this is None or truth.effects.ripple == 0:
        return np.ones_like(air_gap)
    through = this.power / truth.transmission_efficiency
    wave = truth.effects.ripple * (through - through.mean(axis=1, keepdims=True)) / air_gap[:, None]
    return np.sqrt(np.mean((1 + wave) ** 2, axis=1))


def work_ratio(cylinder: CylinderTruth, frequency: ArrayLike) -> FloatArray:
    """Wanted work per turn over mean pressure times swept volume."""
    return cylinder.work_ratio + cylinder.work_ratio_slope * np.asarray(frequency, float)


def pressure_amplitude(
    truth: Truth, cylinder: CylinderTruth, frequency: FloatArray, pressure: FloatArray
) -> FloatArray:
    """Amplitude [Pa] of the pressure wave that does the wanted work, shape (readings,)."""
    moved = np.diff(piston_positions(cylinder.stroke, truth.rod_length))
    work_of_unit_wave = np.sum(np.sin(middles() + cylinder.phase) * moved)  # per piston area [m]
    return work_ratio(cylinder, frequency) * pressure * cylinder.stroke / work_of_unit_wave


def pressure_wave(truth: Truth, cylinder: CylinderTruth, frequency: FloatArray, pressure: FloatArray) -> FloatArray:
    """Pressure in the cylinder of a loaded run [Pa], shape (readings, steps)."""
    amplitude = pressure_amplitude(truth, cylinder, frequency, pressure)
    return pressure[:, None] + amplitude[:, None] * np.sin(middles() + cylinder.phase)


def pneumatic_power(truth: Truth, cylinder: CylinderTruth, frequency: FloatArray, pressure: FloatArray) -> FloatArray:
    """Net p-V power [W]: frequency times the sum of p A dx round the loop, shape (readings,)."""
    moved = np.diff(piston_positions(cylinder.stroke, truth.rod_length))
    wave = pressure_wave(truth, cylinder, frequency, pressure)
    return frequency * np.sum(wave * moved, axis=1) * cylinder.area


def electrical(
    truth: Truth, frequency: FloatArray, air_gap: FloatArray, ripple: ArrayLike = 1.0
) -> dict[str, FloatArray]:
    """From air-gap power to the motor's current, winding temperature, losses and input power.

    `ripple`: rms over mean of the current that the load's ripple makes, on top of the motor's own form factor.

    The winding settles where temperature = ambient + heating (copper + rotation losses) and the resistance
    follows the temperature; both are linear in each other, hence solved in one step.
    """
    motor = truth.motor
    speed = 2 * np.pi * truth.ratio * frequency
    current = np.divide(air_gap, motor.torque_constant * speed, out=np.zeros_like(air_gap), where=speed > 0)
    rotation = motor.law.power(speed)
    per_degree = motor.resistance / (COPPER_ZERO + motor.reference_temperature - CELSIUS)
    without_copper = COPPER_ZERO + truth.ambient_temperature - CELSIUS + motor.heating * rotation
    squared = (motor.form_factor * np.asarray(ripple) * current) ** 2
    headroom = 1 - per_degree * motor.heating * squared
    if np.any(headroom <= 0):
        raise ValueError("this motor would burn out: its winding never settles at the load asked for")
    resistance = per_degree * without_copper / headroom
    copper = squared * resistance
    winding = truth.ambient_temperature + motor.heating * (rotation + copper)
    brush = truth.effects.brush_drop * current
    controller = controller_loss(truth, air_gap + copper + brush)
    return {
        "current": current,
        "rotation": rotation,
        "copper": copper,
        "winding": winding,
        "brush": brush,
        "controller": controller,
        "input": motor.standby + air_gap + copper + brush + controller,
    }


def motor_load_loss(electric: Mapping[str, FloatArray]) -> FloatArray:
    """What the motor and its controller lose beyond rotation and standby. [W]"""
    return electric["copper"] + electric["brush"] + electric["controller"]


def controller_loss(truth: Truth, passing: FloatArray) -> FloatArray:
    """What a controller loses beyond its standby [W] with `passing` [W] at its outlet."""
    effects = truth.effects
    lightness = np.clip(1 - passing / effects.full_power, 0, 1)
    return passing * (1 / (effects.controller_efficiency - effects.light_load_drop * lightness) - 1)


def no_load_losses(
    truth: Truth, cylinder: str | None, frequency: ArrayLike, pressure: ArrayLike | None = None
) -> Mapping[str, FloatArray]:
    """True no-load losses [W] at crank frequency [Hz] and mean pressure [Pa], shape (n,) each.

    `cylinder` None = drive alone. The copper loss is that of the motor turning motor, linkage and seal,
    without the breathing hole's power, which `total_W` leaves out too. Pins and guides count as linkage.
    """
    f = np.atleast_1d(np.asarray(frequency, float))
    p = np.broadcast_to(np.asarray(truth.ambient_pressure if pressure is None else pressure, float), f.shape)
    seal = port = bearing = np.zeros_like(f)
    this = None
    if cylinder is not None:
        this = open_turn(truth, truth.cylinder(cylinder), f, p)
        seal, bearing = this.seal, this.bearing
        port = port_power(truth, truth.cylinder(cylinder), f, p)
    linkage = truth.linkage.power(2 * np.pi * f) + (seal + bearing) / truth.transmission_efficiency - seal
    rotation = truth.motor.law.power(2 * np.pi * truth.ratio * f)
    air_gap = rotation + linkage + seal
    electric = electrical(truth, f, air_gap, ripple_factor(truth, air_gap, this))
    motor = rotation + motor_load_loss(electric)
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
    this = loaded_turn(truth, cyl, f, p)
    pneumatic, seal = pneumatic_power(truth, cyl, f, p), this.seal
    transmission = (pneumatic + seal + this.bearing) * (1 / truth.transmission_efficiency - 1)
    linkage = truth.linkage.power(2 * np.pi * f) + this.bearing
    rotation = truth.motor.law.power(2 * np.pi * truth.ratio * f)
    air_gap = rotation + linkage + seal + transmission + pneumatic
    electric = electrical(truth, f, air_gap, ripple_factor(truth, air_gap, this))
    motor, friction_heat = rotation + motor_load_loss(electric), truth.seal_heat_share * seal
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
