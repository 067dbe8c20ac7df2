"""How far cylinders disagree on a rule, and measured seals as another piston moves them.

Arrays of draws have the best estimate in their first column, as everywhere.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from driveloss.bench.records import FloatArray
from driveloss.fit.calibration import EDGE, Calibration, shifted
from driveloss.losses.no_load import seal_force
from driveloss.physics.seal import friction_per_lip_length

# Assumed, no published source for like seals: standard deviation between cylinders, worth PRIOR_DOF degrees of
# freedom. To compare: repeat runs of one pneumatic seal scatter by 7 to 14 %, three kinds of seal of one bore differ
# with a standard deviation of 28 % (both Zillen, Delft University of Technology, 2021, open data).
LIP_SPREAD = 0.20  # of the friction for each metre of lip
PRIOR_DOF = 6


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

    def frequency(self, speed: float) -> float:
        """At which its own piston has a mean speed [m/s]. [Hz]"""
        return speed / (2 * self.stroke)

    def was_moved_at(self, speed: float) -> bool:
        """Whether its own piston had a mean speed [m/s] in its no-load sweeps."""
        return self.span.low * (1 - EDGE) <= self.frequency(speed) <= self.span.high * (1 + EDGE)

    def was_pressed_by(self, across: float) -> bool:
        """Whether its sweeps, or a stated drag, tell a pressure across it. [Pa]"""
        return not self.calibration.missing_pressure(self.name, np.array([self.back_pressure + across])).any()

    def friction(self, speed: float, across: float) -> FloatArray:
        """For each metre of lip at a mean speed [m/s] and pressure across it [Pa], (1 + draws,). [N/m]

        The frequency meter's error moves the curve under a true speed.
        """
        meters, at = self.calibration.meters, np.array([self.frequency(speed)])
        pressed = np.array([self.back_pressure + across])
        power = shifted(lambda f: self.calibration.seal(self.name, f, pressed), at, meters.misread(at))
        force = seal_force(self.calibration, power, at, self.name)[0]
        return np.asarray(friction_per_lip_length(force, meters.cylinders[self.name].bore))

    def drag(self, speed: float) -> FloatArray:
        """What each pascal across it adds for each metre of lip at a mean speed [m/s], (1 + draws,). [N/(m Pa)]"""
        force = self.calibration.lip_drag(self.name, np.array([self.frequency(speed)]))[0]
        return np.asarray(friction_per_lip_length(force, self.calibration.meters.cylinders[self.name].bore))
