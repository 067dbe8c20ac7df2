"""Rules that carry measured seals and cycles over to a cylinder not yet tried, and how far cylinders disagree on them.

Arrays of draws have the best estimate in their first column, as everywhere.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np

from driveloss.bench.records import FloatArray
from driveloss.breakdown.ask import Breakdown
from driveloss.errors import InputError
from driveloss.fit.calibration import EDGE, Calibration
from driveloss.fit.meters import strata
from driveloss.fit.readings import SAME_PRESSURE, pressure_groups
from driveloss.losses.ask import shifted
from driveloss.physics import seal as seal_physics

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

    def factor(self, rng: np.random.Generator, size: int, measured: int) -> FloatArray:
        """Draws of what a new one has over the mean of so many measured, (size,); one in the first column.

        Student's t (the prediction of one more from a sample), cut at zero.
        """
        return self._draw(rng, size, np.sqrt(1 + 1 / measured))

    def drift(self, rng: np.random.Generator, size: int, steps: float) -> FloatArray:
        """Draws of the factor after so many steps of unknown direction, (size,); one in the first column."""
        return self._draw(rng, size, steps)

    def _draw(self, rng: np.random.Generator, size: int, scale: float) -> FloatArray:
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


# The seal


@dataclass(frozen=True)
class Conditions:
    """What is asked of a new cylinder, at one frequency."""

    frequency: float  # [Hz]
    stroke: float  # [m]
    pressure: float  # [Pa] mean
    back_pressure: float  # [Pa]

    @property
    def pressure_difference(self) -> float:
        """Across the seal, never negative. [Pa]"""
        return max(self.pressure - self.back_pressure, 0.0)


@dataclass(frozen=True)
class PressureDrag:
    """What each pascal across the seal adds to the friction of a metre of lip. [N/(m Pa)]"""

    own: dict[str, FloatArray]  # by cylinder whose sweeps or stated drag tell it, (1 + draws,)
    pooled: FloatArray  # for the others, (1 + draws,)
    spread: Disagreement | None  # None where published seals stand in


def lip_friction(calibration: Calibration, cylinder: str, frequency: float, pressure: float) -> FloatArray:
    """Friction force at the piston for each metre of a measured seal's lip, (1 + draws,). [N/m]

    frequency: true, of its own crank [Hz]; the frequency meter's error moves the curve under it. pressure: [Pa].
    """
    meters, at, pressed = calibration.meters, np.array([frequency]), np.array([pressure])
    misread = meters.misread(at)
    power = shifted(lambda f: calibration.seal(cylinder, f, pressed), at, misread)
    geometry = meters.cylinders[cylinder]
    force = seal_physics.mean_friction_force(power[0], frequency, geometry.stroke)
    return np.asarray(seal_physics.friction_per_lip_length(force, geometry.bore))


def own_frequency(calibration: Calibration, cylinder: str, asked: Conditions) -> float:
    """The frequency at which a measured cylinder had the mean piston speed asked for. [Hz]"""
    stroke = calibration.rig.cylinders[cylinder].stroke.value
    return asked.frequency * asked.stroke / stroke


def pressure_drag(
    calibration: Calibration, names: Sequence[str], asked: Conditions, rng: np.random.Generator
) -> PressureDrag:
    """Collect the pressure-energised drag of every cylinder that tells it; published seals stand in for none."""
    found = {name: _own_pressure_drag(calibration, name, asked) for name in names}
    own = {name: drag for name, drag in found.items() if drag is not None}
    size = calibration.draws + 1
    if not own:
        middle = float(np.mean(PUBLISHED_PRESSURE_DRAG))
        pooled = np.concatenate([[middle], 2 * middle * strata(rng, size - 1)])  # anything from none to twice as much
        return PressureDrag(own, pooled, None)
    values = np.array(list(own.values()))
    spread = disagreement(values, LIP_SPREAD)
    return PressureDrag(own, values.mean(axis=0) * spread.factor(rng, size, len(values)), spread)


def tells_pressure_drag(calibration: Calibration, name: str) -> bool:
    """Whether a cylinder's no-load sweeps lie far enough apart in pressure across the seal, or its drag is stated."""
    return name in calibration.stated_pressure_friction or _pressure_span(calibration, name) > 0


def _pressure_span(calibration: Calibration, name: str) -> float:
    """How far the pressure across a seal ranges over its no-load sweeps; zero within 3 % of the highest. [Pa]"""
    back, levels = calibration.rig.cylinders[name].back_pressure.value, calibration.ranges[name].pressures
    span = max(levels[-1] - back, 0.0) - max(levels[0] - back, 0.0)
    return span if span > SAME_PRESSURE * levels[-1] else 0.0


def _own_pressure_drag(calibration: Calibration, name: str, asked: Conditions) -> FloatArray | None:
    if not tells_pressure_drag(calibration, name):
        return None
    if name in calibration.stated_pressure_friction:
        geometry = calibration.meters.cylinders[name]
        return np.asarray(geometry.pressure_friction / (np.pi * geometry.bore))
    levels, frequency = calibration.ranges[name].pressures, own_frequency(calibration, name, asked)
    low, high = (lip_friction(calibration, name, frequency, p) for p in (levels[0], levels[-1]))
    return np.asarray((high - low) / _pressure_span(calibration, name))


def friction_at(calibration: Calibration, name: str, asked: Conditions, drag: PressureDrag) -> FloatArray:
    """A measured seal's friction for each metre of lip at the speed and pressure asked for, (1 + draws,). [N/m]

    Inside its own no-load pressures by its curve; beyond them by the nearest, and the pressure-energised drag on top.
    """
    frequency = own_frequency(calibration, name, asked)
    back, missing = calibration.rig.cylinders[name].back_pressure.value, pressure_missing(calibration, name, asked)
    nearest = lip_friction(calibration, name, frequency, back + asked.pressure_difference - missing)
    return np.maximum(nearest + drag.own.get(name, drag.pooled) * missing, 0.0) if missing else nearest


def pressure_missing(calibration: Calibration, name: str, asked: Conditions) -> float:
    """The pressure across the seal less the nearest that a cylinder's no-load sweeps (or stated drag) tell. [Pa]"""
    if name in calibration.stated_pressure_friction:
        return 0.0
    back, levels = calibration.rig.cylinders[name].back_pressure.value, calibration.ranges[name].pressures
    low, high = (max(p - back, 0.0) for p in (levels[0], levels[-1]))
    missing = asked.pressure_difference - min(max(asked.pressure_difference, low), high)
    return missing if abs(missing) > SAME_PRESSURE * (back + asked.pressure_difference) else 0.0


def speed_is_extrapolated(calibration: Calibration, name: str, asked: Conditions) -> bool:
    """Whether a measured cylinder never had the mean piston speed asked for."""
    span, frequency = calibration.ranges[name], own_frequency(calibration, name, asked)
    return not span.low * (1 - EDGE) <= frequency <= span.high * (1 + EDGE)


# The cycle's work


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


def work_levels(answer: Breakdown) -> dict[str, tuple[WorkLevel, ...]]:
    """Loaded runs sorted by cylinder and mean pressure (ascending)."""
    readings, ratios = answer.readings, answer.draws["cycle_work_ratio"]
    levels = {}
    for name in dict.fromkeys(map(str, readings.cylinder)):
        mine = np.flatnonzero((readings.cylinder == name) & np.isfinite(readings.mean_pressure))
        if len(mine):
            levels[name] = _levels(readings.mean_pressure[mine], readings.frequency[mine], ratios[mine])
    if not levels:
        raise InputError("loaded sweeps: no mean pressure is known, expected mean_pressure to tell the cycle's work")
    return levels


def _levels(pressure: FloatArray, frequency: FloatArray, ratio: FloatArray) -> tuple[WorkLevel, ...]:
    groups = pressure_groups(pressure)
    masks = [groups == g for g in np.unique(groups)]
    return tuple(WorkLevel(float(pressure[m].mean()), frequency[m], ratio[m]) for m in masks)


def work_at(levels: tuple[WorkLevel, ...], frequency: float, pressure: float, doubt: FloatArray) -> FloatArray:
    """A cylinder's cycle work ratio, (1 + draws,): linear in log pressure between levels, the nearest outside. [1]"""
    logs = np.log([level.pressure for level in levels])
    values = np.array([level.at(frequency, doubt) for level in levels])
    place = np.interp(np.log(pressure), logs, np.arange(len(levels)))
    lower = min(int(place), max(len(levels) - 2, 0))
    upper = min(lower + 1, len(levels) - 1)
    return np.asarray(values[lower] + (place - lower) * (values[upper] - values[lower]))


def octaves_outside(levels: tuple[WorkLevel, ...], pressure: float) -> float:
    """How many doublings a pressure [Pa] lies outside the runs' (within 3 % counts as inside). [1]"""
    low, high = levels[0].pressure * (1 - SAME_PRESSURE), levels[-1].pressure * (1 + SAME_PRESSURE)
    return float(abs(np.log2(pressure / np.clip(pressure, low, high))))


def frequency_is_outside(levels: tuple[WorkLevel, ...], frequency: float) -> bool:
    """Whether a frequency [Hz] lies outside the loaded runs at some pressure."""
    lows, highs = ([float(end(level.frequency)) for level in levels] for end in (np.min, np.max))
    return not max(lows) * (1 - EDGE) <= frequency <= min(highs) * (1 + EDGE)


def pressure_disagreement(levels: dict[str, tuple[WorkLevel, ...]], frequency: float) -> Disagreement:
    """Relative change of the cycle work ratio for each doubling of pressure, as far as cylinders show it."""
    several = [own for own in levels.values() if len(own) > 1]
    slopes = list(map(partial(_relative_slope, frequency), several))
    observed = float(np.sqrt(np.mean(np.square(slopes)))) if slopes else None
    return blend(len(slopes), slopes, observed, PRESSURE_SPREAD)


def _relative_slope(frequency: float, own: tuple[WorkLevel, ...]) -> float:
    low, high = (float(level.at(frequency, np.zeros(1))[0]) for level in (own[0], own[-1]))
    return (high - low) / max(abs(high + low) / 2, 1e-300) / float(np.log2(own[-1].pressure / own[0].pressure))
