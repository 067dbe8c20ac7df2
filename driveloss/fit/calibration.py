"""The calibration: loss curves with their draws and everything needed to ask them for watts later."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from textwrap import shorten
from typing import TYPE_CHECKING

import numpy as np

from driveloss.bench.records import FloatArray, Rig
from driveloss.fit.assumptions import MEAN_PRESSURE_DRAG, limits_of
from driveloss.fit.curves import Curves
from driveloss.fit.findings import Finding
from driveloss.fit.laws import port_power, stated_pressure_power
from driveloss.fit.meters import Meters, Sampler
from driveloss.fit.motor_loss import Asked, LoadLoss, Route, Scattered
from driveloss.fit.readings import SAME_PRESSURE, Readings
from driveloss.fit.scatter import Scatter
from driveloss.physics import crank, motor
from driveloss.physics.cylinder import disc_area

if TYPE_CHECKING:  # what only a fresh calibration holds: a saved one is asked without the fitter
    from driveloss.fit.family import FamilyFit
    from driveloss.fit.ladder import Ladder

SLOPE_STEP = 1e-3  # relative step of frequency for the curves' slopes
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

    def as_stated(self) -> Calibration:
        """The best estimate alone: every array of draws cut to its first column."""
        if self.draws == 0:
            return self
        return replace(
            self,
            meters=self.meters.as_stated(),
            curves=self.curves.as_stated(),
            standby=self.standby[:1],
            torque_constant=self.torque_constant[:1],
        )

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
        return self.step(cylinder, frequency, pressure)[0]

    def pins(self, cylinder: str, frequency: FloatArray, pressure: FloatArray) -> FloatArray:
        """What pins and guides take in a no-load sweep, at the crank, (m, 1 + draws). [W]"""
        return self.step(cylinder, frequency, pressure)[1]

    def port(self, cylinder: str, frequency: FloatArray, pressure: FloatArray) -> FloatArray:
        """Gas pumped through the open port in a no-load sweep, (m, 1 + draws). [W]

        Where the port's size is not known, what is assumed of the no-load step, growing as frequency cubed.
        """
        if self.rig.cylinders[cylinder].open_port_diameter is not None:
            return port_power(self.rig, self.meters, cylinder, frequency, pressure)
        top = np.full_like(frequency, self.ranges[cylinder].high)
        highest = self.curves.seal(cylinder, top, pressure) * self.meters.efficiency
        return np.asarray(self.meters.cylinders[cylinder].port_share * highest * (frequency / top)[:, None] ** 3)

    def step(self, cylinder: str, frequency: FloatArray, pressure: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Seal friction, and what pins and guides take with it: what a no-load sweep adds at the crank. [W]

        The rod carries the seal's drag F, and the mean pressure's force where that is larger: step = omega (F S/pi +
        l max(F, dp A)), l the friction torque per newton in the rod.
        """
        drag, pins = self._swept(cylinder, frequency, self._nearest_swept(cylinder, pressure))
        way = crank.mean_piston_speed(frequency[:, None], self.meters.cylinders[cylinder].stroke)
        if cylinder in self.stated_pressure_friction:
            return drag * way + stated_pressure_power(self.meters, cylinder, frequency, pressure), pins
        missing = self.missing_pressure(cylinder, pressure)
        if missing.any():
            drag = np.maximum(drag + self.lip_drag(cylinder, frequency) * missing[:, None], 0.0)
        return drag * way, pins

    def missing_pressure(self, cylinder: str, pressure: FloatArray) -> FloatArray:
        """By how much more mean pressures (m,) press a seal than the nearest that is told; zero if nearly so. [Pa]"""
        swept = self._nearest_swept(cylinder, pressure)
        missing = self._pressing(cylinder, pressure) - self._pressing(cylinder, swept)
        is_told = (np.abs(pressure - swept) <= SAME_PRESSURE * pressure) | (cylinder in self.stated_pressure_friction)
        return np.where(is_told, 0.0, missing)

    def _nearest_swept(self, cylinder: str, pressure: FloatArray) -> FloatArray:
        """The mean pressures (m,) of a cylinder's no-load sweeps, or between them, nearest to those given. [Pa]"""
        levels = self.ranges[cylinder].pressures
        return np.clip(pressure, levels[0], levels[-1])

    def _pressing(self, cylinder: str, pressure: FloatArray) -> FloatArray:
        """What of mean pressures presses on a cylinder's seal. [Pa]"""
        return np.maximum(pressure - self.rig.cylinders[cylinder].back_pressure.value, 0.0)

    def _swept(self, cylinder: str, frequency: FloatArray, pressure: FloatArray) -> tuple[FloatArray, FloatArray]:
        """The seal's mean drag [N] and the pins' power [W] in a no-load sweep at frequency, mean pressure (m,)."""
        at_shaft = _widened(self.curves.seal(cylinder, frequency, pressure), frequency, self.ranges[cylinder])
        step = at_shaft * self.meters.efficiency
        if self.rig.cylinders[cylinder].open_port_diameter is None:
            step = step - self.port(cylinder, frequency, pressure)
        return self._undone(cylinder, step, frequency, pressure)

    def _undone(
        self, cylinder: str, step: FloatArray, frequency: FloatArray, swept: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """The seal's mean drag [N] and the pins' power [W] that make up a step of power. [W]"""
        geometry = self.meters.cylinders[cylinder]
        length = self.meters.load_friction_length(geometry.stroke)
        across = swept[:, None] - geometry.back_pressure
        pressed = np.abs(across) * disc_area(geometry.bore)
        omega, travel = 2 * np.pi * frequency[:, None], geometry.stroke / np.pi
        together = step / (omega * (travel + length))
        beyond = np.where(step > 0, np.maximum(step / omega - length * pressed, 0.0), step / omega)
        drag = np.where(together >= pressed, together, beyond / travel)
        return drag, step - drag * omega * travel

    def lip_drag(self, cylinder: str, frequency: FloatArray) -> FloatArray:
        """What each pascal across the seal adds to its drag at frequency (m,), (m, 1 + draws). [N/Pa]

        Stated, or swept; else for each metre of lip, at equal piston speed, as much as others drag, times what is
        assumed: the bench's cylinders whose drag is told, without one the published seals.
        """
        geometry = self.meters.cylinders[cylinder]
        if cylinder in self.stated_pressure_friction:
            return np.broadcast_to(geometry.pressure_friction, (len(frequency), self.draws + 1))
        if self.tells_lip_drag(cylinder):
            return self._swept_lip_drag(cylinder, frequency)
        speed = frequency * self.rig.cylinders[cylinder].stroke.value
        others = [self._drag_per_lip(name, speed) for name in self.ranges if self.tells_lip_drag(name)]
        reference = np.mean(others, axis=0) if others else np.full((len(frequency), 1), MEAN_PRESSURE_DRAG)
        return np.asarray(geometry.lip_drag * reference * np.pi * geometry.bore)

    def tells_lip_drag(self, cylinder: str) -> bool:
        """Whether a cylinder's own sweeps or a stated value tell how its seal drags under pressure."""
        low, high = self._pressing(cylinder, np.array(self.ranges[cylinder].pressures))[[0, -1]]
        return cylinder in self.stated_pressure_friction or bool(high > low)

    def _drag_per_lip(self, cylinder: str, speed: FloatArray) -> FloatArray:
        """Its drag under pressure for each metre of lip where frequency times stroke is `speed` (m,). [N/(m Pa)]"""
        drag = self.lip_drag(cylinder, speed / self.rig.cylinders[cylinder].stroke.value)
        return drag / (np.pi * self.meters.cylinders[cylinder].bore)

    def _swept_lip_drag(self, cylinder: str, frequency: FloatArray) -> FloatArray:
        """By its no-load sweeps at the lowest and the highest pressure. [N/Pa]"""
        ends = np.array(self.ranges[cylinder].pressures)[[0, -1]]
        low, high = (self.seal(cylinder, frequency, np.full_like(frequency, end)) for end in ends)
        way = crank.mean_piston_speed(frequency[:, None], self.meters.cylinders[cylinder].stroke)
        return np.asarray(np.maximum(high - low, 0.0) / (way * np.ptp(self._pressing(cylinder, ends))))

    def shaft_power(self, readings: Readings) -> FloatArray:
        """What readings of one rung should take at the shaft, (n, 1 + draws); in standby the input power.

        Without what a load adds: for blanked and loaded readings that of the no-load rung, ports closed. [W]
        """
        stage, cylinder = str(readings.stage[0]), str(readings.cylinder[0])
        f, p = readings.frequency, readings.mean_pressure
        if stage == "standby":
            return np.tile(self.standby, (len(f), 1))
        if stage == "motor-alone":
            return self.motor(f)
        if not cylinder:
            return self.drive(f)
        seal, pins = self.step(cylinder, f, p)
        beyond = seal + pins  # the transmission
        if stage == "no-load":
            beyond = beyond + np.nan_to_num(self.port(cylinder, f, p))
        return self.drive(f) + beyond / self.meters.efficiency

    def belt(self, passed: FloatArray) -> FloatArray:
        """What of the load loss is the transmission's where a power (m, 1 + draws) passes the crank. [W]

        Zero but where a braked sweep tells both as one; there the transmission's efficiency parts them.
        """
        return np.zeros_like(passed) if self.meters.brake is None else self.meters.brake.belt(passed)

    def load_loss(self, shaft: FloatArray, frequency: FloatArray, swing: FloatArray | None = None) -> LoadLoss:
        """Motor loss that goes with a shaft power (m, 1 + draws) at frequency (m,). [W]

        swing: standard deviation over the cycle of the power that the crank takes, (m, 1 + draws); none unless given.
        """
        speed = motor.motor_speed(frequency[:, None], self.meters.ratio)
        per_ampere = self.torque_constant * speed  # [V]; a constant fitted to zero explains no current
        amps = shaft / np.where(per_ampere > 0, per_ampere, np.nan)
        steady = np.zeros_like(shaft) if swing is None else swing
        return self.route.loss_at_shaft(shaft, Asked(frequency, amps, self._resistance(shaft)), self.meters, steady)

    def _resistance(self, shaft: FloatArray) -> FloatArray:
        """Winding resistance at a shaft power (m, 1 + draws): warm as in the sweeps where that was recorded. [ohm]"""
        meters = self.meters
        if self.winding is None:
            warm = self.route.unread_winding(meters, self.standby + shaft)
            return motor.winding_resistance(meters.resistance, meters.reference_temperature, warm)
        warm = self.winding[0] + self.winding[1] * shaft + meters.winding_zero
        return motor.winding_resistance(meters.resistance, meters.reference_temperature, warm)

    def calibrated(self, cylinder: str | None) -> tuple[float, float]:
        """Lowest and highest frequency at which motor, drive and (where given) one cylinder were measured. [Hz]

        As far as the frequency meter tells them: what lies outside by less than its limit of error is inside.
        """
        spans = [self.drive_range, *([self.motor_range] if self.motor_range else [])]
        spans += [self.ranges[cylinder]] if cylinder else []
        low, high, limit = max(s.low for s in spans), min(s.high for s in spans), limits_of(self.rig, "frequency")
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


def shifted(part: Callable[[FloatArray], FloatArray], frequency: FloatArray, error: FloatArray) -> FloatArray:
    """A part at frequency (m,) plus a small error (m, 1 + draws), by its slope; (m, 1 + draws). [W]"""
    here = part(frequency)
    if not error.any():
        return here
    step = SLOPE_STEP * frequency
    return here + (part(frequency + step) - part(frequency - step)) / (2 * step[:, None]) * error


def logged_scatter(readings: Readings, rng: np.random.Generator, shape: tuple[int, int]) -> FloatArray | float:
    """Deviations of readings (n, 1 + draws) by the scatter that their logs tell, none in the first column. [W]"""
    own = np.nan_to_num(readings.power_scatter)
    if not own.any():
        return 0.0
    deviations = rng.standard_normal(shape) * own[:, None]
    deviations[:, 0] = 0.0
    return np.asarray(deviations)


def scattered(
    calibration: Calibration, readings: Readings, rng: np.random.Generator, doubt: FloatArray | float = 0.0
) -> Scattered:
    """Each run's own chance deviation, as large as the ladder's readings scatter.

    doubt: what else its power may be off by, (n, 1 + draws) [W].
    """
    shape = (len(readings), calibration.draws + 1)
    size = calibration.scatter(readings.power)
    size = size * growth_beyond(readings.frequency, calibration.drive_range)[:, None]  # its growth is extrapolated too
    power = rng.standard_normal(shape) * size
    power = calibration.route.scatter_at_meter(power, calibration.meters) + doubt + logged_scatter(readings, rng, shape)
    relative = power / readings.power[:, None]
    by_product = np.isfinite(readings.voltage)[:, None]  # the same ammeter then makes both deviate
    own = rng.standard_normal(shape) * size / readings.power[:, None]
    return Scattered(power, np.where(by_product, relative, own))
