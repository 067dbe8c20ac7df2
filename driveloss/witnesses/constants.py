"""The motor's constants as a witness beside the braked sweep that stands in for them."""

from __future__ import annotations

from dataclasses import replace

from driveloss.bench.records import Bench
from driveloss.breakdown.ask import Breakdown, by_ladder
from driveloss.breakdown.ways import Way
from driveloss.fit.calibrate import calibrate
from driveloss.fit.motor_loss import BRAKED


def constants_way(bench: Bench, answer: Breakdown) -> Way | None:
    """Net power of the best run by braked sweep and by motor constants; None where one of them tells nothing."""
    known = answer.calibration
    if known.route is not BRAKED:
        return None
    without = replace(bench, sweeps=tuple(sweep for sweep in bench.sweeps if sweep.stage != "braked"))
    other = calibrate(without, known.family, draws=known.draws, seed=known.seed, compare=False, judge=False)
    if not other.route.is_known:
        return None
    best, readings = answer.best_run, answer.readings
    braked, stated = (by_ladder(one, bench.sweeps, best) for one in (known, other))
    return Way(
        witness="motor constants",
        part="pneumatic",
        cylinder=str(readings.cylinder[best]),
        frequency=float(readings.frequency[best]),
        mean_pressure=float(readings.mean_pressure[best]),
        by_ladder=braked,
        by_witness=stated,
    )
