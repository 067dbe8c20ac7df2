"""What an uncertainty comes from: the draws of an answer regressed on the common errors that were drawn with it.

Limits of error are small, so an answer is nearly linear in them; the errors are independent, so what each source
moves adds up in squares (JCGM 101:2008, Annex B; from memory). What no common error explains is the scatter of the
readings, with the choice of laws that it leaves open. Regression needs one factorisation for any number of answers,
where fitting again with one source at a time needs a fit a source, and it serves differences between benches too.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from driveloss.bench.records import FloatArray
from driveloss.fit.estimate import estimates
from driveloss.fit.meters import Meters

SCATTER = "scatter"
SAME = 1e-12  # square of a singular value, over the largest, below which errors are one and the same
OVER_RUNS = "root mean square of the runs"  # what `over_runs` is called


@dataclass(frozen=True)
class Contributions:
    """How much of the spread of one row of draws each source makes; `draws` by source, (1 + draws,), first zero."""

    draws: Mapping[str, FloatArray]
    total: float  # variance

    @property
    def shares(self) -> tuple[tuple[str, float], ...]:
        """Share of the variance by source, largest first; none where nothing varies."""
        found = {source: float(np.var(moved[1:], ddof=1)) / self.total for source, moved in self.draws.items()}
        return tuple(sorted(((s, v) for s, v in found.items() if v > 0), key=lambda pair: -pair[1]))

    @property
    def half_widths(self) -> dict[str, float]:
        """Half-width of the 95 % interval with one source alone at work."""
        found = estimates(np.array(list(self.draws.values()))) if self.draws else []
        return {s: 0.0 if e is None else e.half_width for s, e in zip(self.draws, found, strict=True)}


def over_runs(half_widths: FloatArray) -> float:
    """One half-width for several runs, (runs,): root mean square. So shares of all runs add up in squares as of one,
    and what is large in a few of them is not lost.

    >>> over_runs(np.array([3.0, 4.0, 0.0, 0.0]))
    2.5
    """
    return float(np.sqrt(np.mean(half_widths**2)))


def named_errors(*meters: Meters) -> list[tuple[str, FloatArray]]:
    """Source and draws of the common errors of one or more benches; shared ones once."""
    distinct: dict[bytes, tuple[str, FloatArray]] = {}
    for one in meters:
        distinct |= {draws.tobytes(): (source, draws) for source, draws in one.errors()}
    return list(distinct.values())


class Attribution:
    """The common errors of one or more benches, ready to explain any answer drawn with them."""

    def __init__(self, *meters: Meters):
        errors = named_errors(*meters)
        by_source: dict[str, list[FloatArray]] = {}
        for source, draws in errors:
            by_source.setdefault(source, []).append(draws[1:] - draws[1:].mean())
        ends = np.cumsum([0, *map(len, by_source.values())]).tolist()
        self._places = {source: slice(*ends[i : i + 2]) for i, source in enumerate(by_source)}
        columns = [one for mine in by_source.values() for one in mine]
        self._design = np.array([c / np.linalg.norm(c) for c in columns]).T
        # independent draws are all but orthogonal: their squares lose no digits
        self._inverse = np.linalg.pinv(self._design.T @ self._design, rcond=SAME, hermitian=True) if columns else None

    def explain(self, draws: FloatArray) -> Contributions:
        """Part the draws of one answer, (1 + draws,), among the sources."""
        centred = draws[1:] - draws[1:].mean()
        total = float(np.var(centred, ddof=1))
        if not total > 0:  # nan: not known
            return Contributions({}, 0.0)
        size = np.zeros(0) if self._inverse is None else self._inverse @ (self._design.T @ centred)
        seen = {source: self._design[:, mine] @ size[mine] for source, mine in self._places.items()}
        left = centred - sum(seen.values(), np.zeros(1))
        noise = float(left @ left) / max(len(left) - 1 - len(size), 1)  # variance of each coefficient by chance
        moved = {source: _true(one, noise * len(size[self._places[source]])) for source, one in seen.items()}
        moved[SCATTER] = left * np.sqrt(noise * (len(left) - 1) / (left @ left)) if noise > 0 else left
        return Contributions({s: np.concatenate([[0.0], m]) for s, m in moved.items()}, total)

    def half_widths(self, answers: Iterable[FloatArray]) -> dict[str, FloatArray]:
        """`Contributions.half_widths` of several answers, (answers,) by source, the largest first; nan = not known."""
        each = [(self.explain(draws).half_widths, 0.0 if np.isfinite(draws).all() else np.nan) for draws in answers]
        names = [*self._places, SCATTER]
        found = {name: np.array([one.get(name, nothing) for one, nothing in each]) for name in names}
        return dict(sorted(found.items(), key=lambda pair: -float(np.median(pair[1]))))


def _true(seen: FloatArray, noise: float) -> FloatArray:
    """What a source moves in each draw, less what chance alone would seem to: its square is `noise`."""
    square = float(seen @ seen)
    return np.asarray(seen * np.sqrt(max(square - noise, 0.0) / square)) if square > 0 else seen
