"""How many watts of the net pneumatic interval each source of error accounts for."""

from __future__ import annotations

from dataclasses import dataclass

from driveloss.bench.records import FloatArray
from driveloss.breakdown.ask import Breakdown
from driveloss.fit.contributions import Attribution


@dataclass(frozen=True)
class Share:
    """Half-width of the net pneumatic interval with one source of error alone at work, for each loaded run."""

    source: str
    half_width: FloatArray  # (runs,) [W]


def budget(answer: Breakdown) -> tuple[Share, ...]:
    """One share a source, largest first. Squares of independent shares add up to about the whole.

    References
    ----------
    .. [1] JCGM 100:2008, Evaluation of measurement data, 8.1 (uncertainty budgets).
    """
    found = Attribution(answer.calibration.meters).half_widths(answer.draws["pneumatic"])
    return tuple(Share(source, widths) for source, widths in found.items())
