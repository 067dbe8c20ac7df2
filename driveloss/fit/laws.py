"""Loss terms of the physical family: one table of laws, and the basis that a bench makes of them.

A coefficient is a physical constant (a torque, a force, a drag), so it cannot be negative, and its law
gives the power that a coefficient of one costs.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from driveloss.bench.records import Cylinder, FloatArray, Rig
from driveloss.fit.assumptions import assumed
from driveloss.fit.meters import Meters
from driveloss.physics import breathing, crank, gas, linkage, ports, seal
from driveloss.physics.cylinder import swept_volume

STRIBECK_SPEEDS = np.geomspace(0.04, 1.2, 15)  # tried, as fractions of the peak piston speed


@dataclass(frozen=True)
class Place:
    """Where a shape is evaluated: frequency [Hz] and pressure across the seal [Pa], shape (m,), and the geometry."""

    frequency: FloatArray
    pressure_difference: FloatArray
    ratio: float
    stroke: float  # [m]
    rod_ratio: float


@dataclass(frozen=True)
class Law:
    """How one kind of loss depends on speed; `shape` gives the power of a unit coefficient."""

    label: str
    unit: str
    shape: Callable[[Place, float], FloatArray]


SHAFT_LAWS = {
    "constant": Law("copper at constant torque", "W", lambda p, _: np.ones_like(p.frequency)),
    "coulomb": Law("Coulomb torque", "N m", lambda p, _: linkage.coulomb_power(1.0, p.ratio * p.frequency)),
    "rolling": Law(
        "rolling bearings",
        "N m s^(2/3)",
        lambda p, _: linkage.rolling_bearing_power(1.0, p.ratio * p.frequency),
    ),
    "viscous": Law("viscous drag", "N m s", lambda p, _: linkage.viscous_power(1.0, p.ratio * p.frequency)),
    "windage": Law("windage", "N m s^2", lambda p, _: linkage.windage_power(1.0, p.ratio * p.frequency)),
}
SEAL_LAWS = {
    "constant": SHAFT_LAWS["constant"],
    "coulomb": Law("Coulomb force", "N", lambda p, _: seal.coulomb_power(1.0, p.frequency, p.stroke)),
    "viscous": Law("viscous drag", "N s/m", lambda p, _: seal.viscous_power(1.0, p.frequency, p.stroke, p.rod_ratio)),
    "stribeck": Law(
        "Stribeck excess force",
        "N",
        lambda p, v: seal.stribeck_power(1.0, v, p.frequency, p.stroke, p.rod_ratio),
    ),
    "pressure": Law(
        "pressure-energised drag",
        "N/Pa",
        lambda p, _: seal.pressure_power(1.0, p.pressure_difference, p.frequency, p.stroke),
    ),
}
IDLE = Law("controller idle power", "W", SHAFT_LAWS["constant"].shape)


@dataclass(frozen=True)
class Term:
    """One column of the joint fit. `part`: 'idle', 'motor', 'linkage', 'drive' or 'seal'."""

    part: str
    kind: str
    cylinder: str | None = None
    stribeck_speed: float = 0.0  # [m/s]

    @property
    def law(self) -> Law:
        """The law in the table."""
        if self.part == "idle":
            return IDLE
        return (SEAL_LAWS if self.part == "seal" else SHAFT_LAWS)[self.kind]

    @property
    def owner(self) -> tuple[str, str | None]:
        """Part and cylinder, the group within which terms are chosen."""
        return (self.part, self.cylinder)

    @property
    def label(self) -> str:
        """For people, unique within a bench."""
        owner = self.part if self.cylinder is None else f"{self.part} '{self.cylinder}'"
        speed = f" below {self.stribeck_speed:.3g} m/s" if self.kind == "stribeck" else ""
        return f"{owner}: {self.law.label}{speed}" if self.part != "idle" else self.law.label


def rod_ratio(rig: Rig, cylinder: Cylinder) -> float:
    """Crank radius over rod length, at the stated dimensions. [1]"""
    return 0.0 if rig.rod_length is None else cylinder.stroke.value / 2 / rig.rod_length.value


def place(rig: Rig, term: Term, frequency: FloatArray, pressure: FloatArray) -> Place:
    """Geometry and conditions that a term's law needs, at the stated dimensions."""
    on_motor = rig.transmission.turns.value if term.part == "motor" else 1.0
    if term.cylinder is None:
        return Place(frequency, np.zeros_like(frequency), on_motor, 0.0, 0.0)
    cylinder = rig.cylinders[term.cylinder]
    difference = pressure - cylinder.back_pressure.value
    return Place(frequency, difference, on_motor, cylinder.stroke.value, rod_ratio(rig, cylinder))


def shape(rig: Rig, term: Term, frequency: FloatArray, pressure: FloatArray) -> FloatArray:
    """Power at the shaft of a term with coefficient one, shape (m,). [W per unit of the coefficient]

    A seal's coefficient is a force at the piston, whose power passes through the transmission.
    """
    power = term.law.shape(place(rig, term, frequency, pressure), term.stribeck_speed)
    return power / efficiency_of(rig) if term.part == "seal" else power


def efficiency_of(rig: Rig) -> float:
    """Of the transmission, as stated or as best assumed. [1]"""
    stated, row = rig.transmission.efficiency, assumed("efficiency", rig)
    if stated is not None:
        return stated.value
    return 1.0 if row is None else row.best


@dataclass(frozen=True)
class Scope:
    """What the bench lets the fit tell apart; decides which terms are offered."""

    motor_alone: bool
    idle: bool  # idle power has to be fitted
    idle_unknown: bool  # it should be, but too few frequencies tell it from the motor's losses
    copper_unresolved: bool  # constant-torque copper loss is still inside the readings
    pressures: dict[str, int]  # number of no-load pressures by cylinder
    top_frequency: float  # [Hz]


def offered_terms(rig: Rig, scope: Scope) -> list[Term]:
    """Every term that a bench could support, in the order of the ladder."""
    shaft = [kind for kind in SHAFT_LAWS if kind != "constant"]
    unresolved = ["constant"] if scope.copper_unresolved else []
    first = "motor" if scope.motor_alone else "drive"
    terms = [Term("idle", "constant")] if scope.idle else []
    terms += [Term(first, kind) for kind in ([] if scope.idle else unresolved) + shaft]
    if scope.motor_alone:
        terms += [Term("linkage", kind) for kind in unresolved + shaft]
    for name in scope.pressures:
        terms += _seal_terms(rig, scope, name, unresolved)
    return terms


def _seal_terms(rig: Rig, scope: Scope, name: str, unresolved: list[str]) -> list[Term]:
    cylinder = rig.cylinders[name]
    peak = float(crank.peak_piston_speed(scope.top_frequency, cylinder.stroke.value, rod_ratio(rig, cylinder)))
    smooth = [kind for kind in SEAL_LAWS if kind not in ("constant", "stribeck", "pressure")]
    terms = [Term("seal", kind, name) for kind in unresolved + smooth]
    terms += [Term("seal", "stribeck", name, float(peak * share)) for share in STRIBECK_SPEEDS]
    if scope.pressures[name] > 1:
        terms.append(Term("seal", "pressure", name))
    return terms


# Loads that are known before the fit


def port_power(rig: Rig, meters: Meters, name: str, frequency: FloatArray, pressure: FloatArray) -> FloatArray:
    """Gas pumped through the open port at frequency, pressure (m,): (m, 1 + draws), nan without a port size. [W]"""
    geometry, kind = meters.cylinders[name], rig.cylinders[name].gas
    stated = geometry.open_volume / swept_volume(geometry.bore, geometry.stroke)
    return breathing.breathing_power(
        frequency[:, None],
        geometry.bore,
        geometry.stroke,
        rod_ratio(rig, rig.cylinders[name]),  # its limits of error change the means by less than 1e-4
        geometry.open_port_diameter,
        geometry.discharge_coefficient,
        gas.gas_density(kind, pressure[:, None], meters.ambient_temperature),
        pressure[:, None],
        gas.HEAT_CAPACITY_RATIO[kind],
        dead_ratio=np.where(np.isnan(stated), geometry.open_ratio, stated),
        process=geometry.open_process,
    )


def peak_drop(rig: Rig, name: str, frequency: float, pressure: float) -> float:
    """Peak drop across a cylinder's open port as a share of the pressure outside [Pa]; none without a port size."""
    cylinder, row = rig.cylinders[name], assumed("discharge_coefficient", rig.cylinders[name])
    if cylinder.open_port_diameter is None or row is None:
        return 0.0
    coefficient = row.best if cylinder.discharge_coefficient is None else cylinder.discharge_coefficient.value
    drop = ports.peak_port_drop(
        frequency,
        cylinder.bore.value,
        cylinder.stroke.value,
        rod_ratio(rig, cylinder),
        cylinder.open_port_diameter.value,
        coefficient,
        gas.gas_density(cylinder.gas, pressure, rig.ambient_temperature.value),
    )
    return float(drop) / pressure


def stated_pressure_power(meters: Meters, name: str, frequency: FloatArray, pressure: FloatArray) -> FloatArray:
    """Drag under pressure by the bench's own `pressure_friction`, at the piston, shape (m, 1 + draws). [W]"""
    geometry = meters.cylinders[name]
    difference = pressure[:, None] - geometry.back_pressure
    return seal.pressure_power(geometry.pressure_friction, difference, frequency[:, None], geometry.stroke)
