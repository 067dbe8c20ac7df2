"""Losses on a fine grid of frequencies, from which the page answers any frequency without a server.

The page interpolates between four neighbours by a cubic in ln f (Lagrange). For a loss that grows as f^n it errs by
3/128 (n STEP)^4 of the loss, 2e-8 for n = 3. The ends of an interval are sorted draws, kinked wherever one draw
overtakes another: there the error stays below what another seed would change.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, Any

import numpy as np

from driveloss.bench.records import FloatArray
from driveloss.fit.calibration import EDGE, Calibration
from driveloss.fit.estimate import estimates
from driveloss.fit.readings import SAME_PRESSURE
from driveloss.losses.ask import losses, no_load_draws, seal_force
from driveloss.say.flags import FLAGS
from driveloss.say.numbers import bar

if TYPE_CHECKING:
    from driveloss.breakdown.ask import Run

STEP = 0.01  # of ln f
BELOW, ABOVE = 0.5, 1.5  # of the calibrated range, where the page still answers
DIGITS = 7  # significant, of a number in the page
PARTS = {
    "standby": ("Standby", "W"),
    "motor": ("Motor", "W"),
    "linkage": ("Linkage", "W"),
    "drive": ("Drive (motor and linkage)", "W"),
    "seal": ("Seal friction", "W"),
    "total": ("Total, without the port", "W"),
    "port": ("Gas pumped through the open port", "W"),
    "seal_force": ("Mean seal friction force", "N"),
}


def loss_grid(calibration: Calibration, runs: Iterable[Run] = ()) -> dict[str, Any]:
    """What the page's control needs, as plain data.

    `frequency` {first, step of ln f, count} [Hz]; `parts` [key, label, unit]; `series`: for the drive alone, then for
    each cylinder and mean pressure of its no-load sweeps and of `runs`, the calibrated range and by part three lists
    (value, low and high end of the 95 % interval) or null.
    """
    frequency = grid_frequencies(calibration)
    series = [_series(calibration, frequency, name, p) for name, p in _places(calibration, runs)]
    return {
        "frequency": {"first": float(frequency[0]), "step": STEP, "count": len(frequency)},
        "parts": [[key, *words] for key, words in PARTS.items()],
        "series": series,
    }


def grid_frequencies(calibration: Calibration) -> FloatArray:
    """From half the lowest calibrated frequency to one and a half times the highest, evenly in ln f. [Hz]"""
    spans = [calibration.drive_range, *calibration.ranges.values()]
    low, high = BELOW * min(s.low for s in spans), ABOVE * max(s.high for s in spans)
    count = int(np.ceil(np.log(high / low) / STEP)) + 1
    return low * np.exp(STEP * np.arange(max(count, 4)))


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


def _series(
    calibration: Calibration, frequency: FloatArray, cylinder: str | None, pressure: float | None
) -> dict[str, Any]:
    at = None if pressure is None else np.full(len(frequency), pressure)
    draws = no_load_draws(calibration, frequency, cylinder, at)
    seal = draws["seal"]
    force = None if seal is None or cylinder is None else seal_force(calibration, seal, frequency, cylinder)
    draws = draws | {"seal_force": force}
    low, high = _calibrated(calibration, cylinder)
    return {
        "cylinder": cylinder,
        "pressure": None if pressure is None else f"{bar(pressure)} bar",
        "calibrated": [low, high],
        "flags": _flags(calibration, cylinder, pressure),
        "parts": {key: _columns(draws[key]) for key in PARTS},
    }


def _calibrated(calibration: Calibration, cylinder: str | None) -> tuple[float, float]:
    """Where `is_extrapolated` says no. [Hz]"""
    spans = [calibration.drive_range] + ([calibration.ranges[cylinder]] if cylinder else [])
    return max(s.low for s in spans) * (1 - EDGE), min(s.high for s in spans) * (1 + EDGE)


def _flags(calibration: Calibration, cylinder: str | None, pressure: float | None) -> list[str]:
    """What a reader must know at any frequency; the page itself says where it extrapolates."""
    if cylinder is None or pressure is None:
        return []
    row = losses(calibration, [calibration.drive_range.high], [cylinder], [pressure])[0]
    return [f"{FLAGS[code].meaning} {FLAGS[code].bias}" for code in row.flags if code != "extrapolated"]


def _columns(draws: FloatArray | None) -> list[list[float]] | None:
    """Value, low and high at each frequency; None where one of them is not known."""
    known = [] if draws is None else [row for row in estimates(draws) if row is not None]
    if draws is None or len(known) < len(draws):
        return None
    return [[_short(getattr(row, name)) for row in known] for name in ("value", "low", "high")]


def _short(value: float) -> float:
    return float(f"{value:.{DIGITS}g}")
