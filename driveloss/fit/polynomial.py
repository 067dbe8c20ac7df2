"""The polynomial family: one curve for each sweep, its degree chosen by AICc and averaged over close rivals."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from driveloss.bench.records import FloatArray
from driveloss.fit.curves import PolynomialCurves, SweepCurve, legendre_design
from driveloss.fit.family import FamilyFit, TermReport, judge, scatter_draws, t_interval, without_itself
from driveloss.fit.ladder import Ladder, ladder_power
from driveloss.fit.least_squares import linear_fit
from driveloss.fit.meters import Meters, Sampler, stream
from driveloss.fit.readings import Rung, by_rung
from driveloss.fit.scatter import Pattern, Scatter, choose_pattern, draw_scatter, least_size, relative_scatter
from driveloss.fit.selection import Candidate, aicc, assign, weighted
from driveloss.fit.sweeps import Sweeps, between_sweeps

DEGREES = (1, 2, 3, 4)


@dataclass(frozen=True)
class _Group:
    """The readings of one sweep (repeats at one stage, cylinder and pressure together)."""

    rung: Rung
    rows: NDArray[np.int64]  # (n,) places in the ladder
    frequency: FloatArray
    choices: tuple[Candidate, ...] = ()  # degrees worth keeping, best first, with their Akaike weights

    @property
    def degrees(self) -> list[int]:
        """Degrees that the distinct frequencies and the number of readings allow; zero where there is one frequency."""
        distinct = len(np.unique(self.frequency))
        allowed = [d for d in DEGREES if d < distinct and len(self.rows) >= d + 2]
        return allowed or [min(1, distinct - 1)]

    @property
    def best(self) -> Candidate:
        return self.choices[0]

    def design(self, parameters: int) -> FloatArray:
        return legendre_design(self.frequency, self.frequency.min(), self.frequency.max(), parameters - 1)


@dataclass(frozen=True)
class _Problem:
    """The best-estimate readings, sweep by sweep."""

    ladder: Ladder
    power: FloatArray  # (n,) [W]
    pattern: Pattern
    sigma: FloatArray  # (n,) relative scatter
    groups: tuple[_Group, ...]
    sweeps: Sweeps

    def weighed(self, rows: NDArray[np.int64], values: FloatArray) -> FloatArray:
        """Values (m,) or (m, k) [W] of a group's rows with all readings made alike in scatter, and independent."""
        whole = np.zeros((len(self.power), *values.shape[1:]))
        whole[rows] = values
        return self.sweeps.whitened(whole, self.sigma)[rows]

    @property
    def least(self) -> float:
        """The scatter that the last digits alone explain. [W]"""
        return max(least_size(self.ladder.readings, self.pattern), 1e-9 * self.pattern.reference)

    @property
    def parameters(self) -> int:
        return sum(group.best.parameters for group in self.groups)

    def scatter(self) -> tuple[float, int]:
        """Scatter of one reading of unit weight [W], pooled over the sweeps, and its degrees of freedom."""
        dof = max(len(self.power) - self.parameters, 1)
        return max(float(np.sqrt(sum(group.best.rss for group in self.groups) / dof)), self.least), dof

    def residuals(self) -> FloatArray:
        """What the best degrees leave over, (n,). [W]"""
        residuals = np.zeros(len(self.power))
        for group in self.groups:
            fitted = group.design(group.best.parameters) @ group.best.coefficients
            residuals[group.rows] = self.power[group.rows] - fitted
        return residuals


def fit_polynomial(ladder: Ladder, meters: Meters, standby: FloatArray, sampler: Sampler) -> FamilyFit:
    """Fit one polynomial a sweep and resample it. `standby`: (1 + draws,) [W]."""
    problem = _pose(ladder, ladder_power(ladder, meters.as_stated(), standby[:1])[:, 0])
    rng, draws = stream(sampler.seed, "polynomial"), meters.size - 1
    size, dof = problem.scatter()
    noise = scatter_draws(np.full(draws, size), np.full(draws, dof), rng, active="noise" in sampler.active)
    scatter = rng.standard_normal((len(problem.power), meters.size)) * problem.sigma[:, None] * noise
    if "noise" in sampler.active:
        scatter += problem.sweeps.draws(stream(sampler.seed, "sweeps"), meters.size)
    drawn = ladder_power(ladder, meters, standby) + scatter
    rivals = None if "terms" in sampler.active else 1
    curves = tuple(
        _curve(problem, group, weighted(group.choices[:rivals]), drawn[group.rows], rng) for group in problem.groups
    )
    left = problem.residuals() - problem.sweeps.offset
    spread = draw_scatter(problem.pattern, ladder, left, noise, rng, meters.as_stated())
    return _report(problem, PolynomialCurves(curves), spread)


def _pose(ladder: Ladder, power: FloatArray) -> _Problem:
    """Weigh the readings, power (n,) [W], and find the degrees that each sweep supports."""
    readings = ladder.readings
    groups = tuple(_Group(rung, rows, readings.frequency[rows]) for rung, rows in by_rung(readings))
    sweeps = between_sweeps(readings, power)
    pattern, sigma = _scatter(ladder, groups, power - sweeps.offset)
    problem = _Problem(ladder, power, pattern, sigma, groups, sweeps)
    return replace(problem, groups=tuple(replace(group, choices=_choices(problem, group)) for group in groups))


def _scatter(ladder: Ladder, groups: Sequence[_Group], power: FloatArray) -> tuple[Pattern, FloatArray]:
    """How the scatter grows, and each reading's (n,): from what the highest degrees (at most cubics) leave over."""
    residuals = np.zeros(len(power))
    for group in groups:
        design = group.design(min(group.degrees[-1], 3) + 1)
        best, *_ = np.linalg.lstsq(design, power[group.rows], rcond=None)
        residuals[group.rows] = power[group.rows] - design @ best
    pattern = choose_pattern(ladder.readings.power, residuals)
    return pattern, relative_scatter(pattern, ladder.readings, residuals)


def _choices(problem: _Problem, group: _Group) -> tuple[Candidate, ...]:
    """The degrees of one sweep worth keeping."""
    candidates = []
    n, weighed = len(group.rows), problem.weighed(group.rows, problem.power[group.rows])
    for parameters in (degree + 1 for degree in group.degrees):
        design = problem.weighed(group.rows, group.design(parameters))
        best = np.asarray(np.linalg.lstsq(design, weighed, rcond=None)[0], dtype=float)
        rss = float(np.sum((weighed - design @ best) ** 2))
        score = aicc(max(rss, n * problem.least**2), n, parameters)
        candidates.append(Candidate(tuple(range(parameters)), best, rss, parameters, score))
    return tuple(weighted(candidates))


def _curve(
    problem: _Problem, group: _Group, kept: Sequence[Candidate], drawn: FloatArray, rng: np.random.Generator
) -> SweepCurve:
    """Every draw refitted with one of the degrees kept; drawn: (n, 1 + draws) of the group's rows. [W]"""
    member = assign([c.weight for c in kept], drawn.shape[1] - 1, rng)
    coefficients = np.zeros((max(c.parameters for c in kept), drawn.shape[1]))
    weighed = problem.weighed(group.rows, drawn)
    for index, candidate in enumerate(kept):
        draws = 1 + np.flatnonzero(member == index)
        solved = np.linalg.pinv(problem.weighed(group.rows, group.design(candidate.parameters))) @ weighed[:, draws]
        coefficients[: candidate.parameters, draws] = solved
        coefficients[: candidate.parameters, 0] += candidate.weight * candidate.coefficients
    low, high = float(group.frequency.min()), float(group.frequency.max())
    rung = group.rung
    return SweepCurve(rung.stage, rung.cylinder, rung.mean_pressure or 0.0, low, high, coefficients)


def _report(problem: _Problem, curves: PolynomialCurves, scatter: Scatter) -> FamilyFit:
    sigma, (size, dof), parameters = problem.sigma, problem.scatter(), problem.parameters
    residuals, alone, terms = problem.residuals(), np.zeros(len(problem.power)), []
    for group in problem.groups:
        rows, design = group.rows, group.design(group.best.parameters)
        alone[rows] = without_itself(design / sigma[rows, None], residuals[rows])
        terms += _term_reports(problem, group)
    score = aicc(max(sum(group.best.rss for group in problem.groups), 1e-300), len(residuals), parameters)
    fit = residuals, alone, parameters, problem.sweeps
    quality = judge(problem.ladder.readings, problem.pattern, sigma, *fit, aicc=score, scatter=size, dof=dof)
    return FamilyFit("polynomial", curves, tuple(terms), quality, residuals, scatter)


def _term_reports(problem: _Problem, group: _Group) -> list[TermReport]:
    """Coefficients of the raw powers of frequency, with the scatter pooled over all sweeps."""
    (size, dof), degree = problem.scatter(), group.best.parameters - 1
    raw = np.vander(group.frequency, degree + 1, increasing=True)
    fit = linear_fit(problem.weighed(group.rows, raw), problem.weighed(group.rows, problem.power[group.rows]))
    scale = size / fit.residual_sd if fit.residual_sd and np.isfinite(fit.residual_sd) else 0.0
    name = group.rung.stage if group.rung.cylinder is None else str(group.rung)
    units = ["W", "W/Hz"] + [f"W/Hz^{j}" for j in range(2, degree + 1)]
    rows = zip(fit.coefficients, fit.errors * scale, units, strict=False)
    return [
        TermReport(f"{name}: b{j}", unit, t_interval(float(b), float(u), dof)) for j, (b, u, unit) in enumerate(rows)
    ]
