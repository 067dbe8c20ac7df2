"""The tear-down ladder: readings, fitted curves with their bands, and what the curves leave over."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from driveloss.bench.records import FloatArray
from driveloss.errors import InputError
from driveloss.figures.layout import (
    Cell,
    End,
    cells,
    label_ends,
    label_width,
)
from driveloss.figures.style import (
    FREQUENCY,
    GREY,
    INK,
    SMALL,
    Look,
    band,
    cylinder_text,
    drawing,
    series_look,
    series_text,
)
from driveloss.fit.calibration import Calibration
from driveloss.fit.ladder import Ladder, ladder_power
from driveloss.fit.meters import first_column
from driveloss.fit.readings import Readings, pressure_groups

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

TOGETHER = 2  # cylinders that share one pair of panels
STEPS = 60  # points of a curve
DRIVE_LOOKS = {
    "motor-alone": Look("#8c8c8c", "v", "-", filled=False),
    "piston-disconnected": Look("#4a4a4a", "x", (0, (5, 2))),
}


@dataclass(frozen=True)
class Rung:
    """The readings of one stage, cylinder and pressure, and how to draw them."""

    stage: str
    cylinder: str
    pressure: float  # [Pa], zero without a cylinder
    label: str
    look: Look
    rows: NDArray[np.bool_]  # (n,) which of the ladder's readings


@drawing()
def ladder_figure(calibration: Calibration, left_out: Readings | None = None) -> Figure:
    """Shaft-side power of every rung with the fitted curves, residuals below; one pair of panels a cylinder beyond two.

    left_out: readings of the rungs that the fit did not use, marked with a cross. Raises InputError for a saved
    calibration, which keeps no readings.
    """
    ladder = _ladder(calibration)
    rungs = ladder_rungs(calibration, ladder.readings)
    names = list(calibration.ranges)
    groups = [names] if len(names) <= TOGETHER else [[name] for name in names]
    width = 5.6 if len(groups) == 1 else 2.9
    cell = Cell(width, (3.3, 1.2), right=label_width(rung.label for rung in rungs))
    figure, panels = cells(len(groups), 1 if len(groups) == 1 else 2, cell)
    top = 1.05 * float(shown_power(calibration, ladder.readings).max())
    for (upper, lower), group in zip(panels, groups, strict=True):
        shown = [rung for rung in rungs if rung.cylinder in ("", *group)]
        plot_ladder(calibration, shown, upper, left_out, top)
        plot_residuals(calibration, shown, lower, left_out)
        upper.set_xlabel("")
        upper.set_title("Tear-down ladder" if len(groups) == 1 else cylinder_text(group[0]))
        figure.align_ylabels([upper, lower])
    return figure


def _ladder(calibration: Calibration) -> Ladder:
    if calibration.evidence is None:
        raise InputError(
            "ladder figure: read a saved calibration, which keeps no readings; expected one fresh from a bench"
        )
    return calibration.evidence.ladder


def ladder_rungs(calibration: Calibration, readings: Readings) -> list[Rung]:
    """Group the ladder's readings by stage, cylinder and pressure, in the order of the tear-down."""
    rungs = []
    for stage, look in DRIVE_LOOKS.items():
        rows = readings.stage == stage
        if rows.any():
            rungs.append(Rung(stage, "", 0.0, stage, look, rows))
    many = len(calibration.ranges) > TOGETHER
    for index, name in enumerate(calibration.ranges):
        mine = (readings.stage == "no-load") & (readings.cylinder == name)
        groups = np.full(len(readings), -1)
        groups[mine] = pressure_groups(readings.mean_pressure[mine])
        for number in range(groups.max() + 1):
            rows = groups == number
            pressure = float(readings.mean_pressure[rows].mean())
            label = "no-load, " + series_text(pressure, "" if many else name)
            rungs.append(Rung("no-load", name, pressure, label, series_look(index, number), rows))
    return rungs


def plot_ladder(
    calibration: Calibration,
    rungs: list[Rung],
    ax: Axes,
    left_out: Readings | None = None,
    top: float | None = None,
) -> Axes:
    """Readings, curves and 95 % bands of the rungs against crank frequency; power axis up to `top` [W]."""
    ladder = _ladder(calibration)
    power, ends = shown_power(calibration, ladder.readings), []
    for rung in rungs:
        frequency = ladder.readings.frequency[rung.rows]
        grid = np.linspace(frequency.min(), frequency.max(), STEPS)
        last = band(ax, grid, curve(calibration, rung, grid, np.full(STEPS, rung.pressure)), rung.look)
        ax.plot(frequency, power[rung.rows], **rung.look.marks)
        ends.append(End(float(grid[-1]), last, rung.label, rung.look.colour))
    for x, y, _ in _left_out_points(calibration, rungs, left_out):
        _cross(ax, x, y)
    ax.set(xlabel=FREQUENCY, ylabel=power_label(calibration))
    ax.set_ylim(min(0.0, ax.get_ylim()[0]), max(top or 0.0, ax.get_ylim()[1]))
    return label_ends(ax, ends)


def plot_residuals(calibration: Calibration, rungs: list[Rung], ax: Axes, left_out: Readings | None = None) -> Axes:
    """Reading less curve of each rung against crank frequency."""
    ladder = _ladder(calibration)
    ax.axhline(0.0, color=GREY, lw=0.9)
    for rung in rungs:
        readings = ladder.readings.only(rung.rows)
        ax.plot(readings.frequency, _residual(calibration, rung, readings), **rung.look.marks)
    reach = 1.2 * float(max(map(abs, ax.dataLim.intervaly))) or 1.0
    for frequency, _, y in _left_out_points(calibration, rungs, left_out):
        _cross(ax, frequency, min(max(y, -0.9 * reach), 0.9 * reach))
        if abs(y) > reach:
            _beside(ax, frequency, 0.9 * reach * np.sign(y), f"{y:+.2g} W".replace("-", "−"))
    ax.set_ylim(-reach, reach)
    ax.set(xlabel=FREQUENCY, ylabel="Residual [W]")
    return ax


def power_label(calibration: Calibration) -> str:
    """What the ladder's power is called: where the motor's copper loss is not known it is still inside."""
    known = calibration.route != "unknown"
    return "Shaft-side power [W]" if known else "Input less standby [W]"


def shown_power(calibration: Calibration, readings: Readings) -> FloatArray:
    """What the fit sees of readings (n,), less idle power: (n,), at the stated inputs. [W]"""
    ladder = replace(_ladder(calibration), readings=readings)
    power = ladder_power(ladder, first_column(calibration.inputs), calibration.standby[:1])[:, 0]
    return power - calibration.standby[0] if ladder.scope.idle else power


def curve(calibration: Calibration, rung: Rung, frequency: FloatArray, pressure: FloatArray) -> FloatArray:
    """The fitted power of a rung at frequency [Hz] and mean pressure [Pa], (m,) each: (m, 1 + draws). [W]"""
    curves = calibration.curves
    if rung.stage == "motor-alone":
        return curves.motor(frequency)
    if rung.stage == "piston-disconnected":
        return curves.drive(frequency)
    return curves.drive(frequency) + curves.seal(rung.cylinder, frequency, pressure)


def _residual(calibration: Calibration, rung: Rung, readings: Readings) -> FloatArray:
    """Readings of a rung less its curve, (n,). [W]"""
    pressure = np.nan_to_num(readings.mean_pressure)
    fitted = curve(calibration, rung, readings.frequency, pressure)[:, 0]
    return shown_power(calibration, readings) - fitted


def _left_out_points(
    calibration: Calibration, rungs: list[Rung], left_out: Readings | None
) -> Iterator[tuple[float, float, float]]:
    """Frequency [Hz], power [W] and residual [W] of each reading that the fit did not use."""
    if left_out is None:
        return
    for rung in {(r.stage, r.cylinder): r for r in rungs}.values():
        mine = left_out.only((left_out.stage == rung.stage) & (left_out.cylinder == rung.cylinder))
        power, residual = shown_power(calibration, mine), _residual(calibration, rung, mine)
        yield from zip(mine.frequency.tolist(), power.tolist(), residual.tolist(), strict=True)


def _cross(ax: Axes, x: float, y: float) -> None:
    ax.plot([x], [y], ls="", marker="X", ms=8, mfc="white", mec=INK, mew=1.2, zorder=5)


def _beside(ax: Axes, x: float, y: float, text: str) -> None:
    """The value of a cross that lies beyond the axes."""
    ax.annotate(text, (x, y), (8, 0), textcoords="offset points", va="center", fontsize=SMALL)
