"""The polynomial family: one curve for each sweep, its degree chosen by AICc and averaged over close rivals."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from driveloss.bench.records import FloatArray
from driveloss.fit.curves import PolynomialCurves, SweepCurve, legendre_design
from driveloss.fit.family import FamilyFit, TermReport, judge, scatter_draws, t_interval, without_itself
from driveloss.fit.ladder import Ladder, ladder_power
from driveloss.fit.least_squares import Solution, linear_fit
from driveloss.fit.meters import Meters, stream
from driveloss.fit.readings import Rung, by_rung
from driveloss.fit.scatter import Pattern, Scatter, choose_pattern, draw_scatter, least_size
from driveloss.fit.selection import Candidate, aicc, assign, weighted

DEGREES = (1, 2, 3, 4)


def polynomial_fit(
    x: FloatArray, y: FloatArray, degree: int, sigma: FloatArray | None = None, intercept: bool = True
) -> Solution:
    """Fit y = b0 + b1 x + ... + b_degree x^degree through lmfit; without intercept from b1 on.

    x, y: shape (n,). sigma: (n,), relative. Coefficients are those of the raw powers, lowest first.
    >>> polynomial_fit(np.array([1.0, 2.0, 3.0]), np.array([3.0, 5.0, 7.0]), 1).coefficients.round(9).tolist()
    [1.0, 2.0]
    """
    return linear_fit(np.vander(x, degree + 1, increasing=True)[:, 0 if intercept else 1 :], y, sigma)


@dataclass(frozen=True)
class _Group:
    """The readings of one sweep (repeats at one stage, cylinder and pressure together)."""

    rung: Rung
    rows: NDArray[np.int64]  # (n,) places in the ladder
    frequency: FloatArray

    @property
    def degrees(self) -> list[int]:
        """Degrees that the distinct frequencies and the number of readings allow; zero where there is one frequency."""
        distinct = len(np.unique(self.frequency))
        allowed = [d for d in DEGREES if d < distinct and len(self.rows) >= d + 2]
        return allowed or [min(1, distinct - 1)]

    def design(self, degree: int) -> FloatArray:
        return legendre_design(self.frequency, self.frequency.min(), self.frequency.max(), degree)


def fit_polynomial(
    ladder: Ladder, meters: Meters, standby: FloatArray, seed: int, active: Collection[str]
) -> FamilyFit:
    """Fit one polynomial a sweep and resample it. `standby`: (1 + draws,) [W]; `active`: the sources at work."""
    power = ladder_power(ladder, meters.as_stated(), standby[:1])[:, 0]
    groups = _groups(ladder)
    pattern = _pattern(ladder, groups, power)
    sigma = pattern(ladder.readings.power)
    least = max(least_size(ladder.readings, pattern), 1e-9 * pattern.reference)
    choices = [_choices(group, power, sigma, least) for group in groups]
    dof = max(sum(len(g.rows) - c[0].parameters for g, c in zip(groups, choices, strict=True)), 1)
    size = max(float(np.sqrt(sum(c[0].rss for c in choices) / dof)), least)
    rng = stream(seed, "polynomial")
    draws = meters.size - 1
    noise = scatter_draws(np.full(draws, size), np.full(draws, dof), rng, "noise" in active)
    scatter = rng.standard_normal((len(power), meters.size)) * sigma[:, None] * noise
    drawn = ladder_power(ladder, meters, standby) + scatter
    curves = tuple(_curve(g, c, drawn, sigma, rng, active) for g, c in zip(groups, choices, strict=True))
    residuals = _residuals(groups, choices, power)
    spread = draw_scatter(pattern, ladder.readings.power, residuals, noise, ladder.loaded, rng)
    return _report(ladder, groups, choices, PolynomialCurves(curves), power, pattern, spread, size, dof)


def _residuals(groups: list[_Group], choices: list[list[Candidate]], power: FloatArray) -> FloatArray:
    """What the best degrees leave over, shape (n,). [W]"""
    residuals = np.zeros(len(power))
    for group, kept in zip(groups, choices, strict=True):
        residuals[group.rows] = power[group.rows] - group.design(kept[0].parameters - 1) @ kept[0].coefficients
    return residuals


def _groups(ladder: Ladder) -> list[_Group]:
    readings = ladder.readings
    return [_Group(rung, rows, readings.frequency[rows]) for rung, rows in by_rung(readings)]


def _pattern(ladder: Ladder, groups: list[_Group], power: FloatArray) -> Pattern:
    """How the scatter grows, from the residuals of the highest degree that each sweep allows (at most a cubic)."""
    residuals = np.zeros(len(power))
    for group in groups:
        design = group.design(min(group.degrees[-1], 3))
        best, *_ = np.linalg.lstsq(design, power[group.rows], rcond=None)
        residuals[group.rows] = power[group.rows] - design @ best
    return choose_pattern(ladder.readings.power, residuals)


def _choices(group: _Group, power: FloatArray, sigma: FloatArray, least: float) -> list[Candidate]:
    """The degrees worth keeping, best first, with their Akaike weights."""
    candidates = []
    for degree in group.degrees:
        design = group.design(degree) / sigma[group.rows, None]
        best = np.asarray(np.linalg.lstsq(design, power[group.rows] / sigma[group.rows], rcond=None)[0], dtype=float)
        rss = float(np.sum((power[group.rows] / sigma[group.rows] - design @ best) ** 2))
        score = aicc(max(rss, len(group.rows) * least**2), len(group.rows), degree + 1)
        candidates.append(Candidate(tuple(range(degree + 1)), best, rss, degree + 1, score))
    return weighted(candidates)


def _curve(
    group: _Group,
    choices: list[Candidate],
    drawn: FloatArray,
    sigma: FloatArray,
    rng: np.random.Generator,
    active: Collection[str],
) -> SweepCurve:
    kept = choices if "terms" in active else weighted(choices[:1])
    member = assign([c.weight for c in kept], drawn.shape[1] - 1, rng)
    coefficients = np.zeros((max(c.parameters for c in kept), drawn.shape[1]))
    weight = 1 / sigma[group.rows, None]
    for index, candidate in enumerate(kept):
        draws = 1 + np.flatnonzero(member == index)
        design = group.design(candidate.parameters - 1) * weight
        solved = np.linalg.pinv(design) @ (drawn[np.ix_(group.rows, draws)] * weight)
        coefficients[: candidate.parameters, draws] = solved
        coefficients[: candidate.parameters, 0] += candidate.weight * candidate.coefficients
    low, high = float(group.frequency.min()), float(group.frequency.max())
    rung = group.rung
    return SweepCurve(rung.stage, rung.cylinder, rung.mean_pressure or 0.0, low, high, coefficients)


def _report(
    ladder: Ladder,
    groups: list[_Group],
    choices: list[list[Candidate]],
    curves: PolynomialCurves,
    power: FloatArray,
    pattern: Pattern,
    scatter: Scatter,
    size: float,
    dof: int,
) -> FamilyFit:
    sigma = pattern(ladder.readings.power)
    residuals, alone, terms = _residuals(groups, choices, power), np.zeros(len(power)), []
    for group, kept in zip(groups, choices, strict=True):
        rows, degree = group.rows, kept[0].parameters - 1
        alone[rows] = without_itself(group.design(degree) / sigma[rows, None], residuals[rows])
        terms += _term_reports(group, degree, power[rows], sigma[rows], size, dof)
    parameters = sum(kept[0].parameters for kept in choices)
    score = aicc(max(float(np.sum((residuals / sigma) ** 2)), 1e-300), len(power), parameters)
    quality = judge(ladder.readings, pattern, residuals, alone, parameters, aicc=score, scatter=size, dof=dof)
    return FamilyFit("polynomial", curves, tuple(terms), quality, residuals, scatter)


def _term_reports(
    group: _Group, degree: int, power: FloatArray, sigma: FloatArray, size: float, dof: int
) -> list[TermReport]:
    """Coefficients of the raw powers of frequency, with the scatter pooled over all sweeps."""
    fit = polynomial_fit(group.frequency, power, degree, sigma)
    scale = size / fit.residual_sd if fit.residual_sd and np.isfinite(fit.residual_sd) else 0.0
    name = group.rung.stage if group.rung.cylinder is None else str(group.rung)
    units = ["W", "W/Hz"] + [f"W/Hz^{j}" for j in range(2, degree + 1)]
    rows = zip(fit.coefficients, fit.errors * scale, units, strict=False)
    return [
        TermReport(f"{name}: b{j}", unit, t_interval(float(b), float(u), dof)) for j, (b, u, unit) in enumerate(rows)
    ]
