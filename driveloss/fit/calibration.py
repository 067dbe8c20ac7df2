"""The calibration: loss curves with their draws and everything needed to ask them for watts later."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from importlib.metadata import version
from typing import TYPE_CHECKING

import numpy as np

from driveloss.bench.model import Bench, FloatArray, Rig
from driveloss.fit.curves import Curves
from driveloss.fit.family import FamilyFit
from driveloss.fit.findings import Finding
from driveloss.fit.ladder import Ladder, build_ladder, ladder_power, port_power, stated_pressure_power
from driveloss.fit.noise import Scatter
from driveloss.fit.readings import SAME_PRESSURE, Readings, gather, pressure_groups
from driveloss.fit.shaft import input_power, shaft_power
from driveloss.fit.sources import SOURCES, Inputs, draw_inputs, first_column
from driveloss.physics import motor

if TYPE_CHECKING:
    from driveloss.fit.physical import Problem

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
    left_out: Readings  # outliers that the fit did not use


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
    winding: tuple[float, float] | None  # [K], [K/W]: temperature against shaft power in the sweeps, where recorded
    scatter: Scatter
    drive_range: Range
    ranges: dict[str, Range]  # by cylinder
    findings: tuple[Finding, ...] = ()
    evidence: Evidence | None = None

    @property
    def draws(self) -> int:
        """Number of draws."""
        return len(self.standby) - 1

    def drive(self, frequency: FloatArray) -> FloatArray:
        """Motor and linkage, less what grows with load, at frequency (m,): (m, 1 + draws). [W]"""
        return _widened(self.curves.drive(frequency), frequency, self.drive_range)

    def motor(self, frequency: FloatArray) -> FloatArray | None:
        """Motor loss that does not grow with load, (m, 1 + draws); None without a motor-alone sweep. [W]"""
        return _widened(self.curves.motor(frequency), frequency, self.drive_range) if self.curves.has_motor else None

    def seal(self, cylinder: str, frequency: FloatArray, pressure: FloatArray) -> FloatArray:
        """Seal friction at frequency, mean pressure (m,): (m, 1 + draws). [W]"""
        friction = _widened(self.curves.seal(cylinder, frequency, pressure), frequency, self.ranges[cylinder])
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
        return motor.copper_loss(amps, self._resistance(shaft), self.inputs.form_factor)

    def _resistance(self, shaft: FloatArray) -> FloatArray:
        """Winding resistance at a shaft power (m, 1 + draws): warm as in the sweeps where that was recorded. [ohm]"""
        inputs = self.inputs
        if self.winding is None:
            return inputs.resistance
        warm = self.winding[0] + self.winding[1] * shaft + inputs.temperature_shift
        return motor.winding_resistance(inputs.resistance, inputs.reference_temperature, warm)

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


def _widened(draws: FloatArray, frequency: FloatArray, span: Range) -> FloatArray:
    """Draws (m, 1 + draws) at frequency (m,) with their deviations enlarged outside the measured range.

    No reading shows that the laws go on as they did, and laws that differ only beyond the range cannot be
    told apart inside it. The root is a rule of ours: with it intervals hold the truth of simulated benches at
    1.3 times the highest frequency (tests/benchmark/coverage.py).
    """
    beyond = np.sqrt(np.maximum(np.maximum(frequency / span.high, span.low / frequency), 1.0))[:, None]
    best = draws[:, :1]
    return best + (draws - best) * beyond if np.any(beyond > 1) else draws


def calibrate(
    bench: Bench,
    family: str = "physical",
    draws: int = DRAWS,
    seed: int = SEED,
    active: Collection[str] = SOURCES,
    keep_all: bool = False,
    compare: bool = True,
    inputs: Inputs | None = None,
) -> Calibration:
    """Screen the ladder of a bench, fit it and resample it.

    family: which curves to use, 'physical' or 'polynomial'; both are fitted where `compare` is true.
    active: sources of error at work, see SOURCES. keep_all: leave no outlier out. inputs: draws of the common
    inputs to use instead of the bench's own, for benches that share a meter.
    Raises InputError where the readings cannot be explained at all.
    """
    from driveloss.fit.screen import screen

    whole = build_ladder(bench)
    inputs = draw_inputs(whole.rig, draws, seed, active) if inputs is None else inputs
    standby = _standby(whole, inputs, seed, "noise" in active)
    screened = screen(whole, first_column(inputs), standby[:1], keep_all)
    ladder = whole.only(screened.keep)
    families = FAMILIES if compare else (family,)
    fits = {name: _fit(name, ladder, inputs, standby, seed, active) for name in families}
    findings = (*screened.findings, *_weaknesses(bench, ladder, inputs, standby, fits))
    evidence = Evidence(ladder, fits, tuple(active), whole.readings.only(~screened.keep))
    return _assemble(bench, inputs, standby, family, seed, evidence, findings)


def reweigh(bench: Bench, calibration: Calibration, active: Collection[str], draws: int) -> Calibration:
    """The same calibration with only some sources of error at work. Needs a fresh calibration, not a saved one."""
    evidence = calibration.evidence
    assert evidence is not None
    ladder, seed, family = evidence.ladder, calibration.seed, calibration.family
    inputs = draw_inputs(ladder.rig, draws, seed, active)
    standby = _standby(ladder, inputs, seed, "noise" in active)
    problem = evidence.fits[family].problem
    fits = {family: _fit(family, ladder, inputs, standby, seed, active, problem)}
    return _assemble(bench, inputs, standby, family, seed, Evidence(ladder, fits, tuple(active), evidence.left_out), ())


def _weaknesses(
    bench: Bench, ladder: Ladder, inputs: Inputs, standby: FloatArray, fits: dict[str, FamilyFit]
) -> list[Finding]:
    """Everything that screening says about whole sweeps and the meter."""
    from driveloss.fit.drift import drifts, misfit, unstated_meter, wrong_order
    from driveloss.fit.screen import suspect_runs

    power = ladder_power(ladder, first_column(inputs), standby[:1])[:, 0]
    found = suspect_runs(gather(bench.rig, bench.sweeps, ("loaded",))) + drifts(ladder.readings, power)
    if "polynomial" in fits:
        found += wrong_order(ladder, fits["polynomial"])
    return found + (misfit(fits["physical"]) if "physical" in fits else []) + unstated_meter(bench.rig)


def _fit(
    name: str,
    ladder: Ladder,
    inputs: Inputs,
    standby: FloatArray,
    seed: int,
    active: Collection[str],
    problem: Problem | None = None,
) -> FamilyFit:
    from driveloss.fit.physical import fit_physical
    from driveloss.fit.polynomial import fit_polynomial

    if name == "physical":
        return fit_physical(ladder, inputs, standby, seed, active, problem)
    return fit_polynomial(ladder, inputs, standby, seed, active)


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
    inputs: Inputs,
    standby: FloatArray,
    family: str,
    seed: int,
    evidence: Evidence,
    findings: tuple[Finding, ...],
) -> Calibration:
    ladder, fit = evidence.ladder, evidence.fits[family]
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
        winding=_winding(ladder, inputs, standby),
        scatter=fit.scatter,
        drive_range=_range(ladder, "piston-disconnected", ""),
        ranges=cylinders,
        findings=findings,
        evidence=evidence,
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


def _winding(ladder: Ladder, inputs: Inputs, standby: FloatArray) -> tuple[float, float] | None:
    """Winding temperature as a straight line in shaft power over the ladder: intercept [K], slope [K/W]."""
    read = np.isfinite(ladder.readings.winding)
    if not read.any() or ladder.route in ("unknown", "incremental"):
        return None
    temperature = ladder.readings.winding[read]
    shaft = shaft_power(ladder.readings, first_column(inputs), standby[:1], ladder.route).power[read, 0]
    spread = float(np.sum((shaft - shaft.mean()) ** 2))
    slope = float(np.sum((shaft - shaft.mean()) * temperature)) / spread if spread > 0 else 0.0
    slope = max(slope, 0.0)  # losses warm a winding
    return float(temperature.mean()) - slope * float(shaft.mean()), slope
