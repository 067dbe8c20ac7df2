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
    listed,
    minus,
    series_look,
    series_text,
)
from driveloss.fit.calibration import Calibration, Evidence
from driveloss.fit.ladder import ladder_power
from driveloss.fit.readings import Readings, pressure_groups

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

DRIVE_LOOKS = {
    "motor-alone": Look("#8c8c8c", "v", "-", filled=False),
    "piston-disconnected": Look("#4a4a4a", "x", (0, (5, 2))),
}


@dataclass(frozen=True)
class Series:
    """The readings of one stage, cylinder and pressure, and how to draw them."""

    stage: str
    cylinder: str
    pressure: float  # [Pa], zero without a cylinder
    label: str
    look: Look
    rows: NDArray[np.bool_]  # (n,) which of the ladder's readings


def ladder_figure(calibration: Calibration) -> Figure:
    """Shaft-side power of every rung with the fitted curves, residuals below; one pair of panels a cylinder beyond two.

    Readings that the fit did not use are crossed. Raises InputError for a saved calibration, which keeps no readings.
    """
    every = series(calibration)
    names = list(calibration.ranges)
    groups = [names] if len(names) <= TOGETHER else [[name] for name in names]
    width = 5.6 if len(groups) == 1 else 2.9
    cell = Cell(width, (3.3, 1.2), right=label_width(one.label for one in every))
    figure, panels = cells(len(groups), 1 if len(groups) == 1 else 2, cell)
    top = 1.05 * float(shown_power(calibration, _evidence(calibration).ladder.readings).max())
    for (upper, lower), group in zip(panels, groups, strict=True):
        shown = [one for one in every if one.cylinder in ("", *group)]
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
    readings = _evidence(calibration).ladder.readings
    found = []
    for stage, look in DRIVE_LOOKS.items():
        rows = readings.stage == stage
        if rows.any():
            found.append(Series(stage, "", 0.0, stage, look, rows))
    many = len(calibration.ranges) > TOGETHER
    for index, name in enumerate(calibration.ranges):
        mine = (readings.stage == "no-load") & (readings.cylinder == name)
        groups = np.full(len(readings), -1)
        groups[mine] = pressure_groups(readings.mean_pressure[mine])
        for number in range(groups.max() + 1):
            rows = groups == number
            pressure = float(readings.mean_pressure[rows].mean())
            label = "no-load, " + series_text(pressure, "" if many else name)
            found.append(Series("no-load", name, pressure, label, series_look(index, number), rows))
    return found


def plot_ladder(calibration: Calibration, shown: Sequence[Series], ax: Axes, top: float = 0.0) -> Axes:
    """Readings, curves and 95 % bands of series against crank frequency; power axis up to `top` [W] at least."""
    readings = _evidence(calibration).ladder.readings
    power, ends = shown_power(calibration, readings), []
    for one in shown:
        frequency = readings.frequency[one.rows]
        grid = np.linspace(frequency.min(), frequency.max(), STEPS)
        last = band(ax, grid, curve(calibration, one, grid, np.full(STEPS, one.pressure)), one.look)
        ax.plot(frequency, power[one.rows], **one.look.marks)
        ends.append(End(float(grid[-1]), last, one.label, one.look.colour))
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
        ax.plot(readings.frequency, _residual(calibration, one, readings), **one.look.marks)
    reach = 1.2 * float(max(map(abs, ax.dataLim.intervaly))) or 1.0
    for frequency, _, y in _left_out_points(calibration, shown):
        _cross(ax, frequency, min(max(y, -0.9 * reach), 0.9 * reach))
        if abs(y) > reach:
            _beside(ax, frequency, 0.9 * reach * np.sign(y), minus(f"{y:+.2g} W"))
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


def curve(calibration: Calibration, one: Series, frequency: FloatArray, pressure: FloatArray) -> FloatArray:
    """The fitted power of a series at frequency [Hz] and mean pressure [Pa], (m,) each: (m, 1 + draws). [W]"""
    curves = calibration.curves
    if one.stage == "motor-alone":
        return curves.motor(frequency)
    if one.stage == "piston-disconnected":
        return curves.drive(frequency)
    return curves.drive(frequency) + curves.seal(one.cylinder, frequency, pressure)


def _residual(calibration: Calibration, one: Series, readings: Readings) -> FloatArray:
    """Readings of a series less its curve, (n,). [W]"""
    pressure = np.nan_to_num(readings.mean_pressure)
    fitted = curve(calibration, one, readings.frequency, pressure)[:, 0]
    return shown_power(calibration, readings) - fitted


def _left_out_points(calibration: Calibration, shown: Sequence[Series]) -> Iterator[tuple[float, float, float]]:
    """Frequency [Hz], power [W] and residual [W] of each reading that the fit did not use."""
    left_out = _evidence(calibration).left_out
    for one in {(s.stage, s.cylinder): s for s in shown}.values():
        mine = left_out.only((left_out.stage == one.stage) & (left_out.cylinder == one.cylinder))
        power, residual = shown_power(calibration, mine), _residual(calibration, one, mine)
        yield from zip(mine.frequency.tolist(), power.tolist(), residual.tolist(), strict=True)


def _cross(ax: Axes, x: float, y: float) -> None:
    ax.plot([x], [y], ls="", marker="X", ms=8, mfc="white", mec=INK, mew=1.2, zorder=5)


def _beside(ax: Axes, x: float, y: float, text: str) -> None:
    """The value of a cross that lies beyond the axes."""
    ax.annotate(text, (x, y), (8, 0), textcoords="offset points", va="center", fontsize=SMALL)


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


DRAWING = Drawing(
    "ladder", ladder_figure, alt_text, "Readings of every rung of the ladder, and the curves through them."
)
