"""How many watts of the net pneumatic interval each source of error accounts for."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from driveloss.bench.records import Bench, FloatArray
from driveloss.breakdown.ask import breakdown
from driveloss.errors import InputError
from driveloss.fit.calibrate import reweigh
from driveloss.fit.calibration import Calibration
from driveloss.fit.estimate import estimates
from driveloss.fit.meters import SOURCES

DRAWS = 600  # a budget is read to a digit or two


@dataclass(frozen=True)
class Share:
    """Half-width of the net pneumatic interval with one source of error alone at work, for each loaded run."""

    source: str
    half_width: FloatArray  # (runs,) [W]


def budget(bench: Bench, calibration: Calibration) -> tuple[Share, ...]:
    """One share a source, largest first. Squares of independent shares add up to about the whole.

    Raises InputError for a saved calibration, which does not hold the readings.
    Source: uncertainty budgets, JCGM 100:2008, 8.1; here one source at a time.
    """
    if calibration.evidence is None:
        raise InputError(
            "--budget: needs the bench's own ladder, but a saved calibration was given; leave one of them out"
        )
    shares = [Share(source, _alone(bench, calibration, source)) for source in SOURCES]
    return tuple(sorted(shares, key=lambda share: -float(np.median(share.half_width))))


def _alone(bench: Bench, calibration: Calibration, source: str) -> FloatArray:
    answer = breakdown(reweigh(bench, calibration, (source,), DRAWS), bench.sweeps)
    net = answer.draws["pneumatic"]
    assert net is not None
    return np.array([0.0 if e is None else e.half_width for e in estimates(net)])
