"""The physical family: one joint non-negative fit over every rung, averaged over the sets of terms that fit."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

from driveloss.bench.records import FloatArray
from driveloss.fit.curves import PhysicalCurves
from driveloss.fit.estimate import Estimate, estimate
from driveloss.fit.family import (
    FamilyFit,
    Rival,
    TermReport,
    judge,
    scatter_draws,
    t_interval,
    without_itself,
)
from driveloss.fit.ladder import Ladder, ladder_power
from driveloss.fit.laws import Term, offered_terms, shape
from driveloss.fit.least_squares import Solution, curve_fit, linear_fit, nonnegative
from driveloss.fit.meters import Meters, Sampler, stream
from driveloss.fit.scatter import Pattern, choose_pattern, draw_scatter, least_size, relative_scatter
from driveloss.fit.selection import Candidate, Search, assign, weighted
from driveloss.fit.sweeps import Sweeps, between_sweeps

IDLE_PASSES = 30  # at most, in finding an idle power that the motor current in turn depends on
IDLE_SETTLED = 1e-9  # of the largest input power
IDLE_SETTLED_DRAWS = 1e-5
FASTEST_STRIBECK = 5.0  # times the fastest speed tried: beyond it the term is but a Coulomb force
LEAST_SPARE = 6  # readings to spare from which the scatter of the full set is trusted
ALIKE = 0.98  # correlation of two coefficients beyond which the readings do not tell them apart


@dataclass(frozen=True)
class Offer:
    """Columns that a draw may use, the share of draws that do, and the best candidate among those it serves."""

    columns: NDArray[np.int64]
    weight: float
    candidate: Candidate


@dataclass(frozen=True)
class Problem:
    """The weighted joint fit of the best-estimate readings."""

    ladder: Ladder
    terms: tuple[Term, ...]
    design: FloatArray  # (n, terms) [W per unit coefficient]
    power: FloatArray  # (n,) [W]
    pattern: Pattern
    sigma: FloatArray  # (n,) relative scatter
    candidates: tuple[Candidate, ...]  # best first, weights adding up to one
    least_rss: float  # what the readings' last digits alone leave over
    sweeps: Sweeps  # and how far they are off from one another

    def weighed(self, values: FloatArray) -> FloatArray:
        """Values (n,) or (n, k) [W] with all readings made alike in scatter, and independent."""
        return self.sweeps.whitened(values, self.sigma)

    def searched(self) -> Problem:
        """The same with the sets of terms that the readings support, weighted."""
        search = Search(self.terms, self.weighed(self.design), self.weighed(self.power), self.least_rss)
        return replace(self, candidates=tuple(search.rivals(search.best())))

    def with_fitted_speeds(self) -> Problem:
        """The same with each chosen Stribeck speed where lmfit finds it beside the coefficients, not on the grid."""
        fitted = fit_speeds(self)
        if not fitted:
            return self
        terms = tuple(
            replace(t, stribeck_speed=fitted[j].value) if j in fitted else t for j, t in enumerate(self.terms)
        )
        return replace(self, terms=terms, design=joint_design(self.ladder, terms))

    @property
    def n(self) -> int:
        return len(self.power)

    @property
    def best(self) -> Candidate:
        return self.candidates[0]

    def offers(self, *, rivals: bool = True) -> list[Offer]:
        """The laws that draws may use, with their weights: one offer for each choice of Stribeck terms.

        The choice of terms must not make the curves look better known than they are, so a draw refits all
        smooth laws beside a candidate's Stribeck term, and NNLS keeps those that the draw supports.
        """
        found: dict[tuple[int, ...], Offer] = {}
        for c in weighted(self.candidates if rivals else self.candidates[:1]):
            columns = tuple(j for j, t in enumerate(self.terms) if t.kind != "stribeck" or j in c.columns)
            before = found.get(columns)
            if before is None:
                found[columns] = Offer(np.array(columns), c.weight, c)
            else:
                found[columns] = replace(before, weight=before.weight + c.weight)
        return list(found.values())

    @cached_property
    def _reduced(self) -> tuple[list[int], FloatArray, FloatArray]:
        """All that any offer uses: its columns, and weighed readings rotated onto them (Q), where they are R.

        One factorisation serves the hundreds of offers that many seals make; what it rotates away fits no law.
        """
        used = sorted({int(j) for offer in self.offers() for j in offer.columns})
        Q, R = np.linalg.qr(self.weighed(self.design[:, used]))
        return used, Q, R

    def _of(self, offer: Offer) -> FloatArray:
        """An offer's laws as `_reduced` has them."""
        used, _, R = self._reduced
        return R[:, np.searchsorted(used, offer.columns)]

    def solve(self, offer: Offer, power: FloatArray) -> FloatArray:
        """Non-negative coefficients of an offer for power (n, m) [W]: (columns, m)."""
        return nonnegative(self._of(offer), self._reduced[1].T @ self.weighed(power))

    def scatter(self, offer: Offer) -> tuple[float, int]:
        """Scatter of one reading of unit weight [W] and its degrees of freedom.

        From the residuals of all laws offered, signs free: choosing among them cannot shrink it. Where that
        leaves too few readings to spare, from the candidate's own.
        """
        power, Q = self.weighed(self.power), self._reduced[1]
        rotated = Q.T @ power
        left, rank = _residual_square(self._of(offer), rotated)
        left, spare = left + float(np.sum((power - Q @ rotated) ** 2)), self.n - rank
        if spare < LEAST_SPARE:
            left, spare = offer.candidate.rss, max(self.n - offer.candidate.parameters, 1)
        return float(np.sqrt(max(left, self.least_rss * spare / self.n) / spare)), spare

    def coefficients(self, candidate: Candidate) -> FloatArray:
        """All coefficients, zero for terms that are not in the set; shape (terms,)."""
        full = np.zeros(len(self.terms))
        full[list(candidate.columns)] = candidate.coefficients
        return full


def fit_physical(ladder: Ladder, meters: Meters, standby: FloatArray, sampler: Sampler) -> FamilyFit:
    """Fit the joint family and resample it. `standby`: (1 + draws,) [W]."""
    problem = pose(ladder, meters.as_stated(), standby[:1])
    rng = stream(sampler.seed, "physical")
    offers = problem.offers(rivals="terms" in sampler.active)
    member = assign([offer.weight for offer in offers], meters.size - 1, rng)
    sizes, dofs = np.array([problem.scatter(offer) for offer in offers])[member].T
    noise = scatter_draws(sizes, dofs.astype(np.int64), rng, active="noise" in sampler.active)
    scatter = rng.standard_normal((problem.n, meters.size)) * problem.sigma[:, None] * noise
    if "noise" in sampler.active:
        scatter += problem.sweeps.draws(stream(sampler.seed, "sweeps"), meters.size)
    served = [(offer, 1 + np.flatnonzero(member == index)) for index, offer in enumerate(offers)]
    coefficients = _resample(problem, served, meters, standby, scatter)
    for offer in offers:
        coefficients[offer.columns, 0] += offer.weight * problem.solve(offer, problem.power[:, None])[:, 0]
    curves = PhysicalCurves(ladder.rig, problem.terms, coefficients)
    return _report(problem, curves, noise, rng, meters.as_stated())


def _residual_square(design: FloatArray, readings: FloatArray) -> tuple[float, int]:
    """Sum of squares that a least-squares fit (n, k) leaves, and its rank."""
    scaled = design / np.linalg.norm(design, axis=0)
    _, _, rank, _ = solution = np.linalg.lstsq(scaled, readings, rcond=1e-9)
    return float(np.sum((readings - scaled @ solution[0]) ** 2)), int(rank)


def pose(ladder: Ladder, stated: Meters, standby: FloatArray) -> Problem:
    """Weigh the readings, find the terms they support. `stated`: the meters as stated; `standby`: (1,) [W]."""
    readings = ladder.readings
    offered = offered_terms(ladder.rig, ladder.scope)
    terms = tuple(t for t, column in zip(offered, joint_design(ladder, offered).T, strict=True) if column.any())
    design = joint_design(ladder, terms)
    power = _best_power(ladder, stated, standby, terms, design)
    sweeps = between_sweeps(readings, power)
    first = nonnegative(design, power[:, None])[:, 0]
    left = power - sweeps.offset - design @ first
    pattern = choose_pattern(readings.power, left)
    least_rss = len(power) * max(least_size(readings, pattern) ** 2, (1e-9 * pattern.reference) ** 2)
    sigma = relative_scatter(pattern, readings, left)
    problem = Problem(ladder, terms, design, power, pattern, sigma, (), least_rss, sweeps)
    searched = problem.searched()
    refined = searched.with_fitted_speeds()
    return refined.searched() if refined is not searched else searched


def joint_design(ladder: Ladder, terms: Sequence[Term]) -> FloatArray:
    """Power of each term with coefficient one in each reading, shape (n, terms)."""
    readings = ladder.readings
    pressure = np.nan_to_num(readings.mean_pressure)
    turns = dict.fromkeys(("idle", "motor", "drive"), np.ones(len(readings), dtype=bool))
    turns["linkage"] = readings.stage != "motor-alone"
    columns = []
    for term in terms:
        inside = readings.cylinder == term.cylinder if term.part == "seal" else turns[term.part]
        columns.append(np.where(inside, shape(ladder.rig, term, readings.frequency, pressure), 0.0))
    return np.column_stack(columns)


def _best_power(
    ladder: Ladder, stated: Meters, standby: FloatArray, terms: Sequence[Term], design: FloatArray
) -> FloatArray:
    """Shaft-side power of the stated readings, shape (n,); an unknown idle power is found on the way. [W]"""
    idle = standby
    power = ladder_power(ladder, stated, idle)[:, 0]
    if ladder.scope.idle:
        column = [term.part for term in terms].index("idle")
        for _ in range(IDLE_PASSES):
            before, idle = idle, nonnegative(design, power[:, None])[column]
            power = ladder_power(ladder, stated, idle)[:, 0]
            if abs(idle - before).max() <= IDLE_SETTLED * ladder.readings.power.max():
                break
    return power


Served = list[tuple[Offer, NDArray[np.int64]]]


def _resample(problem: Problem, served: Served, meters: Meters, standby: FloatArray, scatter: FloatArray) -> FloatArray:
    """Refit the draws that each offer serves: (terms, 1 + draws), the first column left at zero."""
    ladder, idle = problem.ladder, ladder_idle(problem, standby)
    for _ in range(IDLE_PASSES):
        power = ladder_power(ladder, meters, idle) + scatter
        coefficients = np.zeros((len(problem.terms), meters.size))
        for offer, draws in served:
            coefficients[np.ix_(offer.columns, draws)] = problem.solve(offer, power[:, draws])
        before, idle = idle, _idle_row(problem, coefficients) if ladder.scope.idle else idle
        if abs(idle - before)[1:].max() <= IDLE_SETTLED_DRAWS * ladder.readings.power.max():
            break
    return coefficients


def ladder_idle(problem: Problem, standby: FloatArray) -> FloatArray:
    """Standby power that the motor current is reckoned from, shape (1 + draws,). [W]"""
    if not problem.ladder.scope.idle:
        return standby
    return np.full_like(standby, problem.coefficients(problem.best)[[t.part for t in problem.terms].index("idle")])


def _idle_row(problem: Problem, coefficients: FloatArray) -> FloatArray:
    return np.asarray(coefficients[[term.part for term in problem.terms].index("idle")])


def _report(
    problem: Problem, curves: PhysicalCurves, noise: FloatArray, rng: np.random.Generator, stated: Meters
) -> FamilyFit:
    best, sweeps, pattern = problem.best, problem.sweeps, problem.pattern
    scatter, dof = problem.scatter(problem.offers()[0])
    design = problem.design[:, list(best.columns)]
    residuals = problem.power - design @ best.coefficients
    alone = without_itself(design / problem.sigma[:, None], residuals)
    solution = _chosen(problem)
    return FamilyFit(
        name="physical",
        curves=curves,
        terms=_term_reports(problem, solution, curves),
        quality=judge(
            problem.ladder.readings,
            pattern,
            problem.sigma,
            residuals,
            alone,
            best.parameters,
            sweeps,
            aicc=best.aicc,
            scatter=scatter,
            dof=dof,
        ),
        residuals=residuals,
        scatter=draw_scatter(pattern, problem.ladder, residuals - sweeps.offset, noise, rng, stated),
        rivals=_rivals(problem),
        notes=(*_dropped(problem), *_alike(problem, solution)),
        problem=problem,
    )


def _chosen(problem: Problem) -> Solution:
    """The chosen set's coefficients and their covariance through lmfit."""
    return linear_fit(problem.weighed(problem.design[:, list(problem.best.columns)]), problem.weighed(problem.power))


def _term_reports(problem: Problem, solution: Solution, curves: PhysicalCurves) -> tuple[TermReport, ...]:
    """The chosen set's coefficients; the idle power as every answer has it, averaged over the laws offered."""
    size, dof = problem.scatter(problem.offers()[0])
    scale = size / solution.residual_sd if solution.residual_sd > 0 else 1.0
    reports = []
    for j, value, u in zip(problem.best.columns, problem.best.coefficients, solution.errors, strict=True):
        term = problem.terms[j]
        found = estimate(curves.idle()) if term.part == "idle" else None
        found = found or t_interval(float(value), float(u * scale), dof, 0.0)
        reports.append(TermReport(term.label, term.law.unit, found))
    for j, speed in fit_speeds(problem).items():
        reports.append(TermReport(f"seal '{problem.terms[j].cylinder}': Stribeck speed", "m/s", speed))
    return tuple(reports)


def fit_speeds(problem: Problem) -> dict[int, Estimate]:
    """Each chosen Stribeck speed, by column, fitted by lmfit beside all coefficients. [m/s]

    Coefficients stay above zero, speeds within what the readings reach; a speed that runs to its bound is left out.
    """
    found = {}
    for column in problem.best.columns:
        if problem.terms[column].kind == "stribeck":
            fit = _free_speed(problem, column)
            if fit.converged:
                speed, u = float(fit.coefficients[-1]), float(fit.errors[-1])
                found[column] = t_interval(speed, u, max(fit.dof, 1), 0.0)
    return found


def _free_speed(problem: Problem, column: int) -> Solution:
    """The chosen set with one Stribeck speed freed, the last of the coefficients."""
    term, ladder = problem.terms[column], problem.ladder
    chosen = [j for j, b in zip(problem.best.columns, problem.best.coefficients, strict=True) if b > 0 or j == column]
    inside = ladder.readings.cylinder == term.cylinder
    pressure = np.nan_to_num(ladder.readings.mean_pressure)

    @lru_cache(maxsize=8)  # the slopes in all coefficients are wanted at one speed
    def moved(speed: float) -> FloatArray:
        free = replace(term, stribeck_speed=speed)
        return np.where(inside, shape(ladder.rig, free, ladder.readings.frequency, pressure), 0.0)

    def model(p: Mapping[str, float]) -> FloatArray:
        columns = [moved(p["speed"]) if j == column else problem.design[:, j] for j in chosen]
        return sum((p[f"b{j}"] * c for j, c in zip(chosen, columns, strict=True)), np.zeros(problem.n))

    known = dict(zip(problem.best.columns, problem.best.coefficients, strict=True))
    start = {**{f"b{j}": float(known[j]) for j in chosen}, "speed": term.stribeck_speed}
    fastest = FASTEST_STRIBECK * max(t.stribeck_speed for t in problem.terms)
    bounds = {**{f"b{j}": (0.0, np.inf) for j in chosen}, "speed": (1e-3 * term.stribeck_speed, fastest)}
    return curve_fit(model, start, problem.power, problem.sigma, bounds)


def _rivals(problem: Problem) -> tuple[Rival, ...]:
    """Rivals with what each would change in the total no-load loss at the ends of the range. [W]"""
    rivals = []
    for candidate in problem.candidates:
        labels = tuple(problem.terms[j].label for j in candidate.columns)
        delta = candidate.aicc - problem.best.aicc
        rivals.append(Rival(labels, delta, candidate.weight, tuple(_change_at_ends(problem, candidate))))
    return tuple(rivals)


def _change_at_ends(problem: Problem, candidate: Candidate) -> list[float]:
    """No-load loss by this set less that by the best one, at the lowest and highest frequency of the last rung. [W]"""
    readings = problem.ladder.readings
    last = np.flatnonzero(readings.stage == readings.stage[-1])
    ends = [last[np.argmin(readings.frequency[last])], last[np.argmax(readings.frequency[last])]]
    difference = problem.coefficients(candidate) - problem.coefficients(problem.best)
    return [float(problem.design[i] @ difference) for i in ends]


def _dropped(problem: Problem) -> list[str]:
    """A sentence for each part about the laws that the readings do not support."""
    chosen = {problem.terms[j] for j in problem.best.columns}
    sentences = []
    for owner in dict.fromkeys(term.owner for term in problem.terms):
        mine = [term for term in problem.terms if term.owner == owner]
        speeds = [term for term in mine if term.kind == "stribeck"]
        left_out = [t.law.label for t in mine if t not in chosen and t.kind != "stribeck"]
        if speeds and not chosen.intersection(speeds):
            left_out.append(speeds[0].law.label)
        if left_out:
            name = owner[0] if owner[1] is None else f"seal '{owner[1]}'"
            sentences.append(f"{name}: the readings do not support {', '.join(left_out)}; left out.")
    return sentences


def _alike(problem: Problem, solution: Solution) -> list[str]:
    """A sentence for each pair of chosen coefficients that the readings cannot tell apart."""
    errors = solution.errors
    if not np.all(errors > 0):
        return []
    correlation = solution.covariance / np.outer(errors, errors)
    labels = [problem.terms[j].label for j in problem.best.columns]
    pairs = [(a, b) for a in range(len(labels)) for b in range(a) if correlation[a, b] < -ALIKE]
    return [
        f"{labels[b]} and {labels[a]} can hardly be told apart (correlation {correlation[a, b]:.3f}): "
        "trust their sum, not either one."
        for a, b in pairs
    ]
