"""What the answer rests on that nobody stated, and how many watts of the net interval each takes."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from driveloss.bench.records import FloatArray
from driveloss.fit.assumptions import Assumption
from driveloss.fit.calibration import Calibration
from driveloss.fit.contributions import over_runs
from driveloss.say.json_form import assumption_data


@dataclass(frozen=True)
class Assumed:
    """One assumption at work: the keys that would replace it, its row, and the watts of net that it leaves open."""

    keys: tuple[str, ...]
    row: Assumption
    half_width: float  # [W] of the net power's interval by it alone, over all runs


def assumptions_at_work(calibration: Calibration, shares: Mapping[str, FloatArray]) -> tuple[Assumed, ...]:
    """The assumptions behind net powers by the shares of their intervals, the one that leaves most open first."""
    rows = calibration.meters.assumptions(calibration.rig)
    found = (Assumed(keys, row, over_runs(shares.get(row.name, np.zeros(1)))) for keys, row in rows)
    return tuple(sorted(found, key=lambda one: -one.half_width))


def as_data(assumed: Iterable[Assumed]) -> list[dict[str, object]]:
    """For scripts."""
    return [{**assumption_data(one.keys, one.row), "net_half_width_W": one.half_width} for one in assumed]
