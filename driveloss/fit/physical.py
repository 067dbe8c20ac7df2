"""The physical family: one joint non-negative fit over every rung, averaged over the sets of terms that fit."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

from driveloss.bench.records import FloatArray
from driveloss.fit.blockwise import Blocks
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
from driveloss.fit.least_squares import Solution, curve_fit, linear_fit
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
        return self._offers if rivals else self._offered(self.candidates[:1])

    @cached_property
    def _offers(self) -> list[Offer]:
        return self._offered(self.candidates)

    def _offered(self, candidates: Sequence[Candidate]) -> list[Offer]:
        dips = {j for j, term in enumerate(self.terms) if term.kind == "stribeck"}
        smooth = [j for j in range(len(self.terms)) if j not in dips]
        found: dict[tuple[int, ...], Offer] = {}
        for c in weighted(candidates):
            own = tuple(j for j in c.columns if j in dips)
            before = found.get(own)
            if before is None:
                found[own] = Offer(np.array(sorted([*smooth, *own])), c.weight, c)
            else:
                found[own] = replace(before, weight=before.weight + c.weight)
        return list(found.values())

    @cached_property
    def _used(self) -> tuple[NDArray[np.int64], Blocks]:
        """All columns that any offer uses, and their weighed problem."""
        used = np.unique(np.concatenate([offer.columns for offer in self.offers()]))
        return used, Blocks(self.weighed(self.design[:, used]), [self.terms[j].cylinder for j in used])

    def _allowed(self, offers: Sequence[Offer]) -> NDArray[np.bool_]:
        """Which of the columns in use each offer has, (columns, offers)."""
        used, _ = self._used
        return np.array([np.isin(used, offer.columns) for offer in offers]).T

    def solve(self, offers: Sequence[Offer], member: NDArray[np.int64], power: FloatArray) -> FloatArray:
        """Non-negative coefficients for power (n, m) [W], each by the laws of its member (m,) among offers: (terms, m).

        power: (n, 1) where all are to explain the same.
        """
        used, blocks = self._used
        found = np.zeros((len(self.terms), len(member)))
        found[used] = blocks.nonnegative(self.weighed(power), self._allowed(offers)[:, member])
        return found

    def scatter(self, *offers: Offer) -> tuple[FloatArray, NDArray[np.int64]]:
        """Scatter of one reading of unit weight [W] and its degrees of freedom, (offers,).

        From the residuals of all laws offered, signs free: choosing among them cannot shrink it. Where that
        leaves too few readings to spare, from the candidate's own.
        """
        left, rank = self._used[1].free(self.weighed(self.power), self._allowed(offers))
        few = self.n - rank < LEAST_SPARE
        left = np.where(few, [offer.candidate.rss for offer in offers], left)
        own = np.array([max(self.n - offer.candidate.parameters, 1) for offer in offers])
        spare = np.where(few, own, self.n - rank)
        return np.sqrt(np.maximum(left, self.least_rss * spare / self.n) / spare), spare

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
    sizes, dofs = problem.scatter(*offers)
    noise = scatter_draws(sizes[member], dofs[member], rng, active="noise" in sampler.active)
    scatter = rng.standard_normal((problem.n, meters.size)) * problem.sigma[:, None] * noise
    if "noise" in sampler.active:
        scatter += problem.sweeps.draws(stream(sampler.seed, "sweeps"), meters.size)
    coefficients = _resample(problem, offers, member, meters, standby, scatter)
    each = problem.solve(offers, np.arange(len(offers)), problem.power[:, None])
    coefficients[:, 0] = each @ [offer.weight for offer in offers]
    curves = PhysicalCurves(ladder.rig, problem.terms, coefficients)
    return _report(problem, curves, noise, rng, meters.as_stated())


def pose(ladder: Ladder, stated: Meters, standby: FloatArray) -> Problem:
    """Weigh the readings, find the terms they support. `stated`: the meters as stated; `standby`: (1,) [W]."""
    readings = ladder.readings
    offered = offered_terms(ladder.rig, ladder.scope)
    terms = tuple(t for t, column in zip(offered, joint_design(ladder, offered).T, strict=True) if column.any())
    design = joint_design(ladder, terms)
    blocks = Blocks(design, [term.cylinder for term in terms])
    power = _best_power(ladder, stated, standby, terms, blocks)
    sweeps = between_sweeps(readings, power)
    first = blocks.sparse(power)
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
    turns: dict[tuple[str, str | None], NDArray[np.int64]]
    turns = {(part, None): np.arange(len(readings)) for part in ("idle", "motor", "drive")}
    turns["linkage", None] = np.flatnonzero(readings.stage != "motor-alone")
    turns |= {("seal", name): np.flatnonzero(readings.cylinder == name) for name in ladder.scope.pressures}
    design = np.zeros((len(readings), len(terms)))
    for j, term in enumerate(terms):
        rows = turns[term.owner]
        design[rows, j] = shape(ladder.rig, term, readings.frequency[rows], pressure[rows])
    return design


def _best_power(
    ladder: Ladder, stated: Meters, standby: FloatArray, terms: Sequence[Term], blocks: Blocks
) -> FloatArray:
    """Shaft-side power of the stated readings, shape (n,); an unknown idle power is found on the way. [W]"""
    idle = standby
    power = ladder_power(ladder, stated, idle)[:, 0]
    if ladder.scope.idle:
        column = [term.part for term in terms].index("idle")
        for _ in range(IDLE_PASSES):
            before, idle = idle, blocks.sparse(power)[[column]]
            power = ladder_power(ladder, stated, idle)[:, 0]
            if abs(idle - before).max() <= IDLE_SETTLED * ladder.readings.power.max():
                break
    return power


def _resample(  # noqa: PLR0913 - all that a draw depends on
    problem: Problem,
    offers: Sequence[Offer],
    member: NDArray[np.int64],
    meters: Meters,
    standby: FloatArray,
    scatter: FloatArray,
) -> FloatArray:
    """Refit the draws, each by the offer that it is member of: (terms, 1 + draws), the first column left at zero."""
    ladder, idle = problem.ladder, ladder_idle(problem, standby)
    coefficients = np.zeros((len(problem.terms), meters.size))
    for _ in range(IDLE_PASSES):
        power = ladder_power(ladder, meters, idle) + scatter
        coefficients[:, 1:] = problem.solve(offers, member, power[:, 1:])
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
    (scatter,), (dof,) = problem.scatter(problem.offers()[0])
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
    (size,), (dof,) = problem.scatter(problem.offers()[0])
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
    """The chosen set with one Stribeck speed freed, the last of the coefficients.

    Only the drive's and that cylinder's own coefficients move with it; where another one would fall below zero, all do.
    """
    mine = problem.terms[column].cylinder
    chosen = [j for j, b in zip(problem.best.columns, problem.best.coefficients, strict=True) if b > 0 or j == column]
    owners = [problem.terms[j].cylinder for j in chosen]
    solution, holds = _sped(problem, column, chosen, owners)
    alone = [owner if owner == mine else None for owner in owners]
    return solution if holds else _sped(problem, column, chosen, alone)[0]


def _sped(problem: Problem, column: int, chosen: Sequence[int], owners: Sequence[str | None]) -> tuple[Solution, bool]:
    """That fit with the coefficients of all other owners eliminated; and whether those then stay above zero."""
    term, ladder, sigma = problem.terms[column], problem.ladder, problem.sigma
    rows = np.flatnonzero(ladder.readings.cylinder == term.cylinder)
    frequency, pressure = ladder.readings.frequency[rows], np.nan_to_num(ladder.readings.mean_pressure[rows])
    blocks = Blocks(problem.design[:, chosen] / sigma[:, None], owners)
    rest = blocks.rest(problem.power / sigma, np.ones(len(chosen), dtype=bool), blocks.of(chosen.index(column)))
    shared = [chosen[j] for j in blocks.shared]
    free = [*shared, *(j for j, owner in zip(chosen, owners, strict=True) if owner == term.cylinder)]
    below, here = rest.design * blocks.scale[blocks.shared], problem.design[np.ix_(rows, free)] / sigma[rows, None]
    place = free.index(column)

    @lru_cache(maxsize=8)  # slopes in all other coefficients ask for one speed again and again
    def moved(speed: float) -> FloatArray:
        at = here.copy()
        at[:, place] = shape(ladder.rig, replace(term, stribeck_speed=speed), frequency, pressure) / sigma[rows]
        return np.vstack([np.pad(below, ((0, 0), (0, len(free) - len(shared)))), at, np.zeros(len(free))])

    def model(p: Mapping[str, float]) -> FloatArray:
        *values, speed = p.values()
        return moved(speed) @ values

    known = dict(zip(problem.best.columns, problem.best.coefficients, strict=True))
    start = {**{f"b{j}": float(known[j]) for j in free}, "speed": term.stribeck_speed}
    fastest = FASTEST_STRIBECK * max(t.stribeck_speed for t in problem.terms)
    bounds = {**{f"b{j}": (0.0, np.inf) for j in free}, "speed": (1e-3 * term.stribeck_speed, fastest)}
    told = np.concatenate([rest.readings, problem.power[rows] / sigma[rows], [np.sqrt(rest.square)]])
    solution = curve_fit(model, start, told, bounds=bounds, dof=problem.n - len(chosen) - 1)
    common = solution.coefficients[: len(shared)] * blocks.scale[blocks.shared]
    return solution, bool((rest.alone > rest.by_shared @ common).all())


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
