"""How much a single reading scatters: size, growth with power, and whether the curves miss the repeats."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from driveloss.bench.records import FloatArray
from driveloss.fit.curves import legendre_design
from driveloss.fit.readings import Readings, pressure_groups

if TYPE_CHECKING:
    from driveloss.fit.ladder import Ladder
    from driveloss.fit.meters import Meters

SHARES = (0.0, 0.03, 0.1, 0.3, 0.6, 1.0)  # of the scatter's variance that go with power squared, as tried
PRIOR = (
    1,
    1,
    2,
    3,
    4,
    4,
)  # weight before the readings speak: data sheets give scatter mostly as a share of the reading
UNIFORM_SD = 1 / np.sqrt(12)  # of one last digit (JCGM 100:2008, F.2.2.1)
ROUNDED_APART = 0.75  # how fast the rounding that repeats share falls as they scatter: the sawtooth's series, roughly
MOST_DOF = 1e6
HARDLY = 0.01  # odds by the ladder alone from which a growth is not ruled out
UNLIKE = 3.0  # times the ladder's scatter from which a loaded sweep's is another thing
LEAST_COMMON = 0.05  # of what readings leave over that is common scatter, whatever their log tells
BISECTIONS = 30
SAME_FREQUENCY = 0.01  # readings closer than this fraction count as repeats


@dataclass(frozen=True)
class Pattern:
    """Relative size of the scatter: some of it always the same, some a fraction of the reading, joined in squares.

    So data sheets state meters. share: of the variance at the reference that goes with power squared.
    """

    share: float
    reference: float  # [W]

    def __call__(self, power: FloatArray) -> FloatArray:
        """Shape of power [W]; one at the reference. Tiny powers keep a hundredth of it."""
        return _grown(power / self.reference, self.share)


@dataclass(frozen=True)
class Scatter:
    """Scatter of one reading in each draw: its size [W] at the reference power, and the share of its `Pattern`.

    How scatter grows is itself uncertain, and loaded readings lie far above the ladder's power.
    """

    reference: float  # [W]
    size: FloatArray  # (1 + draws,), zero in the first column
    share: FloatArray  # (1 + draws,)

    def __call__(self, power: FloatArray) -> FloatArray:
        """Standard deviation at power (n,): (n, 1 + draws). [W]"""
        return self.size * _grown(power[:, None] / self.reference, self.share)


def _grown(ratio: FloatArray, share: float | FloatArray) -> FloatArray:
    return np.maximum(np.sqrt(1 - share + share * ratio**2), 0.01)


def choose_pattern(power: FloatArray, residuals: FloatArray) -> Pattern:
    """The share that the residuals (n,) let expect: the mean over those tried, see `growth_badness`."""
    reference = float(np.median(np.abs(power))) or 1.0
    likely = _odds([growth_badness(Pattern(share, reference), power, residuals) for share in SHARES])
    return Pattern(float(likely @ SHARES), reference)


def relative_scatter(pattern: Pattern, readings: Readings, residuals: FloatArray) -> FloatArray:
    """Scatter of each reading, (n,), in that of unit weight: the pattern's, joined in squares with what a log tells.

    residuals: (n,) [W], of a first fit. How much is common to all readings follows from what they leave over beyond
    the logged scatter. Source: Paule & Mandel, J. Res. Nat. Bur. Stand. 87 (1982) 377; from memory.
    """
    shape, own = pattern(readings.power), np.nan_to_num(readings.power_scatter)
    if not own.any():
        return shape
    low, high = (share * _mean_square(residuals / shape) ** 0.5 or LEAST_COMMON for share in (LEAST_COMMON, 1.0))
    for _ in range(BISECTIONS):
        size = (low + high) / 2
        low, high = (size, high) if _mean_square(residuals / np.hypot(size * shape, own)) > 1 else (low, size)
    return np.hypot(shape, own / size)


def growth_badness(pattern: Pattern, power: FloatArray, residuals: FloatArray) -> float:
    """Minus twice the profile log-likelihood of a normal scatter with this growth, up to a constant.

    Source: Carroll & Ruppert, Transformation and Weighting in Regression (1988), ch. 3; from memory.
    """
    sigma = pattern(power)
    return float(len(power) * np.log(max(_mean_square(residuals / sigma), 1e-300)) + 2 * np.log(sigma).sum())


def _odds(badness: Sequence[float]) -> FloatArray:
    """Probability of each share tried, from minus twice its log-likelihood."""
    weight = np.array(PRIOR) * np.exp(-(np.array(badness) - min(badness)) / 2)
    return np.asarray(weight / weight.sum())


def _mean_square(values: FloatArray) -> float:
    return float(np.mean(values**2))


def draw_scatter(  # noqa: PLR0913 - all that tells of it
    pattern: Pattern,
    ladder: Ladder,
    residuals: FloatArray,
    size: FloatArray,
    rng: np.random.Generator,
    stated: Meters,
) -> Scatter:
    """Let the growth vary over the draws as far as the residuals (n,) and the loaded sweeps leave it open.

    size: scatter at the pattern's reference in each draw, (1 + draws,) [W]. stated: the meters as stated.
    """
    at_meter = float(ladder.route.scatter_at_meter(np.ones(1), stated)[0])
    power = ladder.readings.power
    patterns = [Pattern(share, pattern.reference) for share in SHARES]
    spread = np.array([_mean_square(residuals / p(power)) for p in patterns]) ** 0.5
    by_ladder = [growth_badness(p, power, residuals) for p in patterns]
    steepest = int(np.flatnonzero(_odds(by_ladder) > HARDLY)[-1])
    loaded = ladder.loaded.only(_alike(patterns[steepest], at_meter * float(spread[steepest]), ladder.loaded))
    badness = [b + loaded_badness(p, at_meter * s, loaded) for b, p, s in zip(by_ladder, patterns, spread, strict=True)]
    member = rng.choice(len(patterns), size=len(size), p=_odds(badness))
    here = _mean_square(residuals / pattern(power)) ** 0.5 or 1.0
    return Scatter(pattern.reference, size * (spread / here)[member], np.array(SHARES)[member])


def loaded_badness(pattern: Pattern, size: float, loaded: Readings) -> float:
    """Minus twice the restricted log-likelihood of how loaded sweeps scatter, had they the ladder's scatter grown so.

    Each about a smooth course of its own, which repeats and a few readings to spare tell apart. Source: Patterson &
    Thompson, Biometrika 58 (1971) 545; from memory.
    """
    badness = 0.0
    for file in dict.fromkeys(loaded.file.tolist() if size > 0 else ()):
        mine = loaded.file == file
        frequency, sigma = loaded.frequency[mine], size * pattern(loaded.power[mine])
        R, left = _about_course(frequency, loaded.power[mine], sigma)
        badness += float(left @ left) + 2 * float(np.log(sigma).sum() + np.log(np.abs(np.diag(R))).sum())
    return badness


def _about_course(frequency: FloatArray, power: FloatArray, sigma: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Triangular factor of a sweep's smooth course, and what it leaves over in sigma, (n,)."""
    Q, R = np.linalg.qr(smooth_course(frequency) / sigma[:, None])
    weighed = power / sigma
    return R, np.asarray(weighed - Q @ (Q.T @ weighed))


def _alike(steepest: Pattern, size: float, loaded: Readings) -> NDArray[np.bool_]:
    """Which loaded readings, (n,), are of sweeps that the ladder's scatter explains if it grows as much as it may.

    Others hold a slip of the pen or runs not yet steady, and tell nothing of a meter.
    """
    alike = np.ones(len(loaded), dtype=bool)
    for file in dict.fromkeys(loaded.file.tolist() if size > 0 else ()):
        mine = loaded.file == file
        sigma = size * steepest(loaded.power[mine])
        R, left = _about_course(loaded.frequency[mine], loaded.power[mine], sigma)
        alike[mine] = left @ left <= UNLIKE**2 * max(len(left) - len(R), 1)
    return alike


def smooth_course(frequency: FloatArray) -> FloatArray:
    """Basis of a smooth course through readings at frequency (n,), at most a cubic: (n, k)."""
    ordered = np.sort(frequency)
    distinct = 1 + int(np.sum(np.diff(ordered) > SAME_FREQUENCY * ordered[:-1]))
    return legendre_design(frequency, ordered[0], ordered[-1], min(3, distinct - 1))


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
    chance_sd: float  # of unit weight, that a misfit by chance would show: the repeats', and the digit's beyond it


def lack_of_fit(
    weighted_residuals: FloatArray, groups: NDArray[np.int64], parameters: int, digits: FloatArray
) -> LackOfFit | None:
    """Compare misfit with repeatability; None where there are no repeats or no spare groups. Arrays: (n,).

    digits: weighted steps of the last digit. Repeats that scatter by less than that are rounded alike: the pure error
    then does not show what their means are off by.
    """
    from scipy.special import fdtrc

    count = np.bincount(groups)
    sums = np.bincount(groups, weights=weighted_residuals)
    means = sums / np.maximum(count, 1)
    pure = float(np.sum((weighted_residuals - means[groups]) ** 2))
    distinct = int(np.count_nonzero(count))
    pure_dof, misfit_dof = len(groups) - distinct, distinct - parameters
    if pure_dof < 1 or misfit_dof < 1:
        return None
    seen = pure / pure_dof
    hidden = max(_mean_square(digits) * UNIFORM_SD**2 - ROUNDED_APART * seen, 0.0) * len(groups) / distinct
    chance = max(seen + hidden, 1e-300)
    dof = pure_dof * (chance / seen) ** 2 if seen > 0 else MOST_DOF  # Welch-Satterthwaite: the digit is known
    ratio = max((float(np.sum(weighted_residuals**2)) - pure) / misfit_dof / chance, 0.0)
    p_value = float(fdtrc(misfit_dof, min(dof, MOST_DOF), ratio))
    return LackOfFit(float(np.sqrt(seen)), pure_dof, p_value, float(np.sqrt(chance)))
