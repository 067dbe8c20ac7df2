"""How much a single reading scatters: size, growth with power, and whether the curves miss the repeats."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from driveloss.bench.records import FloatArray
from driveloss.fit.readings import Readings, pressure_groups

if TYPE_CHECKING:
    from driveloss.fit.ladder import Ladder

GROWTH = (0.0, 0.25, 0.5, 0.75, 1.0)  # exponents of power tried for the scatter
PRIOR = (1, 1, 2, 3, 4)  # weight before the readings speak: data sheets give scatter mostly as a share of the reading
UNIFORM_SD = 1 / np.sqrt(12)  # of one last digit (JCGM 100:2008, F.2.2.1)
LOADED_SLOPE = 1.3  # about how loaded power grows with frequency, over the small steps between repeats
SAME_FREQUENCY = 0.01  # readings closer than this fraction count as repeats


@dataclass(frozen=True)
class Pattern:
    """Relative size of the scatter: sigma = size * (power / reference)^growth."""

    growth: float
    reference: float  # [W]

    def __call__(self, power: FloatArray) -> FloatArray:
        """Shape of power [W]; one at the reference. Tiny powers keep a hundredth of it."""
        return np.maximum(np.abs(power) / self.reference, 0.01) ** self.growth


@dataclass(frozen=True)
class Scatter:
    """Scatter of one reading in each draw: its size [W] at the reference power and its growth, (1 + draws,) each.

    How scatter grows is itself uncertain, and loaded readings lie far above the ladder's power.
    """

    reference: float  # [W]
    size: FloatArray  # zero in the first column
    growth: FloatArray

    def __call__(self, power: FloatArray) -> FloatArray:
        """Standard deviation at power (n,): (n, 1 + draws). [W]"""
        ratio = np.maximum(np.abs(power)[:, None] / self.reference, 0.01)
        return np.asarray(self.size * ratio**self.growth)


def choose_pattern(power: FloatArray, residuals: FloatArray) -> Pattern:
    """Pick the growth that the residuals (n,) support best: see `growth_badness`."""
    reference = float(np.median(np.abs(power))) or 1.0
    return Pattern(min(GROWTH, key=lambda g: growth_badness(Pattern(g, reference), power, residuals)), reference)


def growth_badness(pattern: Pattern, power: FloatArray, residuals: FloatArray) -> float:
    """Minus twice the profile log-likelihood of a normal scatter with this growth, up to a constant.

    Source: Carroll & Ruppert, Transformation and Weighting in Regression (1988), ch. 3; from memory.
    """
    sigma = pattern(power)
    return float(len(power) * np.log(max(_mean_square(residuals / sigma), 1e-300)) + 2 * np.log(sigma).sum())


def _mean_square(values: FloatArray) -> float:
    return float(np.mean(values**2))


def draw_scatter(
    pattern: Pattern, ladder: Ladder, residuals: FloatArray, size: FloatArray, rng: np.random.Generator
) -> Scatter:
    """Let the growth vary over the draws as far as the residuals (n,) and the loaded repeats leave it open.

    size: scatter at the pattern's reference in each draw, (1 + draws,) [W].
    """
    power = ladder.readings.power
    patterns = [Pattern(g, pattern.reference) for g in GROWTH]
    spread = np.array([_mean_square(residuals / p(power)) for p in patterns]) ** 0.5
    badness = np.array([growth_badness(p, power, residuals) for p in patterns])
    badness += [_repeat_badness(p, s, ladder.loaded) for p, s in zip(patterns, spread, strict=True)]
    weight = np.array(PRIOR) * np.exp(-(badness - badness.min()) / 2)
    member = rng.choice(len(patterns), size=len(size), p=weight / weight.sum())
    here = _mean_square(residuals / pattern(power)) ** 0.5 or 1.0
    return Scatter(pattern.reference, size * (spread / here)[member], np.array(GROWTH)[member])


def _repeat_badness(pattern: Pattern, size: float, loaded: Readings) -> float:
    """Minus twice the log-likelihood of the loaded repeats' deviations, had they the ladder's scatter grown so."""
    if len(loaded) == 0 or size <= 0:
        return 0.0
    groups = repeat_groups(loaded)
    count = np.bincount(groups)[groups]
    level = loaded.power / loaded.frequency**LOADED_SLOPE  # repeats differ a little in frequency
    mean = (np.bincount(groups, weights=level) / np.maximum(np.bincount(groups), 1))[groups]
    several = count > 1
    share = ((count - 1) / count)[several]  # degrees of freedom that each deviation brings
    sigma = size * pattern(loaded.power[several])
    deviation = (level - mean)[several] * loaded.frequency[several] ** LOADED_SLOPE
    return float(np.sum(deviation**2 / sigma**2 + 2 * share * np.log(sigma)))


def least_size(readings: Readings, pattern: Pattern) -> float:
    """The scatter that the last written digit alone explains, as a size for `pattern`. [W]"""
    ratio = readings.resolution * UNIFORM_SD / pattern(readings.power)
    return float(np.sqrt(np.mean(ratio**2)))


def repeat_groups(readings: Readings) -> NDArray[np.int64]:
    """Number the groups of readings taken at one stage, cylinder, pressure and (within 1 %) frequency; shape (n,)."""
    groups = np.empty(len(readings), dtype=np.int64)
    count = 0
    rungs = np.array([f"{s}|{c}" for s, c in zip(readings.stage, readings.cylinder, strict=True)])
    for rung in np.unique(rungs):
        inside = np.flatnonzero(rungs == rung)
        pressure = np.nan_to_num(readings.mean_pressure[inside])
        key = np.lexsort((readings.frequency[inside], pressure_groups(pressure)))
        order = inside[key]
        f, p = readings.frequency[order], pressure_groups(np.nan_to_num(readings.mean_pressure[order]))
        new = (np.diff(f) > SAME_FREQUENCY * f[:-1]) | (np.diff(p) != 0)
        groups[order] = count + np.concatenate([[0], np.cumsum(new)])
        count = int(groups.max(initial=0, where=np.isin(np.arange(len(groups)), order))) + 1
    return groups


@dataclass(frozen=True)
class LackOfFit:
    """F test of the curves against the repeats (Draper & Smith, Applied Regression Analysis, ch. 2; from memory)."""

    pure_sd: float  # of unit weight
    pure_dof: int
    p_value: float  # chance of so large a misfit if the curves were right


def lack_of_fit(weighted_residuals: FloatArray, groups: NDArray[np.int64], parameters: int) -> LackOfFit | None:
    """Compare misfit with repeatability; None where there are no repeats or no spare groups. Arrays: (n,)."""
    from scipy.special import fdtrc

    count = np.bincount(groups)
    sums = np.bincount(groups, weights=weighted_residuals)
    means = sums / np.maximum(count, 1)
    pure = float(np.sum((weighted_residuals - means[groups]) ** 2))
    pure_dof = len(groups) - int(np.count_nonzero(count))
    misfit_dof = int(np.count_nonzero(count)) - parameters
    if pure_dof < 1 or misfit_dof < 1:
        return None
    misfit = float(np.sum(weighted_residuals**2)) - pure
    ratio = (misfit / misfit_dof) / max(pure / pure_dof, 1e-300)
    return LackOfFit(float(np.sqrt(pure / pure_dof)), pure_dof, float(fdtrc(misfit_dof, pure_dof, max(ratio, 0.0))))
