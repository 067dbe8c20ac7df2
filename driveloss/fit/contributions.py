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
        self._sources = [source for source, _ in errors]
        columns = [draws[1:] - draws[1:].mean() for _, draws in errors]
        self._design = np.array([c / np.linalg.norm(c) for c in columns]).T
        self._inverse = np.linalg.pinv(self._design) if columns else None

    def explain(self, draws: FloatArray) -> Contributions:
        """Part the draws of one answer, (1 + draws,), among the sources."""
        centred = draws[1:] - draws[1:].mean()
        total = float(np.var(centred, ddof=1))
        if not total > 0:  # nan: not known
            return Contributions({}, 0.0)
        size = np.zeros(0) if self._inverse is None else self._inverse @ centred
        left = centred if self._inverse is None else centred - self._design @ size
        noise = float(left @ left) / max(len(left) - 1 - len(size), 1)  # variance of each coefficient by chance
        moved = {source: self._moved(source, size, noise) for source in dict.fromkeys(self._sources)}
        moved[SCATTER] = left * np.sqrt(noise * (len(left) - 1) / (left @ left)) if noise > 0 else left
        return Contributions({s: np.concatenate([[0.0], m]) for s, m in moved.items()}, total)

    def half_widths(self, answers: Iterable[FloatArray]) -> dict[str, FloatArray]:
        """`Contributions.half_widths` of several answers, (answers,) by source, the largest first; nan = not known."""
        each = [(self.explain(draws).half_widths, 0.0 if np.isfinite(draws).all() else np.nan) for draws in answers]
        names = [*dict.fromkeys(self._sources), SCATTER]
        found = {name: np.array([one.get(name, nothing) for one, nothing in each]) for name in names}
        return dict(sorted(found.items(), key=lambda pair: -float(np.median(pair[1]))))

    def _moved(self, source: str, size: FloatArray, noise: float) -> FloatArray:
        """What one source moves in each draw, less what chance alone would seem to."""
        mine = np.array([s == source for s in self._sources])
        moved = self._design[:, mine] @ size[mine]
        seen = float(moved @ moved)
        true = max(seen - noise * int(mine.sum()), 0.0)
        return np.asarray(moved * np.sqrt(true / seen)) if seen > 0 else moved
