"""Gross errors among the readings: found by a robust fit, confirmed by a test against all the others."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from driveloss.bench.records import FloatArray
from driveloss.fit.blockwise import Blocks
from driveloss.fit.findings import Finding
from driveloss.fit.ladder import Ladder, ladder_power
from driveloss.fit.laws import offered_terms
from driveloss.fit.meters import Meters
from driveloss.fit.physical import joint_design
from driveloss.fit.readings import Readings
from driveloss.fit.scatter import SHARES, Pattern, least_size, repeat_groups

FALSE_ALARM = 0.001  # nominal chance that a clean bench loses any reading: slips of the pen stand out far
GROSS = 0.02  # of the reading: a smaller slip hardly moves the curves, and a misfit may look like it
PLAUSIBLE = 4.0  # difference of log-likelihood up to which a growth of the scatter is not ruled out
SUSPICIOUS = 3.5  # robust standard deviations from which a reading is put to the test
BISQUARE = 4.685  # tuning constant for 95 % efficiency with normal scatter (Beaton & Tukey 1974; from memory)
NORMAL_MAD = 1.4826  # standard deviation of a normal scatter over its median absolute deviation
MOST_SHARE = 0.1  # of the readings: more of them is no slip of the pen
LEAST_LEFT = 3  # readings that a rung keeps
STEPS = 15  # of the reweighting
PASSES = 40  # from shaft power back to the meter's, until what they change is lost in rounding
SETTLED = 1e-13  # of the power


Owners = Sequence[str | None]


@dataclass(frozen=True)
class Screened:
    """Which readings of the ladder to keep, shape (n,), and what was found."""

    keep: NDArray[np.bool_]
    findings: tuple[Finding, ...]


def screen(ladder: Ladder, stated: Meters, standby: FloatArray, *, keep_all: bool = False) -> Screened:
    """Find gross errors in the ladder. `stated`: the meters as stated; `standby`: (1,) [W].

    A reading is called an outlier if it lies further from the curves through all the others than chance
    explains, with Bonferroni's correction for having looked at every reading (Cook & Weisberg, Residuals and
    Influence in Regression (1982), sec. 2.2; from memory). Outliers are left out unless `keep_all`.
    """
    readings = ladder.readings
    power = ladder_power(ladder, stated, standby)[:, 0]
    terms = offered_terms(ladder.rig, ladder.scope)
    design = joint_design(ladder, terms)
    some = np.flatnonzero(design.any(axis=0))
    owners = [terms[j].cylinder for j in some]
    found, expected = _sure_outliers(readings, design[:, some], power, owners)
    keep = np.ones(len(readings), dtype=bool)
    keep[list(_droppable(readings, found))] = keep_all
    likely = _meter_power(ladder, stated, standby, found, expected)
    findings = [_sentence(readings, i, float(at), left_out=not keep[i]) for i, at in zip(found, likely, strict=True)]
    return Screened(keep, tuple(findings))


def _meter_power(
    ladder: Ladder, stated: Meters, standby: FloatArray, chosen: NDArray[np.int64], expected: FloatArray
) -> FloatArray:
    """What the meter would have read at the chosen readings had the shaft got what is expected there, (chosen,). [W]

    expected: shaft side, (n,) [W]. Each pass leaves the share of the error that copper loss has in a small change.
    """
    likely = ladder.readings.power.copy()
    for _ in range(PASSES if len(chosen) else 0):
        shaft = ladder_power(replace(ladder, readings=replace(ladder.readings, power=likely)), stated, standby)[:, 0]
        change = (expected - shaft)[chosen]
        likely[chosen] += change
        if np.all(np.abs(change) <= SETTLED * likely[chosen]):
            break
    return likely[chosen]


def _sure_outliers(
    readings: Readings, design: FloatArray, power: FloatArray, owners: Owners
) -> tuple[NDArray[np.int64], FloatArray]:
    """Outliers however the scatter grows with power, as far as that is open; and the expected power, (n,) [W]."""
    first = design @ _robust_fit(design, power, owners)
    likely = np.maximum(readings.power - power + first, 0)  # a slip of the pen must not set its own weight
    answers = []
    for pattern in _plausible_patterns(likely, power - first):
        sigma = pattern(likely) * max(least_size(readings, pattern), 1e-9 * pattern.reference)
        found, expected = outliers(design / sigma[:, None], power / sigma, GROSS * likely / sigma, owners)
        answers.append((found, expected * sigma))
    found, expected = answers[0]
    off = power - expected
    sure = [i for i in found if all(i in others for others, _ in answers) and not _repeated(readings, off, i)]
    return np.array(sure, dtype=np.int64), expected


def _repeated(readings: Readings, off: FloatArray, i: int) -> bool:
    """Whether another reading at the same setting is off by as much: then the curves err, not the pen."""
    groups = repeat_groups(readings)
    others = (groups == groups[i]) & (np.arange(len(off)) != i)
    return bool(np.any(off[others] / off[i] > 0.5))


def outliers(
    design: FloatArray, readings: FloatArray, gross: FloatArray, owners: Owners = ()
) -> tuple[NDArray[np.int64], FloatArray]:
    """Indices of the outliers, worst first, and what the others let expect at each reading, (n,).

    design (n, k) with non-negative coefficients and readings (n,), both weighted so that the scatter is even and
    not smaller than one (the last digit written). gross: (n,), deviations that are small change below it.
    owners: of the columns, where they have any.
    """
    most = max(1, int(MOST_SHARE * len(readings)))
    peeled: list[int] = []  # one bad reading can bend the curve under its neighbours: take the worst, look again
    while len(peeled) < most:
        rest = np.setdiff1d(np.arange(len(readings)), peeled)
        found, expected = _confirmed(design, readings, gross, rest, owners)
        if len(found) + len(peeled) <= most:
            return np.array([*peeled, *found], dtype=np.int64), expected
        peeled.append(int(found[0]))
    return np.array([], dtype=np.int64), design @ _robust_fit(design, readings, owners)


def _confirmed(
    design: FloatArray, readings: FloatArray, gross: FloatArray, rest: NDArray[np.int64], owners: Owners
) -> tuple[NDArray[np.int64], FloatArray]:
    """Those suspects among `rest` that all others contradict, worst first, and the fit of the others, (n,)."""
    fit = design @ _robust_fit(design[rest], readings[rest], owners)
    residuals = np.abs(readings - fit)[rest]
    size = max(_robust_size(residuals), 1.0)
    suspects = rest[residuals > np.maximum(SUSPICIOUS * size, gross[rest])]
    while len(suspects):
        t, critical, expected = _against_the_rest(design, readings, suspects, rest, owners)
        sure = np.abs(t) > critical
        if sure.all():
            return suspects[np.argsort(-np.abs(t))], expected
        suspects = suspects[sure]
    return suspects, fit


def _against_the_rest(
    design: FloatArray,
    readings: FloatArray,
    suspects: NDArray[np.int64],
    among: NDArray[np.int64],
    owners: Owners = (),
) -> tuple[FloatArray, float, FloatArray]:
    """Student's t of each suspect against the fit of all other readings, the critical value, and that fit, (n,)."""
    from scipy.special import stdtrit

    rest = np.setdiff1d(among, suspects)
    blocks = Blocks(design[rest], owners)
    values = blocks.sparse(readings[rest])
    used, expected = values > 0, design @ values
    dof = max(len(rest) - int(used.sum()), 1)
    size = max(float(np.linalg.norm((readings - expected)[rest])) / np.sqrt(dof), 1.0)
    half = np.linalg.pinv(blocks.design[:, used])
    leverage = np.sum((design[suspects][:, used] / blocks.scale[used] @ half) ** 2, axis=1)
    t = (readings[suspects] - expected[suspects]) / (size * np.sqrt(1 + leverage))
    return t, float(stdtrit(dof, 1 - FALSE_ALARM / (2 * len(readings)))), expected


def _robust_fit(design: FloatArray, readings: FloatArray, owners: Owners) -> FloatArray:
    """Non-negative coefficients by iterated reweighting with the bisquare, shape (k,)."""
    weight = np.ones(len(readings))
    for step in range(STEPS):
        values = Blocks(design * weight[:, None], owners).sparse(readings * weight)
        residuals = readings - design @ values
        size = _robust_size(residuals)
        if size == 0:
            break
        far = np.abs(residuals) / (BISQUARE * size)
        # The first steps bend to absolute deviations: the bisquare alone may settle on a wrong curve.
        bisquare = np.maximum(1 - far**2, 1e-3)
        weight = np.asarray(1 / np.sqrt(np.maximum(far, 0.1)) if step < STEPS // 3 else bisquare)
    return values


def _robust_size(residuals: FloatArray) -> float:
    return float(NORMAL_MAD * np.median(np.abs(residuals)))


def _plausible_patterns(power: FloatArray, residuals: FloatArray) -> list[Pattern]:
    """Ways the scatter may grow, likeliest first, under a Laplace likelihood without the suspects of every pattern."""
    reference = float(np.median(np.abs(power))) or 1.0
    ratios = {share: np.abs(residuals) / Pattern(share, reference)(power) for share in SHARES}
    usual = np.any([ratio <= SUSPICIOUS * _robust_size(ratio) for ratio in ratios.values()], axis=0)

    def badness(share: float) -> float:
        mean = float(np.mean(ratios[share][usual]))
        sigma = Pattern(share, reference)(power[usual])
        return float(usual.sum() * np.log(max(mean, 1e-300)) + np.log(sigma).sum())

    ranked = sorted(SHARES, key=badness)
    return [Pattern(share, reference) for share in ranked if badness(share) < badness(ranked[0]) + PLAUSIBLE]


def _droppable(readings: Readings, found: NDArray[np.int64]) -> Iterator[int]:
    """Those outliers that leave enough readings on their rung, worst first."""
    left: dict[tuple[str, str], int] = {}
    for i in found:
        rung = (str(readings.stage[i]), str(readings.cylinder[i]))
        mine = (readings.stage == rung[0]) & (readings.cylinder == rung[1])
        left.setdefault(rung, int(mine.sum()))
        if left[rung] > LEAST_LEFT:
            left[rung] -= 1
            yield int(i)


def _sentence(readings: Readings, i: int, likely: float, *, left_out: bool) -> Finding:
    """likely: what the meter would have read by all other readings. [W]"""
    off = float(readings.power[i]) - likely
    done = "left out; correct it, or use --keep-all" if left_out else "kept; correct it if it is a slip"
    slip = likely_slip(float(readings.power[i]), likely)
    text = (
        f"{readings.where(i)}: {readings.power[i]:g} W at {readings.typed[i]} lies {abs(off):.2g} W "
        f"{'above' if off > 0 else 'below'} what the other readings let expect{slip}; {done}."
    )
    return Finding("outlier", text, str(readings.file[i]), int(readings.line[i]), off, left_out)


def likely_slip(written: float, expected: float) -> str:
    """Words on the slip of the pen that would explain a reading, or none.

    >>> likely_slip(32.08, 23.1)
    ' (digits transposed? 23.08)'
    >>> likely_slip(231.0, 23.2)
    ' (decimal point? 23.1)'
    """
    close = 0.03 * abs(expected)
    for moved in (written / 10, written * 10):
        if abs(moved - expected) < close:
            return f" (decimal point? {moved:g})"
    text = f"{written:g}"
    for i in range(len(text) - 1):
        swapped = text[:i] + text[i + 1] + text[i] + text[i + 2 :]
        if swapped.replace(".", "").isdigit() and "." not in text[i : i + 2] and abs(float(swapped) - expected) < close:
            return f" (digits transposed? {swapped})"
    return ""
