"""How many watts of the net pneumatic interval each source of error accounts for."""

from __future__ import annotations

from collections.abc import Mapping
from math import hypot

from driveloss.bench.records import FloatArray
from driveloss.breakdown.ask import Breakdown

SEEN = 0.01  # of the whole
Shares = dict[str, FloatArray]  # by source, the largest first: half-widths of the net intervals, (runs,), in W


def budget(answer: Breakdown) -> Shares:
    """Each loaded run's half-width with one source alone at work. Squares add up to about the whole.

    Source: JCGM 100:2008, 5.1.3, eq. (11a), the combined variance by its components (from memory).
    """
    return answer.shares


def seen(half_widths: Mapping[str, float]) -> dict[str, float]:
    """Without what is too small to be told from chance, or rounding alone.

    >>> seen({"scatter": 3.0, "geometry": 4.0, "meter zero": 0.02, "frequency": 4e-15})
    {'scatter': 3.0, 'geometry': 4.0}
    """
    least = SEEN * hypot(*half_widths.values())
    return {name: width for name, width in half_widths.items() if not width < least}  # what is not known stays


def is_assumed(answer: Breakdown, source: str) -> bool:
    """Whether a source's limits are assumed, not stated in bench.toml."""
    calibration = answer.calibration
    return any(row.name == source for _, row in calibration.meters.assumptions(calibration.rig))


def source_name(answer: Breakdown, source: str) -> str:
    """A source as people are told of it."""
    return f"{source} (assumed)" if is_assumed(answer, source) else source
