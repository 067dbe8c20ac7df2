"""Which terms the readings support: a search over sets of terms, and Akaike weights among the rivals.

AICc: Hurvich & Tsai, Biometrika 76 (1989) 297. Averaging over sets by Akaike weight: Burnham & Anderson, Model
Selection and Multimodel Inference (2002), ch. 4. Both from memory.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from driveloss.bench.records import FloatArray
from driveloss.fit.blockwise import Blocks, mask_of
from driveloss.fit.laws import Term
from driveloss.fit.meters import strata

WINDOW = 8.0  # rivals with an AICc further off than this weigh less than 2 % and are left out
MOST_RIVALS = 250
MOST_TERMS_A_PART = 3
UNAFFORDABLE = 1e9

Columns = tuple[int, ...]


@dataclass(frozen=True)
class Candidate:
    """One set of terms and how well it fits."""

    columns: Columns
    coefficients: FloatArray  # (len(columns),)
    rss: float  # weighted
    parameters: int
    aicc: float
    weight: float = 0.0


def aicc(rss: float, n: int, parameters: int) -> float:
    """Corrected Akaike criterion of a least-squares fit with unknown scatter.

    Where n is too small for the correction every further parameter costs more than any gain in fit.
    """
    k = parameters + 1  # the scatter is estimated too
    spare = n - k - 1
    correction = 2 * k * (k + 1) / spare if spare > 0 else UNAFFORDABLE * k
    return float(n * np.log(max(rss, 1e-300) / n) + 2 * k + correction)


class Search:
    """Scores sets of terms against one weighted problem: design (n, k), readings (n,)."""

    def __init__(self, terms: Sequence[Term], design: FloatArray, readings: FloatArray, least_rss: float):
        self.terms = terms
        self.n = len(readings)
        self.least_rss = least_rss
        self.problem = Blocks(design, [term.cylinder for term in terms])
        self.readings = readings
        self._cost = np.array([1 + (term.kind == "stribeck") for term in terms])  # a Stribeck speed is fitted, too
        self._seen: dict[Columns, Candidate] = {}
        self._required = self._by_owner(range(len(terms)))

    def best(self) -> Candidate:
        """Exchange the terms of one part after another until none gains; parts start with all smooth laws."""
        options = {owner: self.options(owner) for owner in self._required}
        best = self.score(_merge({owner: self._start(owner) for owner in options}))
        improved = True
        while improved:
            improved = False
            for owner, choices in options.items():
                left = choices
                while left:
                    trials = self._exchanged(best, owner, left)
                    gain = next((i for i, trial in enumerate(trials) if trial.aicc < best.aicc - 1e-9), None)
                    if gain is None:
                        break
                    best, improved, left = trials[gain], True, left[gain + 1 :]
        return best

    def rivals(self, best: Candidate) -> list[Candidate]:
        """Sets within the window of the best one, weighted; best first."""
        current = self._by_owner(best.columns)
        pools = [self._pool(owner, current, best) for owner in self._required]
        found = {candidate.columns: candidate for candidate in (best, *self.scores(_likeliest(pools)))}
        return weighted(found.values())

    def score(self, columns: Columns) -> Candidate:
        """Fit one set: see `scores`."""
        return self.scores([columns])[0]

    def scores(self, sets: Sequence[Columns]) -> list[Candidate]:
        """Fit sets by NNLS, less the terms that come out at zero; each part keeps at least one."""
        new = list(dict.fromkeys(columns for columns in sets if columns not in self._seen))
        if new:
            allowed = np.array([mask_of(columns, len(self.terms)) for columns in new]).T
            values = self.problem.nonnegative(self.readings[:, None], allowed)
            rss = self.problem.squares(self.readings[:, None], values)
            for columns, own, left in zip(new, values.T, rss, strict=True):
                self._seen[columns] = self._candidate(columns, own[list(columns)], float(left))
        return [self._seen[columns] for columns in sets]

    def _exchanged(self, best: Candidate, owner: Hashable, choices: Sequence[Columns]) -> list[Candidate]:
        """The best set with other terms for one part. Where all others stay above zero, only that part's fit is new."""
        mine = self._required[owner]
        before, after = ([j for j in best.columns if j < mine[0]], [j for j in best.columns if j > mine[-1]])
        sets = {choice: (*before, *choice, *after) for choice in choices}
        new = [choice for choice in choices if sets[choice] not in self._seen]
        fits = self.problem.beside(self.readings, np.array([*before, *after], dtype=np.int64), new) if new else []
        for choice, fit in zip(new, fits, strict=True):
            if fit is not None:
                columns = sets[choice]
                self._seen[columns] = self._candidate(columns, fit[0][list(columns)], fit[1])
        return self.scores([sets[choice] for choice in choices])

    def _candidate(self, columns: Columns, values: FloatArray, rss: float) -> Candidate:
        kept = self._without_zeros(columns, values)
        chosen = tuple(columns[i] for i in kept)
        rss = max(rss, self.least_rss)
        parameters = int(self._cost[list(chosen)].sum())
        return Candidate(chosen, values[kept], rss, parameters, aicc(rss, self.n, parameters))

    def _without_zeros(self, columns: Columns, values: FloatArray) -> list[int]:
        """Places in `columns` that are worth keeping."""
        owners = [self.terms[j].owner for j in columns]
        alive = {owner for owner, value in zip(owners, values, strict=True) if value > 0}
        first = {owner: i for i, owner in reversed(list(enumerate(owners)))}
        return [i for i, owner in enumerate(owners) if values[i] > 0 or (owner not in alive and first[owner] == i)]

    def options(self, owner: Hashable) -> list[Columns]:
        """Every set of terms that one part may have: one to three laws, at most one Stribeck speed."""
        mine = self._required[owner]
        extra = [j for j in mine if self.terms[j].kind == "pressure"]
        laws = [j for j in mine if self.terms[j].kind not in ("pressure", "stribeck")]
        dips = [j for j in mine if self.terms[j].kind == "stribeck"]
        sets = [c for size in range(1, MOST_TERMS_A_PART + 1) for c in combinations(laws, size)]
        with_dip = [tuple(sorted((*c, j))) for c in sets if self._has_coulomb(c) and len(c) < 3 for j in dips]
        return [
            tuple(sorted((*c, *add))) for c in sets + with_dip for add in ([()] + ([tuple(extra)] if extra else []))
        ]

    def _has_coulomb(self, columns: Columns) -> bool:
        return any(self.terms[j].kind == "coulomb" for j in columns)

    def _start(self, owner: Hashable) -> Columns:
        return tuple(j for j in self._required[owner] if self.terms[j].kind != "stribeck")

    def _by_owner(self, columns: Iterable[int]) -> dict[Hashable, Columns]:
        groups: dict[Hashable, Columns] = {}
        for j in columns:
            groups[self.terms[j].owner] = (*groups.get(self.terms[j].owner, ()), j)
        return groups

    def _pool(self, owner: Hashable, current: dict[Hashable, Columns], best: Candidate) -> list[tuple[float, Columns]]:
        """Alternatives of one part, the others as in the best set: (AICc above the best, columns)."""
        scored = {current[owner]: 0.0}
        for candidate in self._exchanged(best, owner, self.options(owner)):
            if candidate.aicc - best.aicc < WINDOW:
                mine = self._by_owner(candidate.columns)[owner]  # terms at zero dropped: several choices may be one
                scored.setdefault(mine, max(candidate.aicc - best.aicc, 0.0))
        return sorted((excess, columns) for columns, excess in scored.items())


def weighted(candidates: Iterable[Candidate]) -> list[Candidate]:
    """Keep the candidates within the window of the best and give them Akaike weights; best first."""
    ranked = sorted(candidates, key=lambda c: (c.aicc, c.columns))
    close = [c for c in ranked if c.aicc - ranked[0].aicc < WINDOW]
    raw = np.exp([-(c.aicc - ranked[0].aicc) / 2 for c in close])
    return [replace(c, weight=float(w)) for c, w in zip(close, raw / raw.sum(), strict=True)]


def assign(weights: Sequence[float], draws: int, rng: np.random.Generator) -> np.ndarray:
    """For each draw the index of a choice, in proportion to weights that add up to one (stratified), shape (draws,)."""
    return np.minimum(np.searchsorted(np.cumsum(weights), strata(rng, draws), side="right"), len(weights) - 1)


def _merge(by_owner: dict[Hashable, Columns]) -> Columns:
    return tuple(sorted(j for columns in by_owner.values() for j in columns))


def _likeliest(pools: list[list[tuple[float, Columns]]]) -> list[Columns]:
    """Combine the parts' alternatives, keeping the combinations with the smallest summed distance."""
    combined: list[tuple[float, Columns]] = [(0.0, ())]
    for pool in pools:
        grown = [(d + e, (*columns, *choice)) for d, columns in combined for e, choice in pool if d + e < WINDOW]
        combined = sorted(grown)[:MOST_RIVALS]
    return [tuple(sorted(columns)) for _, columns in combined]
