"""New readings of some rungs as their distance from a calibration, and the parts that they tell apart."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from driveloss.bench.records import STAGES as EVERY_STAGE
from driveloss.bench.records import WITNESS_STAGES, FloatArray, Sweep
from driveloss.errors import InputError
from driveloss.fit.calibration import Calibration
from driveloss.fit.ladder import static_swing
from driveloss.fit.meters import stream
from driveloss.fit.motor_loss import shaft_power
from driveloss.fit.readings import Readings, Rung, by_rung, gather
from driveloss.fit.scatter import UNIFORM_SD
from driveloss.say.numbers import bar

STAGES = tuple(stage for stage in EVERY_STAGE if stage not in (*WITNESS_STAGES, "loaded"))
FEWEST_FOR_SHAPE = 4  # readings from which a change that grows with frequency is looked for beside the mean
# The calibration's scatter follows one law for all rungs, so for a single rung it counts as no more than so many
# degrees of freedom. A rule of ours: with it false alarms come as often as stated on random simulated benches.
CLAIM = 20
ODD_SCATTER = 0.01  # chance below which new readings that disagree among themselves are called odd
FAR = 0.1  # mean frequencies of two rungs further apart than this fraction are worth a note


@dataclass(frozen=True)
class Remeasured:
    """New readings of one rung and their distance from the calibration."""

    rung: Rung
    readings: Readings
    predicted: FloatArray  # (1 + draws,) shaft-side power by the calibration, mean over the readings [W]
    change: FloatArray  # (n, 1 + draws) new less predicted [W]
    scatter: FloatArray  # (n,) typical standard deviation of one reading by the calibration [W]
    noise: FloatArray  # (n, 1 + draws) what a new reading may deviate by chance, zero in the first column [W]

    @property
    def stage(self) -> str:
        """What turns."""
        return self.rung.stage

    @property
    def power(self) -> float:
        """Shaft-side by the calibration's best estimate, mean over the readings. [W]"""
        return float(self.predicted[0])

    @property
    def frequency(self) -> float:
        """Mean over the readings. [Hz]"""
        return float(self.readings.frequency.mean())

    def contrasts(self) -> tuple[Contrast, ...]:
        """Changes to judge: the mean and, with readings enough, a change proportional to frequency, at its mean."""
        f = self.readings.frequency
        weights = [np.full(len(f), 1 / len(f))]
        if len(f) >= FEWEST_FOR_SHAPE and self.stage != "standby" and np.ptp(f) > 0:
            weights.append(f * self.frequency / np.sum(f**2))
        return tuple(Contrast(w @ self.change, w @ self.noise) for w in weights)


@dataclass(frozen=True)
class Contrast:
    """One weighted mean of changes: from the old and new readings' common errors, and from the new ones' scatter."""

    change: FloatArray  # (1 + draws,) [W]
    noise: FloatArray  # (1 + draws,), zero first [W]

    @property
    def draws(self) -> FloatArray:
        """Both together, shape (1 + draws,). [W]"""
        return self.change + self.noise

    def less(self, other: Contrast, factor: float) -> Contrast:
        """This one less `factor` times another."""
        return Contrast(self.change - factor * other.change, self.noise - factor * other.noise)


@dataclass(frozen=True)
class Judged:
    """What is judged: the change of a rung, or of the part of the machine between it and the rung below."""

    name: str  # the stage, or what lies between
    rung: Remeasured
    contrasts: tuple[Contrast, ...]  # see Remeasured


def part_rows(rungs: Sequence[Remeasured], *, has_motor: bool) -> tuple[list[Judged], list[str]]:
    """For each rung the part that it adds to the nearest rung below that was measured anew, and notes."""
    rows, notes = [], []
    for rung in rungs:
        lower = [other for other in rungs if STAGES.index(other.stage) < STAGES.index(rung.stage)]
        below = lower[-1] if lower else None
        contrasts = rung.contrasts()
        if below:
            factor, taken = _carry(rung, below), below.contrasts()
            contrasts = tuple(c.less(taken[min(i, len(taken) - 1)], factor) for i, c in enumerate(contrasts))
            notes += [_carried(rung, below)] if abs(factor - 1) > FAR else []
        name = _part_name(rung.stage, below.stage if below else None, has_motor=has_motor)
        rows.append(Judged(name, rung, contrasts))
    return rows, notes


def _carry(rung: Remeasured, below: Remeasured) -> float:
    """Factor that carries a change below to this rung's mean frequency: as of a constant torque; idle power as is."""
    return 1.0 if below.stage == "standby" else rung.frequency / below.frequency


def _carried(rung: Remeasured, below: Remeasured) -> str:
    return (
        f"the change of {below.stage} at {below.frequency:.3g} Hz is carried to {rung.frequency:.3g} Hz in proportion "
        f"to frequency before it is taken off that of {rung.stage}: better measure both at the same frequencies"
    )


def _part_name(stage: str, below: str | None, *, has_motor: bool) -> str:
    """What a rung holds beyond the one below: the part, or the parts that cannot be told apart."""
    if stage == "standby":
        return "controller"
    first = 0 if below is None else STAGES.index(below)
    names = ["motor", "linkage", "seal"][first : STAGES.index(stage)]
    if names[:2] == ["motor", "linkage"]:
        names = ["drive", *names[2:]]
    if not has_motor:
        names = ["drive" if name == "linkage" else name for name in names]
    return " or ".join(reversed(names))


def new_rungs(calibration: Calibration, sweeps: Sequence[Sweep]) -> tuple[list[Remeasured], list[str]]:
    """Sweeps as rungs, in the order of the ladder, and notes. Raises InputError where nothing compares with one."""
    readings = gather(calibration.rig, sweeps, STAGES)
    for sweep in sweeps:
        _comparable(calibration, sweep)
    if len(readings) == 0:
        raise InputError("expected at least one sweep of new readings, got none")
    notes = _winding_note(calibration, readings.only(readings.stage != "standby"))
    rng = stream(calibration.seed, "recheck")
    rungs = [_remeasured(calibration, rung, readings.only(rows), rng) for rung, rows in by_rung(readings)]
    notes += [note for rung in rungs for note in _outside_note(calibration, rung)]
    rng = stream(calibration.seed, "recheck scatter")
    widened = [_with_own_scatter(rung, rng) for rung in rungs]
    return [rung for rung, _ in widened], notes + [note for _, found in widened for note in found]


def _comparable(calibration: Calibration, sweep: Sweep) -> None:
    """Raises InputError where the calibration says nothing of a sweep's rung, or the sweep lacks a column."""
    if sweep.stage not in STAGES:
        raise InputError(f"{sweep.file}: stage '{sweep.stage}', expected one of {', '.join(STAGES)}")
    if sweep.stage == "standby" and not calibration.has_standby:
        raise InputError(f"{sweep.file}: stage 'standby': the calibration holds no idle power to compare with")
    if sweep.stage == "motor-alone" and not calibration.curves.has_motor:
        raise InputError(f"{sweep.file}: stage 'motor-alone': the calibration holds no such sweep to compare with")
    if sweep.cylinder is not None and sweep.cylinder not in calibration.ranges:
        known = ", ".join(f"'{name}'" for name in calibration.ranges)
        raise InputError(f"{sweep.file}: cylinder '{sweep.cylinder}', expected one that was calibrated: {known}")
    if calibration.route.needs_current and sweep.current is None and sweep.stage != "standby":
        raise InputError(f"{sweep.file}: expected a column 'current [A]', as the calibrating sweeps have, read none")
    _known_pressure(calibration, sweep)


def _known_pressure(calibration: Calibration, sweep: Sweep) -> None:
    if sweep.cylinder is None or sweep.mean_pressure is None:
        return
    for pressure in map(float, sweep.mean_pressure):
        if not calibration.pressure_is_known(sweep.cylinder, pressure):
            at = ", ".join(map(bar, calibration.ranges[sweep.cylinder].pressures))
            raise InputError(
                f"{sweep.file}: mean pressure {bar(pressure)} bar, expected one within those that cylinder "
                f"'{sweep.cylinder}' was calibrated at: {at} bar"
            )


def _winding_note(calibration: Calibration, readings: Readings) -> list[str]:
    read = np.isfinite(readings.winding)
    if calibration.route.has_copper and calibration.winding is None and read.any():
        return ["winding temperatures are left out: not all calibrating sweeps have them"]
    if calibration.route.has_copper and calibration.winding is not None and not read.all():
        return ["winding temperatures that were not read are taken as the calibrating sweeps had them"]
    return []


def _outside_note(calibration: Calibration, rung: Remeasured) -> list[str]:
    f = rung.readings.frequency
    outside = sum(calibration.is_extrapolated(float(x), rung.rung.cylinder) for x in f)
    if rung.stage == "standby" or not outside:
        return []
    return [
        f"{rung.readings.file[0]}: {outside} of {len(f)} readings lie outside the calibrated range of "
        "frequencies; the prediction there rests on the laws alone"
    ]


def _remeasured(calibration: Calibration, rung: Rung, readings: Readings, rng: np.random.Generator) -> Remeasured:
    predicted = calibration.shaft_power(readings)
    change = _shaft_side(calibration, readings, rung.stage, predicted[:, 0]) - predicted
    expected = readings.power - change[:, 0]
    sd = np.maximum(calibration.scatter(expected), readings.resolution[:, None] * UNIFORM_SD)
    noise = sd * rng.standard_normal(sd.shape)
    noise[:, 0] = 0.0
    return Remeasured(rung, readings, predicted.mean(axis=0), change, np.median(sd[:, 1:], axis=1), noise)


def _shaft_side(calibration: Calibration, readings: Readings, stage: str, predicted: FloatArray) -> FloatArray:
    """New readings as shaft-side power, (n, 1 + draws), where (n,) is predicted; in standby what the meter reads. [W]

    Winding temperatures are put on the same footing as in the calibration, else the copper loss would differ.
    """
    if stage == "standby":
        return calibration.meters.power(readings)
    winding = np.full(len(readings), np.nan)
    if calibration.winding is not None:
        level, slope = calibration.winding
        winding = np.where(np.isfinite(readings.winding), readings.winding, level + slope * predicted)
    alike = replace(readings, winding=winding)
    swing = static_swing(calibration.rig, calibration.meters, alike)  # as the ladder's readings were taken to the shaft
    return shaft_power(alike, calibration.meters, calibration.standby, calibration.route, swing=swing).power


@dataclass(frozen=True)
class Disagreement:
    """How far a rung's new readings lie from a straight line through their changes, in units of their scatter."""

    left: FloatArray  # (n,) each reading's
    shown: FloatArray  # (n,) share of a reading's own deviation that the line does not take up
    spare: int  # readings beyond what the line takes
    by_chance: FloatArray  # (draws,) sums of squares if nothing but chance is at work

    @property
    def square(self) -> float:
        """Sum of squares found."""
        return float(np.sum(self.left**2))

    @property
    def is_odd(self) -> bool:
        """Whether the readings scatter more than chance and the calibration let expect."""
        return len(self.left) >= FEWEST_FOR_SHAPE and bool(np.mean(self.by_chance >= self.square) <= ODD_SCATTER)


def _disagreement(rung: Remeasured) -> Disagreement:
    f = rung.readings.frequency
    line = np.column_stack([np.ones_like(f), f - f.mean()])[:, : 2 if np.ptp(f) > 0 else 1]
    shown = np.eye(len(f)) - line @ np.linalg.pinv(line)
    away = shown / rung.scatter[:, None]
    by_chance = away @ (rung.change[:, 1:] - rung.change[:, 1:].mean(axis=1, keepdims=True) + rung.noise[:, 1:])
    spare = max(len(f) - line.shape[1], 0)
    return Disagreement(away @ rung.change[:, 0], np.diag(shown), spare, np.sum(by_chance**2, axis=0))


def _with_own_scatter(rung: Remeasured, rng: np.random.Generator) -> tuple[Remeasured, list[str]]:
    """A rung's noise by all that is known of its scatter, and a note where its readings disagree oddly.

    The calibration's scatter and the new readings' own are pooled by their degrees of freedom; how little those are
    makes the noise Student's. Odd readings count by themselves.
    """
    found = _disagreement(rung)
    dof = CLAIM + found.spare
    factor = float(np.sqrt((CLAIM + found.square) / dof))
    if found.is_odd:
        factor = float(np.sqrt(found.square / np.median(found.by_chance)))
    students = np.sqrt(dof / rng.chisquare(dof, rung.noise.shape[1]))
    return replace(rung, noise=rung.noise * factor * students), [_odd_note(rung, found, factor)] if found.is_odd else []


def _odd_note(rung: Remeasured, found: Disagreement, factor: float) -> str:
    worst = int(np.argmax(np.abs(found.left) / np.sqrt(np.maximum(found.shown, 1e-9))))
    return (
        f"{rung.readings.file[worst]}: the new readings scatter {factor:.1f} times as much as the calibrating ones "
        f"did, most of all {rung.readings.where(worst)}; the test allows for it, but look for the cause"
    )
