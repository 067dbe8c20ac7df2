"""How many watts of the net pneumatic interval each source of error accounts for."""

from __future__ import annotations

from driveloss.bench.records import FloatArray
from driveloss.breakdown.ask import Breakdown
from driveloss.fit.contributions import Attribution

Shares = dict[str, FloatArray]  # by source, the largest first: half-widths of the net intervals, (runs,), in W


def budget(answer: Breakdown) -> Shares:
    """Each loaded run's half-width with one source alone at work. Squares add up to about the whole.

    Source: JCGM 100:2008, 5.1.3, eq. (11a), the combined variance by its components (from memory).
    """
    return Attribution(answer.calibration.meters).half_widths(answer.draws["pneumatic"])
