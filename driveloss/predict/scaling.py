"""Rules that carry measured seals and cycles over to a cylinder not yet tried, and how far cylinders disagree on them.

Arrays of draws have the best estimate in their first column, as everywhere.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from driveloss.bench.records import FloatArray
from driveloss.breakdown.ask import Breakdown
from driveloss.errors import InputError
from driveloss.fit.calibration import EDGE, Calibration
from driveloss.fit.meters import strata
from driveloss.fit.readings import SAME_PRESSURE, by_rung
from driveloss.losses.ask import seal_force, shifted
from driveloss.physics.seal import friction_per_lip_length

# Assumed, no published source for like seals: standard deviation between cylinders, worth PRIOR_DOF degrees of
# freedom. To compare: repeat runs of one pneumatic seal scatter by 7 to 14 %, three kinds of seal of one bore differ
# with a standard deviation of 28 % (both Zillen, Delft University of Technology, 2021, open data).
LIP_SPREAD = 0.20  # of the friction for each metre of lip
WORK_SPREAD = 0.15  # of the cycle work ratio
PRESSURE_SPREAD = 0.15  # of the cycle work ratio for each doubling of the mean pressure
PRIOR_DOF = 6

# [N/(m Pa)] of lip: O-ring, lip and composite seal of 25 mm bore at 1 to 7 bar (Zillen, 2021).
PUBLISHED_PRESSURE_DRAG = tuple(slope / 1e5 / (np.pi * 0.025) for slope in (0.654, 1.366, 0.192))

LINE_READINGS, LINE_SPAN = 3, 0.05  # fewer readings, or a narrower relative span, give a mean, not a line


@dataclass(frozen=True)
class Disagreement:
    """Relative standard deviation between cylinders (or pressures) on one rule."""

    count: int  # how many were compared
    observed: float | None  # beyond their own uncertainty; None with fewer than two
    used: float  # with the assumed spread blended in
    dof: int

    def factor(self, rng: np.random.Generator, size: int, scale: float) -> FloatArray:
        """Draws of a factor by Student's t, cut at zero, (size,); one in the first column.

        scale: how many times as far it deviates; sqrt(1 + 1/n) for one more cylinder against the mean of n measured.
        """
        draws = 1 + scale * self.used * rng.standard_t(self.dof, size)
        draws[0] = 1.0
        return np.maximum(draws, 0.0)


def disagreement(values: FloatArray, prior: float) -> Disagreement:
    """How far cylinders differ, values: (k, 1 + draws), k at least one; prior: their assumed relative spread.

    Moment estimate of the variance between groups (DerSimonian & Laird, Control. Clin. Trials 7 (1986) 177), blended
    with the assumed one as PRIOR_DOF further degrees of freedom (Gelman et al., Bayesian Data Analysis, ch. 2: the
    scaled inverse chi-square prior); both from memory.
    """
    count, best = len(values), values[:, 0]
    if count < 2:
        return Disagreement(count, None, prior, PRIOR_DOF)
    own = (values - values.mean(axis=0))[:, 1:].var(axis=1, ddof=1).mean() * count / (count - 1)
    excess = max(float(best.var(ddof=1)) - float(own), 0.0)
    observed = float(np.sqrt(excess) / max(abs(best.mean()), 1e-300))
    return blend(count, [observed] * (count - 1), observed, prior)


def blend(count: int, deviations: Sequence[float], observed: float | None, prior: float) -> Disagreement:
    """Join independent relative deviations (mean zero expected) with the assumed spread."""
    dof = PRIOR_DOF + len(deviations)
    variance = (PRIOR_DOF * prior**2 + sum(d**2 for d in deviations)) / dof
    return Disagreement(count, observed, float(np.sqrt(variance)), dof)


class Seal:
    """The seal of a calibrated cylinder, asked for its friction as another piston moves it."""

    def __init__(self, calibration: Calibration, name: str):
        self.calibration, self.name = calibration, name
        self.span, cylinder = calibration.ranges[name], calibration.rig.cylinders[name]
        self.stroke, self.back_pressure = cylinder.stroke.value, cylinder.back_pressure.value
        self.drag_is_stated = name in calibration.stated_pressure_friction
        levels = self.span.pressures
        self.low, self.high = (max(p - self.back_pressure, 0.0) for p in (levels[0], levels[-1]))  # [Pa] across it
        # no-load sweeps tell the drag under pressure where they lie far enough apart
        self.tells_drag = self.drag_is_stated or self.high - self.low > SAME_PRESSURE * levels[-1]

    def frequency(self, speed: float) -> float:
        """At which its own piston has a mean speed [m/s]. [Hz]"""
        return speed / (2 * self.stroke)

    def was_moved_at(self, speed: float) -> bool:
        """Whether its own piston had a mean speed [m/s] in its no-load sweeps."""
        return self.span.low * (1 - EDGE) <= self.frequency(speed) <= self.span.high * (1 + EDGE)

    def drag(self, speed: float) -> FloatArray:
        """What each pascal across it adds at a mean speed [m/s], (1 + draws,); only where `tells_drag`. [N/(m Pa)]"""
        if self.drag_is_stated:
            geometry = self.calibration.meters.cylinders[self.name]
            return np.asarray(geometry.pressure_friction / (np.pi * geometry.bore))
        low, high = (self._lip_friction(speed, self.span.pressures[end]) for end in (0, -1))
        return np.asarray((high - low) / (self.high - self.low))

    def missing(self, across: float) -> float:
        """A pressure across it less the nearest that its sweeps (or stated drag) tell. [Pa]"""
        missing = across - min(max(across, self.low), self.high)
        is_near = abs(missing) <= SAME_PRESSURE * (self.back_pressure + across)
        return 0.0 if self.drag_is_stated or is_near else missing

    def friction(self, speed: float, across: float, drag: FloatArray) -> FloatArray:
        """For each metre of lip at a mean speed [m/s] and pressure across it [Pa], (1 + draws,). [N/m]

        Inside its own pressures by its curve; beyond them by the nearest, with the drag [N/(m Pa)] on top.
        """
        missing = self.missing(across)
        nearest = self._lip_friction(speed, self.back_pressure + across - missing)
        return np.maximum(nearest + drag * missing, 0.0) if missing else nearest

    def _lip_friction(self, speed: float, pressure: float) -> FloatArray:
        """By its own curve at a mean pressure [Pa]; the frequency meter's error moves the curve under a true speed."""
        meters, at, pressed = self.calibration.meters, np.array([self.frequency(speed)]), np.array([pressure])
        power = shifted(lambda f: self.calibration.seal(self.name, f, pressed), at, meters.misread(at))
        force = seal_force(self.calibration, power, at, self.name)[0]
        return np.asarray(friction_per_lip_length(force, meters.cylinders[self.name].bore))


def pressure_drags(
    seals: dict[str, Seal], speed: float, size: int, rng: np.random.Generator
) -> tuple[dict[str, FloatArray], Disagreement | None]:
    """By cylinder what each pascal across the seal adds to the friction of a metre of lip, (size,). [N/(m Pa)]

    Who does not tell it borrows from those that do; where none does, published seals stand in, without a disagreement.
    """
    own = {name: seal.drag(speed) for name, seal in seals.items() if seal.tells_drag}
    if not own:
        middle = float(np.mean(PUBLISHED_PRESSURE_DRAG))
        pooled = np.concatenate([[middle], 2 * middle * strata(rng, size - 1)])  # anything from none to twice as much
        return dict.fromkeys(seals, pooled), None
    values = np.array(list(own.values()))
    spread = disagreement(values, LIP_SPREAD)
    pooled = values.mean(axis=0) * spread.factor(rng, size, np.sqrt(1 + 1 / len(values)))
    return dict.fromkeys(seals, pooled) | own, spread


@dataclass(frozen=True)
class WorkLevel:
    """Cycle work ratios of one cylinder at one mean pressure."""

    pressure: float  # [Pa]
    frequency: FloatArray  # (n,) [Hz]
    ratio: FloatArray  # (n, 1 + draws)

    def at(self, frequency: float, doubt: FloatArray) -> FloatArray:
        """The straight line through the runs at a frequency [Hz], (1 + draws,).

        Outside the runs the line's further way is doubted: anything from none of it to twice as much. doubt: draws
        between -1 and 1, zero in the first column.
        """
        edge = float(np.clip(frequency, self.frequency.min(), self.frequency.max()))
        inside, there = self._line(edge), self._line(frequency)
        return there + doubt * (there - inside)

    def _line(self, frequency: float) -> FloatArray:
        middle = self.frequency.mean()
        if len(self.frequency) < LINE_READINGS or np.ptp(self.frequency) < LINE_SPAN * middle:
            return np.asarray(self.ratio.mean(axis=0))
        arm = self.frequency - middle
        slope = arm @ self.ratio / (arm @ arm)
        return np.asarray(self.ratio.mean(axis=0) + slope * (frequency - middle))


def work_levels(answer: Breakdown) -> dict[str, list[WorkLevel]]:
    """Loaded runs sorted by cylinder and mean pressure (ascending)."""
    known = np.isfinite(answer.readings.mean_pressure)
    readings, ratios = answer.readings.only(known), answer.draws["cycle_work_ratio"][known]
    levels: dict[str, list[WorkLevel]] = {}
    for rung, mine in by_rung(readings):
        level = WorkLevel(float(readings.mean_pressure[mine].mean()), readings.frequency[mine], ratios[mine])
        levels.setdefault(str(rung.cylinder), []).append(level)
    if not levels:
        raise InputError("loaded sweeps: no mean pressure is known, expected mean_pressure to tell the cycle's work")
    return levels


def work_at(levels: list[WorkLevel], frequency: float, pressure: float, doubt: FloatArray) -> FloatArray:
    """A cylinder's cycle work ratio, (1 + draws,): linear in log pressure between levels, the nearest outside. [1]"""
    logs = np.log([level.pressure for level in levels])
    values = np.array([level.at(frequency, doubt) for level in levels])
    place = np.interp(np.log(pressure), logs, np.arange(len(levels)))
    lower = min(int(place), max(len(levels) - 2, 0))
    upper = min(lower + 1, len(levels) - 1)
    return np.asarray(values[lower] + (place - lower) * (values[upper] - values[lower]))


def octaves_outside(levels: list[WorkLevel], pressure: float) -> float:
    """How many doublings a pressure [Pa] lies outside the runs' (within 3 % counts as inside). [1]"""
    low, high = levels[0].pressure * (1 - SAME_PRESSURE), levels[-1].pressure * (1 + SAME_PRESSURE)
    return float(abs(np.log2(pressure / np.clip(pressure, low, high))))


def frequency_is_outside(levels: list[WorkLevel], frequency: float) -> bool:
    """Whether a frequency [Hz] lies outside the loaded runs at some pressure."""
    lows, highs = ([float(end(level.frequency)) for level in levels] for end in (np.min, np.max))
    return not max(lows) * (1 - EDGE) <= frequency <= min(highs) * (1 + EDGE)


def pressure_disagreement(levels: dict[str, list[WorkLevel]], frequency: float) -> Disagreement:
    """Relative change of the cycle work ratio for each doubling of pressure, as far as cylinders show it."""
    slopes = [_relative_slope(own, frequency) for own in levels.values() if len(own) > 1]
    observed = float(np.sqrt(np.mean(np.square(slopes)))) if slopes else None
    return blend(len(slopes), slopes, observed, PRESSURE_SPREAD)


def _relative_slope(own: list[WorkLevel], frequency: float) -> float:
    low, high = (float(level.at(frequency, np.zeros(1))[0]) for level in (own[0], own[-1]))
    return (high - low) / max(abs(high + low) / 2, 1e-300) / float(np.log2(own[-1].pressure / own[0].pressure))
