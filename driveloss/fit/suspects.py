"""Loaded readings that the others of their own sweep contradict: reported, never left out.

A slip is judged by the work of a cycle over mean pressure, which varies slowly and smoothly with frequency: what is
lost on the way, and grows in its own manner, is taken off first.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import combinations
from math import comb

import numpy as np
from numpy.typing import NDArray

from driveloss.bench.records import FloatArray
from driveloss.fit.calibration import Calibration
from driveloss.fit.findings import Finding
from driveloss.fit.outliers import likely_slip
from driveloss.fit.readings import Readings, pressure_groups
from driveloss.fit.scatter import SAME_FREQUENCY

FALSE_ALARM = 0.001  # nominal chance that a clean sweep has a reading called suspect
LEAST_RUNS = 4  # of a sweep, at as many frequencies, that can be judged
BENT_RUNS = 6  # from which on a parabola is tried where a straight line finds fault
GROSS = 0.03  # of the input: less is no slip of the pen
STEADY = 0.005  # of the input: loaded runs repeat no better than that, however well the ladder does
LADDER_DOF = 4  # degrees of freedom that the ladder's scatter counts for beside a loaded sweep's own
AS_WELL = 1.5  # times the scatter about a line with its exceptions up to which a parabola explains a sweep as well
MOST_STARTS = 1000  # curves through as few readings as determine them
PASSES = 40  # from shaft power back to the meter's
SAMPLE = 300  # readings of a longer sweep that its curve goes through
MOST_WRONG = 0.01  # of a longer sweep: more are no slips
FURTHEST = 100.0  # times what was read: no slip is larger


@dataclass(frozen=True)
class Course:
    """What the other readings of its sweep say of each loaded reading's input, (n,). [W]"""

    off: FloatArray  # read less expected; zero where nothing is suspected
    spread: FloatArray  # standard deviation of what is expected there

    @property
    def suspects(self) -> NDArray[np.int64]:
        """Places of the readings that are probably wrong."""
        return np.flatnonzero(self.off)


def suspect_runs(runs: Readings, course: Course) -> list[Finding]:
    """One sentence for each loaded reading far off the smooth course of its own sweep."""
    return [_sentence(runs, int(i), float(course.off[i])) for i in course.suspects]


def _sentence(runs: Readings, i: int, off: float) -> Finding:
    read = float(runs.power[i])
    text = (
        f"{runs.where(i)}: {read:g} W at {runs.typed[i]} is {abs(off):.2g} W "
        f"{'above' if off > 0 else 'below'} what the work of a cycle in the other runs of its sweep lets "
        f"expect{likely_slip(read, read - off)}; kept, its interval reaching there: correct it, or repeat the run."
    )
    return Finding("suspect", text, str(runs.file[i]), int(runs.line[i]), off)


def loaded_course(calibration: Calibration, runs: Readings) -> Course:
    """Judge every loaded reading by the others of its file, cylinder and mean pressure."""
    shaft, sigma = shaft_of_runs(calibration, runs), expected_scatter(calibration, runs)
    beyond = unloaded(calibration, runs)
    cycle = runs.frequency * runs.mean_pressure
    expected, spread = shaft.copy(), np.zeros(len(runs))
    for mine in _sweeps(calibration, runs):
        scale = cycle[mine] / cycle[mine].mean()
        work, unit = (shaft - beyond)[mine] / scale, sigma[mine] / scale
        wrong, fit, u = _contradicted(runs.frequency[mine], work, unit, GROSS * runs.power[mine] / scale)
        expected[mine[wrong]] = (fit * scale)[wrong] + beyond[mine[wrong]]
        spread[mine[wrong]] = (u * scale)[wrong]
    changed = expected != shaft
    likely = np.where(changed, _input(calibration, runs, expected), runs.power) if changed.any() else runs.power
    return Course(runs.power - likely, spread)


def _sweeps(calibration: Calibration, runs: Readings) -> Iterator[NDArray[np.int64]]:
    """Places of the loaded readings taken under like conditions, where they are enough to be judged."""
    groups = pressure_groups(runs.mean_pressure)
    for key in dict.fromkeys(zip(runs.file.tolist(), runs.cylinder.tolist(), groups.tolist(), strict=True)):
        mine = np.flatnonzero((runs.file == key[0]) & (runs.cylinder == key[1]) & (groups == key[2]))
        if key[1] in calibration.ranges and _settings(runs.frequency[mine]) >= LEAST_RUNS:
            yield mine


def _settings(frequency: FloatArray) -> int:
    """How many frequencies (n,) there are that are not the same."""
    step = SAME_FREQUENCY * frequency.max()
    if len(frequency) > SAMPLE:  # neighbours are the same all along
        return len(np.unique(frequency // step))
    return int(np.count_nonzero(np.diff(np.sort(frequency)) > step)) + 1


def shaft_of_runs(calibration: Calibration, runs: Readings) -> FloatArray:
    """Shaft power of the readings by the stated inputs, (n,). [W]"""
    stated = calibration.meters.as_stated()
    net = stated.power(runs) - calibration.standby[:1]
    loss = calibration.route.loss(runs, stated, net, stated.current(runs), np.zeros_like(net)).total
    return np.asarray((net - np.where(np.isfinite(loss), loss, 0.0))[:, 0])


def unloaded(calibration: Calibration, runs: Readings) -> FloatArray:
    """Shaft power that the machine takes without load, ports closed, (n,); nan for an unknown cylinder. [W]"""
    lost, best = np.full(len(runs), np.nan), calibration.as_stated()
    for name in set(runs.cylinder.tolist()) & set(calibration.ranges):
        mine = np.flatnonzero(runs.cylinder == name)
        lost[mine] = best.shaft_power(runs.only(mine))[:, 0]
    return lost


def expected_scatter(calibration: Calibration, runs: Readings) -> FloatArray:
    """Standard deviation expected of each reading, (n,). [W]"""
    at = runs.power
    if len(at) > SAMPLE:  # it grows smoothly
        at = np.linspace(at.min(), at.max(), SAMPLE)
    ladder = np.median(calibration.scatter(at), axis=1)
    if len(at) < len(runs):
        ladder = np.interp(runs.power, at, ladder)
    return np.asarray(np.sqrt(ladder**2 + (STEADY * runs.power) ** 2 + runs.resolution**2 / 12))


def _input(calibration: Calibration, runs: Readings, expected: FloatArray) -> FloatArray:
    """What the meter would have read had the shaft got what is expected, (n,). [W]

    Where no reading would give that, as with a resistance ten times too large, the difference at the shaft stands.
    """
    likely = runs.power.copy()
    for _ in range(PASSES):
        change = expected - shaft_of_runs(calibration, _as_if(runs, likely))
        likely = np.clip(likely + change, runs.power / FURTHEST, runs.power * FURTHEST)
    plain = runs.power + expected - shaft_of_runs(calibration, runs)
    return np.where(np.abs(change) < GROSS * runs.power, likely, plain)


def _as_if(runs: Readings, power: FloatArray) -> Readings:
    """The readings with other powers; where those are products, the amperes are other."""
    share = np.where(np.isfinite(runs.voltage), power / runs.power, 1.0)
    return replace(runs, power=power, current=runs.current * share, bus_current=runs.bus_current * share)


def _contradicted(
    x: FloatArray, y: FloatArray, sigma: FloatArray, gross: FloatArray
) -> tuple[NDArray[np.int64], FloatArray, FloatArray]:
    """Places of the readings that the others contradict, the others' curve and its deviation, (n,) each.

    A straight line is the first thought; where it finds fault, a parabola that needs fewer excuses is believed.
    """
    if len(x) > SAMPLE:
        return _contradicted_by_sample(x, y, sigma, gross)
    line = _judged(x, y, sigma, gross, 1)
    if len(line.wrong) and len(x) >= BENT_RUNS:
        bent = _judged(x, y, sigma, gross, 2)
        if len(bent.wrong) < len(line.wrong) and bent.size < AS_WELL * line.size:
            line = bent
    return _alone(x, y - line.fit, line.wrong), line.fit, line.spread


def _contradicted_by_sample(
    x: FloatArray, y: FloatArray, sigma: FloatArray, gross: FloatArray
) -> tuple[NDArray[np.int64], FloatArray, FloatArray]:
    """The same for a long sweep: judged by the curve through some readings, evenly chosen by their frequency."""
    some = np.argsort(x, kind="stable")[np.linspace(0, len(x) - 1, SAMPLE).astype(np.int64)]
    sound = np.delete(some, _contradicted(x[some], y[some], sigma[some], gross[some])[0])
    design = np.vander(x / x.max(), 3) / sigma[:, None]
    through = _without(design, y / sigma, np.setdiff1d(np.arange(len(x)), sound))
    fit, spread = through.fit * sigma, through.spread * sigma
    off = y - fit
    wrong = np.flatnonzero(np.abs(off) > np.maximum(_critical(len(x), 1, 2) * spread, gross))
    return _alone(x, off, wrong if len(wrong) <= len(x) * MOST_WRONG else wrong[:0]), fit, spread


def _alone(x: FloatArray, off: FloatArray, wrong: NDArray[np.int64]) -> NDArray[np.int64]:
    """Those of the wrong whose repeats are not off alike: there the curve errs, not the pen."""
    return np.array([i for i in wrong if not np.any(off[_repeats(x, i)] / off[i] > 0.5)], dtype=np.int64)


def _repeats(x: FloatArray, i: int) -> NDArray[np.bool_]:
    """Which other readings were taken at the setting of one, (n,)."""
    return np.asarray((np.abs(x - x[i]) <= SAME_FREQUENCY * x[i]) & (np.arange(len(x)) != i))


@dataclass(frozen=True)
class _Judged:
    """Which readings are wrong; the curve through the others, with its deviation at each reading left out, (n,)."""

    wrong: NDArray[np.int64]
    fit: FloatArray
    spread: FloatArray
    size: float  # of the others' scatter, over what was expected


def _judged(x: FloatArray, y: FloatArray, sigma: FloatArray, gross: FloatArray, degree: int) -> _Judged:
    """Take out as many as can be confirmed, by the least trimmed squares' order of distance.

    Source of the order: Rousseeuw & Leroy, Robust Regression and Outlier Detection (1987), ch. 3. Source of the
    test: Student's t of each against all others, with Bonferroni's correction for the choice among so many sets
    (Cook & Weisberg 1982, sec. 2.2). Both from memory.
    """
    n, design = len(x), np.vander(x / x.max(), degree + 1) / sigma[:, None]
    most = max((n - 1) // 3 if n < 10 else 3, n // 10)
    order = np.argsort(-np.abs(_trimmed_residuals(design, y / sigma, n - most)), kind="stable")

    def is_sure(found: _Judged) -> bool:
        off, count = np.abs(y / sigma - found.fit)[found.wrong], len(found.wrong)
        sure = off > _critical(n, count, degree) * found.spread[found.wrong]
        return bool(np.all(sure & (off * sigma[found.wrong] > gross[found.wrong])))

    counts = range(min(most, n - degree - 2), -1, -1)
    found = next(filter(is_sure, (_without(design, y / sigma, order[:count]) for count in counts)))  # none is sure
    return replace(found, fit=found.fit * sigma, spread=found.spread * sigma)


def _trimmed_residuals(design: FloatArray, y: FloatArray, kept: int) -> FloatArray:
    """Residuals (n,) from the curve, among those through few readings, whose `kept` smallest squares are least."""
    n, few = design.shape
    if comb(n, few) <= MOST_STARTS:
        starts = np.array(list(combinations(range(n), few)))
    else:
        rng = np.random.default_rng(0)
        starts = np.array([rng.choice(n, few, replace=False) for _ in range(MOST_STARTS)])
    through = design[starts]
    sound = np.linalg.cond(through) < 1e6
    curves = np.linalg.solve(through[sound], y[starts[sound]][:, :, None])[:, :, 0]
    residuals = y - curves @ design.T
    squares = np.sort(residuals**2, axis=1)[:, :kept].sum(axis=1)
    return np.asarray(residuals[int(np.argmin(squares))])


def _without(design: FloatArray, y: FloatArray, wrong: NDArray[np.int64]) -> _Judged:
    """Least squares through the others; deviations are those of a reading left out."""
    rest = np.setdiff1d(np.arange(len(y)), wrong)
    half = np.linalg.pinv(design[rest])
    fit = design @ (half @ y[rest])
    squares, dof = float(np.sum((y - fit)[rest] ** 2)), len(rest) - design.shape[1]
    size = np.sqrt((LADDER_DOF + squares) / (LADDER_DOF + dof))
    spread = size * np.sqrt(1 + np.sum((design @ (half @ half.T)) * design, axis=1))
    return _Judged(wrong, fit, spread, float(size))


def _critical(n: int, count: int, degree: int) -> float:
    """Student's t beyond which chance hardly takes the least of `count` readings chosen among n."""
    from scipy.special import stdtrit

    dof = LADDER_DOF + n - count - degree - 1
    return float(stdtrit(dof, 1 - FALSE_ALARM / (2 * comb(n, count))))
