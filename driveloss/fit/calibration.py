"""The calibration: loss curves with their draws and everything needed to ask them for watts later."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from importlib.metadata import version

import numpy as np

from driveloss.bench.model import Bench, FloatArray, Rig
from driveloss.fit.curves import Curves
from driveloss.fit.family import FamilyFit
from driveloss.fit.ladder import Ladder, build_ladder, port_power, stated_pressure_power
from driveloss.fit.noise import Scatter
from driveloss.fit.readings import SAME_PRESSURE, pressure_groups
from driveloss.fit.shaft import input_power, shaft_power
from driveloss.fit.sources import SOURCES, Inputs, draw_inputs
from driveloss.physics import motor

DRAWS = 2000
SEED = 20  # any fixed number: the same bench gives the same digits again
FAMILIES = ("physical", "polynomial")
EDGE = 0.005  # a frequency this fraction beyond the last reading still counts as inside


@dataclass(frozen=True)
class Range:
    """Where a rung was measured."""

    low: float  # [Hz]
    high: float  # [Hz]
    pressures: tuple[float, ...] = ()  # [Pa] of a cylinder's no-load sweeps, ascending


@dataclass(frozen=True)
class Evidence:
    """What a fresh calibration rests on; a saved one keeps only its tables."""

    ladder: Ladder
    fits: dict[str, FamilyFit]
    active: tuple[str, ...]


@dataclass(frozen=True)
class Calibration:
    """Loss curves of a rig. Arrays of draws have the best estimate in their first column."""

    program: str  # version that made it
    title: str
    family: str
    seed: int
    rig: Rig
    files: dict[str, str]  # name -> SHA-256
    route: str  # how the loss that grows with load is known
    stated_pressure_friction: tuple[str, ...]  # cylinders
    inputs: Inputs
    standby: FloatArray  # (1 + draws,) [W]
    has_standby: bool  # measured or fitted, else none is claimed
    curves: Curves
    torque_constant: FloatArray  # (1 + draws,) [N m/A]: stated, or as the sweeps' own currents imply; nan
    warm_resistance: FloatArray  # (1 + draws,) [ohm] at the sweeps' mean winding temperature; nan
    winding_recorded: bool
    scatter: Scatter
    drive_range: Range
    ranges: dict[str, Range]  # by cylinder
    evidence: Evidence | None = None

    @property
    def draws(self) -> int:
        """Number of draws."""
        return len(self.standby) - 1

    def drive(self, frequency: FloatArray) -> FloatArray:
        """Motor and linkage, less what grows with load, at frequency (m,): (m, 1 + draws). [W]"""
        return self.curves.drive(frequency)

    def motor(self, frequency: FloatArray) -> FloatArray | None:
        """Motor loss that does not grow with load, (m, 1 + draws); None without a motor-alone sweep. [W]"""
        return self.curves.motor(frequency) if self.curves.has_motor else None

    def seal(self, cylinder: str, frequency: FloatArray, pressure: FloatArray) -> FloatArray:
        """Seal friction at frequency, mean pressure (m,): (m, 1 + draws). [W]"""
        friction = self.curves.seal(cylinder, frequency, pressure)
        if cylinder in self.stated_pressure_friction:
            friction = friction + stated_pressure_power(self.inputs, cylinder, frequency, pressure)
        return friction

    def port(self, cylinder: str, frequency: FloatArray, pressure: FloatArray) -> FloatArray:
        """Gas pumped through the open port in a no-load sweep, (m, 1 + draws); nan without a port size. [W]"""
        return port_power(self.rig, self.inputs, cylinder, frequency, pressure)

    def load_loss(self, shaft: FloatArray, frequency: FloatArray) -> FloatArray:
        """Motor loss that goes with a shaft power (m, 1 + draws) at frequency (m,); zero where not known. [W]"""
        if self.route == "unknown":
            return np.zeros_like(shaft)
        if self.route == "incremental":
            efficiency = self.inputs.incremental_efficiency
            return shaft * (1 - efficiency) / efficiency
        speed = motor.motor_speed(frequency[:, None], self.inputs.ratio)
        amps = shaft / (self.torque_constant * speed)
        return motor.copper_loss(amps, self.warm_resistance, self.inputs.form_factor)

    def is_extrapolated(self, frequency: float, cylinder: str | None) -> bool:
        """Whether a frequency lies outside what was measured, for the drive or for one cylinder. [Hz]"""
        spans = [self.drive_range] + ([self.ranges[cylinder]] if cylinder else [])
        low, high = max(s.low for s in spans), min(s.high for s in spans)
        return not low * (1 - EDGE) <= frequency <= high * (1 + EDGE)

    def pressure_is_known(self, cylinder: str, pressure: float) -> bool:
        """Whether sweeps or a stated drag tell the seal's friction at a mean pressure. [Pa]"""
        at = self.ranges[cylinder].pressures
        inside = at[0] * (1 - SAME_PRESSURE) <= pressure <= at[-1] * (1 + SAME_PRESSURE)
        return inside or cylinder in self.stated_pressure_friction


def calibrate(
    bench: Bench,
    family: str = "physical",
    draws: int = DRAWS,
    seed: int = SEED,
    active: Collection[str] = SOURCES,
    keep: np.ndarray | None = None,
    compare: bool = True,
) -> Calibration:
    """Fit the ladder of a bench and resample it.

    family: which curves to use, 'physical' or 'polynomial'; both are fitted where `compare` is true.
    active: sources of error at work, see SOURCES. keep: (n,), readings of the ladder to use.
    Raises InputError where the readings cannot be explained at all.
    """
    ladder = build_ladder(bench, keep)
    inputs = draw_inputs(ladder.rig, draws, seed, active)
    families = FAMILIES if compare else (family,)
    standby = _standby(ladder, inputs, seed, "noise" in active)
    fits = {name: _fit(name, ladder, inputs, standby, seed, active) for name in families}
    return _assemble(bench, ladder, inputs, standby, fits, family, seed, tuple(active))


def _fit(
    name: str, ladder: Ladder, inputs: Inputs, standby: FloatArray, seed: int, active: Collection[str]
) -> FamilyFit:
    from driveloss.fit.physical import fit_physical
    from driveloss.fit.polynomial import fit_polynomial

    return (fit_physical if name == "physical" else fit_polynomial)(ladder, inputs, standby, seed, active)


def _standby(ladder: Ladder, inputs: Inputs, seed: int, noisy: bool) -> FloatArray:
    """Standby power, shape (1 + draws,): the mean of its readings with their scatter; zero without a sweep. [W]"""
    readings = ladder.standby
    count = len(readings)
    if count == 0:
        return np.zeros(inputs.size)
    spread = float(readings.power.std(ddof=1)) if count > 2 else 0.0
    least = float(readings.resolution.mean()) / np.sqrt(12)
    dof = max(count - 1, 1)
    rng = np.random.default_rng([seed, 4])
    error = max(spread, least) / np.sqrt(count) * rng.standard_t(max(dof, 2), inputs.size)
    error[0] = 0.0
    return input_power(readings, inputs).mean(axis=0) + error * noisy


def _assemble(
    bench: Bench,
    ladder: Ladder,
    inputs: Inputs,
    standby: FloatArray,
    fits: dict[str, FamilyFit],
    family: str,
    seed: int,
    active: tuple[str, ...],
) -> Calibration:
    fit = fits[family]
    if ladder.scope.idle:
        standby = fit.curves.idle()
    cylinders = {name: _range(ladder, "no-load", name) for name in ladder.scope.pressures}
    return Calibration(
        program=version("driveloss"),
        title=bench.rig.title,
        family=family,
        seed=seed,
        rig=bench.rig,
        files={"bench.toml": bench.sha256} | {s.file: s.sha256 for s in bench.sweeps if s.stage != "loaded"},
        route=ladder.route,
        stated_pressure_friction=ladder.given_pressure_friction,
        inputs=inputs,
        standby=standby,
        has_standby=len(ladder.standby) > 0 or (ladder.scope.idle and family == "physical"),
        curves=fit.curves,
        torque_constant=_torque_constant(ladder, inputs, standby),
        warm_resistance=_warm_resistance(ladder, inputs),
        winding_recorded=bool(np.isfinite(ladder.readings.winding).all()),
        scatter=fit.scatter,
        drive_range=_range(ladder, "piston-disconnected", ""),
        ranges=cylinders,
        evidence=Evidence(ladder, fits, active),
    )


def _range(ladder: Ladder, stage: str, cylinder: str) -> Range:
    readings = ladder.readings
    mine = (readings.stage == stage) & (readings.cylinder == cylinder)
    frequency, pressure = readings.frequency[mine], readings.mean_pressure[mine]
    groups = pressure_groups(pressure) if cylinder else np.array([], dtype=int)
    levels = sorted(float(pressure[groups == g].mean()) for g in np.unique(groups))
    return Range(float(frequency.min()), float(frequency.max()), tuple(levels))


def _torque_constant(ladder: Ladder, inputs: Inputs, standby: FloatArray) -> FloatArray:
    """Stated, or the ratio of shaft power to speed times measured current over the ladder, (1 + draws,). [N m/A]"""
    if ladder.route != "measured current":
        return inputs.torque_constant
    readings = ladder.readings
    shaft = shaft_power(readings, inputs, standby, ladder.route).power
    amps = readings.current[:, None] * inputs.current_gain + inputs.current_zero
    speed_current = motor.motor_speed(readings.frequency[:, None], inputs.ratio) * amps
    squares = np.sum(speed_current**2, axis=0)
    return np.sum(shaft * speed_current, axis=0) / np.where(squares > 0, squares, np.nan)


def _warm_resistance(ladder: Ladder, inputs: Inputs) -> FloatArray:
    """Winding resistance at the ladder's mean winding temperature, else the reference, (1 + draws,). [ohm]"""
    recorded = ladder.readings.winding[np.isfinite(ladder.readings.winding)]
    if len(recorded) == 0:
        return inputs.resistance
    warm = recorded.mean() + inputs.temperature_shift
    return motor.winding_resistance(inputs.resistance, inputs.reference_temperature, warm)
