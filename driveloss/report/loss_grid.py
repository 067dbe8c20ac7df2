"""Losses on a fine grid of frequencies, from which the page answers any frequency without a server.

The page interpolates between four neighbours by a cubic in ln f (Lagrange). For a loss that grows as f^n it errs by
3/128 (n STEP)^4 of the loss, 2e-6 for n = 3. The ends of an interval are sorted draws, kinked wherever one draw
overtakes another: there the error stays below what another seed would change.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from driveloss.bench.records import FloatArray
from driveloss.fit.calibration import Calibration
from driveloss.fit.readings import SAME_PRESSURE
from driveloss.losses.no_load import NoLoad, in_blocks, no_load_flags, summarised
from driveloss.say.flags import FLAGS
from driveloss.say.numbers import bar
from driveloss.say.quantities import QUANTITIES

if TYPE_CHECKING:
    from driveloss.breakdown.ask import Run

STEP = 0.03  # of ln f
BELOW, ABOVE = 0.5, 1.5  # of the calibrated range, where the page still answers
DIGITS = {0: 6, 2: 5, 3: 5}  # significant, in the page, of value, low and high
STATIC_ROWS = 5  # frequencies of the table that stands without the script
PARTS = ("standby", "motor", "linkage", "drive", "seal", "total", "port", "seal_force")


def loss_grid(calibration: Calibration, runs: Iterable[Run] = ()) -> dict[str, Any]:
    """What the page's control needs, as plain data.

    `frequency` {first, step of ln f, count} [Hz]; `parts` [key, label, unit]; `series`: for the drive alone, then for
    each cylinder and mean pressure of its no-load sweeps and of `runs`, the calibrated range and by part three lists
    (value, low and high end of the 95 % interval) or null.
    """
    frequency = grid_frequencies(calibration)
    blocks = list(in_blocks(calibration, frequency))
    series = [_series(blocks, name, p) for name, p in _places(calibration, runs)]
    return {
        "frequency": {"first": float(frequency[0]), "step": STEP, "count": len(frequency)},
        "parts": [[q.key, q.words[0].upper() + q.words[1:], q.unit] for q in map(QUANTITIES.__getitem__, PARTS)],
        "series": series,
    }


def grid_frequencies(calibration: Calibration) -> FloatArray:
    """From half the lowest calibrated frequency to one and a half times the highest, evenly in ln f. [Hz]"""
    spans = [calibration.drive_range, *calibration.ranges.values()]
    low, high = BELOW * min(s.low for s in spans), ABOVE * max(s.high for s in spans)
    count = int(np.ceil(np.log(high / low) / STEP)) + 1
    return np.asarray(low * np.exp(STEP * np.arange(max(count, 4))))


def static_frequencies(calibration: Calibration) -> list[float]:
    """Frequencies across the range in which every cylinder was measured, to three digits. [Hz]"""
    spans = [calibration.drive_range, *calibration.ranges.values()]
    low, high = max(s.low for s in spans), min(s.high for s in spans)
    if not low < high:
        low, high = calibration.drive_range.low, calibration.drive_range.high
    return list(dict.fromkeys(float(f"{f:.3g}") for f in np.linspace(low, high, STATIC_ROWS)))


def _places(calibration: Calibration, runs: Iterable[Run]) -> Iterator[tuple[str | None, float | None]]:
    """The drive alone, then every cylinder at the pressures of its no-load sweeps and of its loaded runs."""
    yield None, None
    runs = list(runs)
    for name, span in calibration.ranges.items():
        pressures = list(span.pressures)
        for pressure in (run.mean_pressure for run in runs if run.cylinder == name):
            if all(abs(pressure - known) > SAME_PRESSURE * known for known in pressures):
                pressures.append(pressure)
        yield from ((name, pressure) for pressure in sorted(pressures))


def _series(blocks: Sequence[NoLoad], cylinder: str | None, pressure: float | None) -> dict[str, Any]:
    calibration, parts = blocks[0].calibration, summarised(blocks, cylinder, pressure)
    flags = no_load_flags(calibration, cylinder, pressure)
    return {
        "cylinder": cylinder,
        "pressure": None if pressure is None else f"{bar(pressure)} bar",
        "calibrated": calibration.calibrated(cylinder),
        "flags": [f"{FLAGS[code].meaning} {FLAGS[code].advice}" for code in flags],
        "parts": {key: _columns(parts[key]) if key in parts else None for key in PARTS},
    }


def _columns(rows: FloatArray) -> list[list[float]] | None:
    """Value, low and high at each frequency, of (m, 4); None where one of them is not known."""
    if not np.isfinite(rows).all():
        return None
    return [[float(f"{number:.{digits}g}") for number in rows[:, i]] for i, digits in DIGITS.items()]
