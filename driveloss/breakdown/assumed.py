"""What the answer rests on that nobody stated, and how many watts of the net interval each takes."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from driveloss.bench.records import FloatArray
from driveloss.fit.assumptions import Assumption
from driveloss.fit.calibration import Calibration
from driveloss.fit.contributions import Attribution

MOST_RUNS = 24  # looked at: a share of the interval hardly differs between neighbours


@dataclass(frozen=True)
class Assumed:
    """One assumption at work: the keys that would replace it, its row, and the watts of net that it leaves open."""

    keys: tuple[str, ...]
    row: Assumption
    half_width: float  # [W] of the net power's interval by it alone, the median over the runs


def assumptions_at_work(calibration: Calibration, net: FloatArray) -> tuple[Assumed, ...]:
    """The assumptions behind net powers (n, 1 + draws) [W], the one that leaves most open first."""
    rows = calibration.meters.assumptions(calibration.rig)
    if not rows:
        return ()
    chosen = net[:: max(len(net) // MOST_RUNS, 1)]
    shares = Attribution(calibration.meters).half_widths(chosen)
    found = (Assumed(keys, row, _median(shares.get(row.name, np.zeros(1)))) for keys, row in rows)
    return tuple(sorted(found, key=lambda one: -one.half_width))


def as_data(assumed: Iterable[Assumed]) -> list[dict[str, object]]:
    """For scripts."""
    return [
        {
            "key": ", ".join(one.keys),
            "name": one.row.name,
            "low": one.row.low,
            "high": one.row.high,
            "unit": one.row.unit,
            "source": one.row.source,
            "moves": one.row.moves,
            "net_half_width_W": one.half_width,
            "cure": one.row.cure,
        }
        for one in assumed
    ]


def _median(values: FloatArray) -> float:
    return float(np.median(values))
