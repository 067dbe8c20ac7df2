"""The tear-down ladder: readings, fitted curves with their bands, and what the curves leave over."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from driveloss.bench.records import FloatArray
from driveloss.errors import InputError
from driveloss.figures.layout import Cell, End, cells, label_ends, label_width
from driveloss.figures.style import (
    FREQUENCY,
    GREY,
    INK,
    SMALL,
    STEPS,
    TOGETHER,
    Drawing,
    Look,
    band,
    cylinder_text,
    minus,
    series_look,
    series_text,
)
from driveloss.fit.calibration import Calibration, Evidence
from driveloss.fit.ladder import ladder_power
from driveloss.fit.readings import Readings, Rung, by_rung
from driveloss.say.sheet import listed

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

DRIVE_LOOKS = {
    "motor-alone": Look("#8c8c8c", "v", "-", filled=False),
    "piston-disconnected": Look("#4a4a4a", "x", (0, (5, 2))),
}


@dataclass(frozen=True)
class Series:
    """The readings of one rung, and how to draw them."""

    rung: Rung
    label: str
    look: Look
    rows: NDArray[np.int64]  # which of the ladder's readings


def ladder_figure(calibration: Calibration) -> Figure:
    """Shaft-side power of every rung with the fitted curves, residuals below; one pair of panels a cylinder beyond two.

    Readings that the fit did not use are crossed. Raises InputError for a saved calibration, which keeps no readings.
    """
    every = series(calibration)
    names = list(calibration.ranges)
    groups = [names] if len(names) <= TOGETHER else [[name] for name in names]
    width = 5.6 if len(groups) == 1 else 2.9
    cell = Cell(width, (2.8, 1.0), right=label_width(one.label for one in every))
    figure, panels = cells(len(groups), 1 if len(groups) == 1 else 2, cell)
    top = 1.05 * float(shown_power(calibration, _evidence(calibration).ladder.readings).max())
    for (upper, lower), group in zip(panels, groups, strict=True):
        shown = [one for one in every if one.rung.cylinder in (None, *group)]
        plot_ladder(calibration, shown, upper, top)
        plot_residuals(calibration, shown, lower)
        upper.set_xlabel("")
        upper.set_title("Tear-down ladder" if len(groups) == 1 else cylinder_text(group[0]))
        figure.align_ylabels([upper, lower])
    return figure


def _evidence(calibration: Calibration) -> Evidence:
    if calibration.evidence is None:
        raise InputError(
            "ladder figure: read a saved calibration, which keeps no readings; expected one fresh from a bench"
        )
    return calibration.evidence


def series(calibration: Calibration) -> list[Series]:
    """The ladder's readings by stage, cylinder and pressure, in the order of the tear-down."""
    names, found, members = list(calibration.ranges), list[Series](), by_rung(_evidence(calibration).ladder.readings)
    rungs = [rung for rung, _ in members]
    for place, (rung, rows) in enumerate(members):
        if rung.cylinder is None:
            label, look = rung.stage, DRIVE_LOOKS[rung.stage]
        else:
            label = f"{rung.stage}, {series_text(rung.mean_pressure, '' if len(names) > TOGETHER else rung.cylinder)}"
            number, count = ([one.cylinder for one in some].count(rung.cylinder) for some in (rungs[:place], rungs))
            look = series_look(names.index(rung.cylinder), number, count)
        found.append(Series(rung, label, look, rows))
    return found


def plot_ladder(calibration: Calibration, shown: Sequence[Series], ax: Axes, top: float = 0.0) -> Axes:
    """Readings, curves and 95 % bands of series against crank frequency; power axis up to `top` [W] at least."""
    readings = _evidence(calibration).ladder.readings
    power, ends = shown_power(calibration, readings), []
    for one in shown:
        frequency = readings.frequency[one.rows]
        grid = np.linspace(frequency.min(), frequency.max(), STEPS)
        last = band(
            ax, grid, curve(calibration, one.rung, grid, np.full(STEPS, one.rung.mean_pressure or 0.0)), one.look
        )
        ax.plot(frequency, power[one.rows], **one.look.marks)
        ends.append(End(float(grid[-1]), last, one.label, one.look.ink))
    for x, y, _ in _left_out_points(calibration, shown):
        _cross(ax, x, y)
    ax.set(xlabel=FREQUENCY, ylabel=_power_label(calibration))
    ax.set_ylim(min(0.0, ax.get_ylim()[0]), max(top, ax.get_ylim()[1]))
    return label_ends(ax, ends)


def plot_residuals(calibration: Calibration, shown: Sequence[Series], ax: Axes) -> Axes:
    """Reading less curve of each series against crank frequency."""
    ax.axhline(0.0, color=GREY, lw=0.9)
    for one in shown:
        readings = _evidence(calibration).ladder.readings.only(one.rows)
        ax.plot(readings.frequency, _residual(calibration, one.rung, readings), **one.look.marks)
    reach = 1.2 * float(max(map(abs, ax.dataLim.intervaly))) or 1.0
    for frequency, _, y in _left_out_points(calibration, shown):
        place = (frequency, min(max(y, -0.9 * reach), 0.9 * reach))
        _cross(ax, *place)
        if abs(y) > reach:  # the axes end before it: its value stands beside
            text = minus(f"{y:+.2g} W")
            ax.annotate(text, place, (8, 0), textcoords="offset points", va="center", fontsize=SMALL)
    ax.set_ylim(-reach, reach)
    ax.set(xlabel=FREQUENCY, ylabel="Residual [W]")
    return ax


def _power_label(calibration: Calibration) -> str:
    """What the ladder's power is called: where the motor's load loss is not known it is still inside."""
    return "Shaft-side power [W]" if calibration.route.is_known else "Input less standby [W]"


def shown_power(calibration: Calibration, readings: Readings) -> FloatArray:
    """What the fit sees of readings (n,), less idle power: (n,), at the stated meters. [W]"""
    ladder = replace(_evidence(calibration).ladder, readings=readings)
    power = ladder_power(ladder, calibration.meters.as_stated(), calibration.standby[:1])[:, 0]
    return power - calibration.standby[0] if ladder.scope.idle else power


def curve(calibration: Calibration, rung: Rung, frequency: FloatArray, pressure: FloatArray) -> FloatArray:
    """The fitted power of a rung at frequency [Hz] and mean pressure [Pa], (m,) each: (m, 1 + draws). [W]"""
    curves = calibration.curves
    if rung.stage == "motor-alone":
        return curves.motor(frequency)
    if rung.cylinder is None:
        return curves.drive(frequency)
    return curves.drive(frequency) + curves.seal(rung.cylinder, frequency, pressure)


def _residual(calibration: Calibration, rung: Rung, readings: Readings) -> FloatArray:
    """Readings of a rung less its curve, (n,). [W]"""
    pressure = np.nan_to_num(readings.mean_pressure)
    return shown_power(calibration, readings) - curve(calibration, rung, readings.frequency, pressure)[:, 0]


def _left_out_points(calibration: Calibration, shown: Sequence[Series]) -> Iterator[tuple[float, float, float]]:
    """Frequency [Hz], power [W] and residual [W] of each reading that the fit did not use."""
    left_out = _evidence(calibration).left_out
    for rung in {(one.rung.stage, one.rung.cylinder): one.rung for one in shown}.values():
        mine = left_out.only((left_out.stage == rung.stage) & (left_out.cylinder == (rung.cylinder or "")))
        power, residual = shown_power(calibration, mine), _residual(calibration, rung, mine)
        yield from zip(mine.frequency.tolist(), power.tolist(), residual.tolist(), strict=True)


def _cross(ax: Axes, x: float, y: float) -> None:
    ax.plot([x], [y], ls="", marker="X", ms=8, mfc="white", mec=INK, mew=1.2, zorder=5)


def alt_text(calibration: Calibration) -> str:
    """What was measured where, and how well the curves fit."""
    quality = _evidence(calibration).fits[calibration.family].quality
    span = calibration.drive_range
    return (
        "Power of each rung of the tear-down ladder against crank frequency, "
        f"{span.low:.3g} to {span.high:.3g} Hz for the drive, "
        "with fitted curves, 95 % bands and, below, residuals; "
        f"cylinders {listed(calibration.ranges)}. "
        f"The {quality.n} readings leave {quality.residual_rms:.2g} W rms about the curves."
    )


DRAWING = Drawing(ladder_figure, alt_text, "Readings of every rung of the ladder, and the curves through them.")
