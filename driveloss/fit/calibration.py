"""The calibration: loss curves with their draws and everything needed to ask them for watts later."""

from __future__ import annotations

from dataclasses import dataclass
from textwrap import shorten
from typing import TYPE_CHECKING

import numpy as np

from driveloss.bench.records import FloatArray, Rig
from driveloss.fit.curves import Curves
from driveloss.fit.findings import Finding
from driveloss.fit.laws import port_power, stated_pressure_power
from driveloss.fit.meters import Meters, Sampler
from driveloss.fit.motor_loss import LoadLoss, Route
from driveloss.fit.readings import SAME_PRESSURE, Readings
from driveloss.fit.scatter import Scatter
from driveloss.physics import motor

if TYPE_CHECKING:  # what only a fresh calibration holds: a saved one is asked without the fitter
    from driveloss.fit.family import FamilyFit
    from driveloss.fit.ladder import Ladder

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
    sampler: Sampler
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
    route: Route  # how the loss that grows with load is known
    stated_pressure_friction: tuple[str, ...]  # cylinders
    meters: Meters
    standby: FloatArray  # (1 + draws,) [W]
    has_standby: bool  # measured or fitted, else none is claimed
    curves: Curves
    torque_constant: FloatArray  # (1 + draws,) [N m/A]: stated, or as the sweeps' own currents imply; nan
    winding: tuple[float, float] | None  # [K], [K/W]: temperature against shaft power in the sweeps, where recorded
    scatter: Scatter
    drive_range: Range
    motor_range: Range | None
    ranges: dict[str, Range]  # by cylinder
    findings: tuple[Finding, ...] = ()
    evidence: Evidence | None = None

    def __repr__(self) -> str:
        readings = "" if self.evidence is None else f", {len(self.evidence.ladder.readings)} readings"
        title = shorten(self.title, 50, placeholder="…")
        return f"Calibration({title!r}, {self.family}{readings}, cylinders {', '.join(self.ranges) or 'none'})"

    @property
    def draws(self) -> int:
        """Number of draws."""
        return len(self.standby) - 1

    def drive(self, frequency: FloatArray) -> FloatArray:
        """Motor and linkage, less what grows with load, at frequency (m,): (m, 1 + draws). [W]"""
        return _widened(self.curves.drive(frequency), frequency, self.drive_range)

    @property
    def has_motor(self) -> bool:
        """Whether motor and linkage are told apart."""
        return self.motor_range is not None

    def motor(self, frequency: FloatArray) -> FloatArray:
        """Motor loss that does not grow with load, (m, 1 + draws); only where `has_motor`. [W]"""
        return _widened(self.curves.motor(frequency), frequency, self.motor_range or self.drive_range)

    def seal(self, cylinder: str, frequency: FloatArray, pressure: FloatArray) -> FloatArray:
        """Seal friction at the piston at frequency, mean pressure (m,): (m, 1 + draws). [W]"""
        at_shaft = _widened(self.curves.seal(cylinder, frequency, pressure), frequency, self.ranges[cylinder])
        friction = at_shaft * self.meters.efficiency
        if cylinder in self.stated_pressure_friction:
            friction = friction + stated_pressure_power(self.meters, cylinder, frequency, pressure)
        return friction

    def port(self, cylinder: str, frequency: FloatArray, pressure: FloatArray) -> FloatArray:
        """Gas pumped through the open port in a no-load sweep, (m, 1 + draws); nan without a port size. [W]"""
        return port_power(self.rig, self.meters, cylinder, frequency, pressure)

    def shaft_power(self, readings: Readings) -> FloatArray:
        """What readings of one rung should take at the shaft, (n, 1 + draws); in standby the input power.

        Without what a load adds: for loaded readings that of the no-load rung, ports closed. [W]
        """
        stage, cylinder = str(readings.stage[0]), str(readings.cylinder[0])
        f, p = readings.frequency, readings.mean_pressure
        if stage == "standby":
            return np.tile(self.standby, (len(f), 1))
        if stage == "motor-alone":
            return self.motor(f)
        if not cylinder:
            return self.drive(f)
        beyond = self.seal(cylinder, f, p)  # the transmission
        if stage != "loaded":
            beyond = beyond + np.nan_to_num(self.port(cylinder, f, p))
        return self.drive(f) + beyond / self.meters.efficiency

    def load_loss(self, shaft: FloatArray, frequency: FloatArray) -> LoadLoss:
        """Motor loss that goes with a shaft power (m, 1 + draws) at frequency (m,); zero where not known. [W]"""
        speed = motor.motor_speed(frequency[:, None], self.meters.ratio)
        amps = shaft / (self.torque_constant * speed)
        return self.route.loss_at_shaft(shaft, amps, self._resistance(shaft), self.meters)

    def _resistance(self, shaft: FloatArray) -> FloatArray:
        """Winding resistance at a shaft power (m, 1 + draws): warm as in the sweeps where that was recorded. [ohm]"""
        meters = self.meters
        if self.winding is None:
            return meters.resistance
        warm = self.winding[0] + self.winding[1] * shaft + meters.winding_zero
        return motor.winding_resistance(meters.resistance, meters.reference_temperature, warm)

    def calibrated(self, cylinder: str | None) -> tuple[float, float]:
        """Lowest and highest frequency at which motor, drive and (where given) one cylinder were measured. [Hz]

        As far as the frequency meter tells them: what lies outside by less than its limit of error is inside.
        """
        spans = [self.drive_range, *([self.motor_range] if self.motor_range else [])]
        spans += [self.ranges[cylinder]] if cylinder else []
        low, high, limit = max(s.low for s in spans), min(s.high for s in spans), self.rig.meter.frequency
        below, above = (max(EDGE * f, limit.gain * f + limit.zero) for f in (low, high))
        return low - below, high + above

    def is_extrapolated(self, frequency: float, cylinder: str | None) -> bool:
        """Whether a frequency lies outside what was measured of motor, drive or (where given) one cylinder. [Hz]"""
        low, high = self.calibrated(cylinder)
        return not low <= frequency <= high

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
    beyond = growth_beyond(frequency, span)[:, None]
    best = draws[:, :1]
    return best + (draws - best) * beyond if np.any(beyond > 1) else draws


def growth_beyond(frequency: FloatArray, span: Range) -> FloatArray:
    """Factor by which deviations grow at frequency (m,) [Hz] outside the measured range; one inside it."""
    return np.asarray(np.sqrt(np.maximum(np.maximum(frequency / span.high, span.low / frequency), 1.0)))
