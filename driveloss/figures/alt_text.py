"""Alternative texts: what a figure says, for those who cannot see it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import Any

import numpy as np

from driveloss.breakdown.ask import Breakdown, Run
from driveloss.errors import InputError
from driveloss.figures.parts import Group, run_groups, shown_parts
from driveloss.figures.style import PARTS, percent, series_text, watts
from driveloss.fit.calibration import Calibration
from driveloss.fit.estimate import Estimate, estimate
from driveloss.losses.ask import seal_force
from driveloss.say.numbers import plus_minus


def alt_text(kind: str, data: Any) -> str:
    """One to a few sentences that say what a figure shows.

    kind: 'ladder', 'breakdown', 'power-flow', 'friction', 'ceilings', 'temperature-drop' or 'budget'. data: what the
    figure was made of; for 'power-flow' the pair of breakdown and run index. Raises InputError for another kind.
    """
    if kind not in TEXTS:
        raise InputError(f"figure: read '{kind}', expected one of {', '.join(TEXTS)}")
    return TEXTS[kind](data)


def _ladder(calibration: Calibration) -> str:
    quality = calibration.evidence.fits[calibration.family].quality if calibration.evidence else None
    fit = f" The {quality.n} readings leave {quality.residual_rms:.2g} W rms about the curves." if quality else ""
    span = calibration.drive_range
    return (
        "Power of each rung of the tear-down ladder against crank frequency, "
        f"{span.low:.3g} to {span.high:.3g} Hz for the drive, "
        "with fitted curves, 95 % bands and, below, residuals; "
        f"cylinders {_list(calibration.ranges)}.{fit}"
    )


def _breakdown(answer: Breakdown) -> str:
    parts = _list(PARTS[name].label for name in shown_parts(answer.runs))
    return (
        f"Stacked bars of the input power of {len(answer.runs)} loaded runs against crank frequency, split into "
        f"{parts}. Net pneumatic share of the input: {_shares(answer)}."
    )


def _power_flow(data: tuple[Breakdown, int]) -> str:
    run: Run = data[0].runs[data[1]]
    parts = _list(f"{PARTS[name].label} {watts(run.parts[name])}" for name in shown_parts([run]))
    return (
        f"Streams drawn to scale: of {watts(run.parts['input'])} input at {run.frequency:.3g} Hz "
        f"({series_text(run.mean_pressure, run.cylinder)}) go {parts}. Net power and the seal's heat make "
        f"{watts(run.parts['aftercooler_heat'])} at the aftercooler."
    )


def _friction(calibration: Calibration) -> str:
    entries = []
    for name, span in calibration.ranges.items():
        ends = np.array([span.low, span.high])
        for pressure in span.pressures:
            seal = calibration.seal(name, ends, np.full(2, pressure))
            low, high = (estimate(row) for row in seal_force(calibration, seal, ends, name))
            entries.append(f"{series_text(pressure, name)} from {_newtons(low)} to {_newtons(high)}")
    return f"Mean seal friction force, from the slowest to the fastest mean piston speed: {'; '.join(entries)}."


def _ceilings(answer: Breakdown) -> str:
    return f"Net pneumatic power over input power against crank frequency, with 95 % intervals: {_shares(answer)}."


def _temperature_drop(answer: Breakdown) -> str:
    entries = []
    for group in run_groups(answer):
        drops = [drop for run in group.runs if (drop := run.parts["below_ambient"])]
        if drops:
            deepest = max(drops, key=lambda drop: drop.value)
            entries.append(f"{group.label} down to {plus_minus(deepest)} K".replace("-", "−"))
    return f"Cold end below ambient against input power and against net pneumatic power: {'; '.join(entries)}."


def _budget(budget: Sequence[tuple[str, float]]) -> str:
    entries = _list(f"{name} {width:.2g} W" for name, width in budget)
    return f"Half-width of the 95 % interval that each source of error causes on its own: {entries}."


def _shares(answer: Breakdown) -> str:
    """From the slowest to the fastest run of each series."""
    return "; ".join(f"{group.label}: {_share_range(group)}" for group in run_groups(answer))


def _share_range(group: Group) -> str:
    shares = [share.value for run in group.runs if (share := run.parts["efficiency_ceiling"])]
    first, last = group.runs[0].frequency, group.runs[-1].frequency
    if not shares:
        return "not determinable"
    return f"{percent(shares[0])} at {first:.3g} Hz, {percent(shares[-1])} at {last:.3g} Hz"


def _newtons(force: Estimate | None) -> str:
    return f"{plus_minus(force)} N".replace("-", "−")


def _list(texts: Iterable[str]) -> str:
    """Words in a row.

    >>> _list(["a", "b", "c"])
    'a, b and c'
    """
    *first, last = list(texts) or ["none"]
    return f"{', '.join(first)} and {last}" if first else last


TEXTS: dict[str, Callable[[Any], str]] = {
    "ladder": _ladder,
    "breakdown": _breakdown,
    "power-flow": _power_flow,
    "friction": _friction,
    "ceilings": _ceilings,
    "temperature-drop": _temperature_drop,
    "budget": _budget,
}
