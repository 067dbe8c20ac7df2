"""Seal friction, efficiency ceilings, temperature drop and the uncertainty budget."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from driveloss.breakdown.ask import Breakdown, Run
from driveloss.errors import InputError
from driveloss.figures.layout import (
    KEY_LEFT,
    KEY_STEP,
    LABEL_STEP,
    POINTS,
    Cell,
    End,
    cells,
    draw_legend,
    label_ends,
    label_width,
    legend_rows,
)
from driveloss.figures.parts import Group, run_groups
from driveloss.figures.style import (
    FREQUENCY,
    GREY,
    SMALL,
    band,
    cylinder_text,
    drawing,
    error_bars,
    series_look,
    series_text,
)
from driveloss.fit.calibration import Calibration
from driveloss.fit.estimate import Estimate
from driveloss.losses.ask import seal_force

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

STEPS = 60  # points of a curve
PERCENT = 100.0
TOGETHER = 2  # cylinders whose runs share one panel
BAR_STEP = 0.34  # [in] from bar to bar of the budget


@drawing()
def friction_figure(calibration: Calibration) -> Figure:
    """Mean friction force of every seal, at each calibrated pressure, against mean piston speed."""
    series = [series_text(p, name) for name, span in calibration.ranges.items() for p in span.pressures]
    height = max(3.2, len(series) * LABEL_STEP / POINTS)
    figure, panels = cells(1, 1, Cell(5.2, (height,), right=label_width(series)))
    plot_friction(calibration, panels[0][0]).set_title("Seal friction")
    return figure


def plot_friction(calibration: Calibration, ax: Axes) -> Axes:
    """Mean friction force with its 95 % band against mean piston speed, over each cylinder's calibrated frequencies."""
    ends = []
    for index, (name, span) in enumerate(calibration.ranges.items()):
        frequency = np.linspace(span.low, span.high, STEPS)
        speed = 2 * calibration.rig.cylinders[name].stroke.value * frequency
        for number, pressure in enumerate(span.pressures):
            look = series_look(index, number)
            seal = calibration.seal(name, frequency, np.full(STEPS, pressure))
            last = band(ax, speed, seal_force(calibration, seal, frequency, name), look)
            ends.append(End(float(speed[-1]), last, series_text(pressure, name), look.colour))
    ax.set(xlabel="Mean piston speed [m/s]", ylabel="Mean friction force [N]")
    ax.set_ylim(min(0.0, ax.get_ylim()[0]))
    return label_ends(ax, ends)


@drawing()
def ceilings_figure(answer: Breakdown) -> Figure:
    """Net pneumatic over input power against frequency; one panel a cylinder beyond two, all to one scale."""
    groups = run_groups(answer)
    names = list(dict.fromkeys(group.cylinder for group in groups))
    sets = [groups] if len(names) <= TOGETHER else [[g for g in groups if g.cylinder == name] for name in names]
    alone = len(sets) == 1
    labels = [_group_label(group, alone) for group in groups]
    cell = Cell(5.2 if alone else 2.9, (3.2 if alone else 2.2,), right=label_width(labels))
    figure, panels = cells(len(sets), 1 if alone else 2, cell)
    limits = _limits([run.parts["efficiency_ceiling"] for run in answer.runs], PERCENT)
    for (ax,), members in zip(panels, sets, strict=True):
        ax.set_ylim(limits)
        plot_ceilings(members, ax, alone)
        ax.set_title("Efficiency ceiling" if alone else cylinder_text(members[0].cylinder))
    return figure


def plot_ceilings(groups: Sequence[Group], ax: Axes, named: bool = True) -> Axes:
    """Efficiency ceiling of runs with 95 % intervals; series are told apart by cylinder where `named`."""
    ends = []
    for group in groups:
        runs = [run for run in group.runs if run.parts["efficiency_ceiling"] is not None]
        ceilings = _known(runs, "efficiency_ceiling")
        frequency, values = [run.frequency for run in runs], [PERCENT * c.value for c in ceilings]
        look = group.look
        ax.errorbar(frequency, values, error_bars(ceilings, PERCENT), elinewidth=1, capsize=0, **look.marks)
        ax.plot(frequency, values, color=look.colour, ls=look.line, lw=0.9)
        ends.append(End(frequency[-1], values[-1], _group_label(group, named), look.colour))
    ax.set(xlabel=FREQUENCY, ylabel="Net pneumatic / input [%]")
    return label_ends(ax, ends)


def _group_label(group: Group, named: bool) -> str:
    return series_text(group.pressure, group.cylinder if named else "")


def _known(runs: Sequence[Run], part: str) -> list[Estimate]:
    """A part of each run that has it."""
    return [estimate for run in runs if (estimate := run.parts[part]) is not None]


def _limits(estimates: Sequence[Estimate | None], scale: float) -> tuple[float, float]:
    """From zero, or below, to a little above the highest interval."""
    known = [estimate for estimate in estimates if estimate is not None]
    low, high = min((e.low for e in known), default=0.0), max((e.high for e in known), default=1.0)
    return min(0.0, 1.08 * scale * low), max(0.0, 1.08 * scale * high)


def has_cold_ends(answer: Breakdown) -> bool:
    """Whether some run recorded its cold end, so that a temperature drop can be drawn."""
    return any(run.parts["below_ambient"] is not None for run in answer.runs)


@drawing()
def temperature_drop_figure(answer: Breakdown) -> Figure:
    """How far the cold end got below ambient, against input power and against net pneumatic power.

    Raises InputError where no run recorded a cold end.
    """
    if not has_cold_ends(answer):
        raise InputError("temperature drop: no loaded sweep has a column 'cold end', expected one at least")
    groups = run_groups(answer)
    cell = Cell(4.0, (3.4,))
    key = legend_rows([_handle(group) for group in groups], 2 * cell.outer[0] - KEY_LEFT)
    figure, panels = cells(2, 2, cell, KEY_STEP * len(key) + 0.1)
    for (ax,), power in zip(panels, POWERS, strict=True):
        plot_temperature_drop(groups, power, ax)
    draw_legend(figure, key)
    return figure


def _handle(group: Group) -> Artist:
    """A series' entry in a legend."""
    from matplotlib.lines import Line2D

    return Line2D([], [], **{**group.look.marks, "ls": group.look.line}, lw=0.9, label=group.label)


POWERS = {"input": "Input power [W]", "pneumatic": "Net pneumatic power [W]"}


def plot_temperature_drop(groups: Sequence[Group], power: str, ax: Axes) -> Axes:
    """Cold end below ambient against a power of the runs ('input' or 'pneumatic'), both with 95 % intervals."""
    for group in groups:
        runs = [run for run in group.runs if run.parts["below_ambient"] and run.parts[power]]
        if not runs:
            continue
        runs.sort(key=lambda run: run.parts[power].value)  # type: ignore[union-attr]
        drops, powers = _known(runs, "below_ambient"), _known(runs, power)
        x, y = [p.value for p in powers], [d.value for d in drops]
        across, upright = error_bars(powers), error_bars(drops)
        ax.errorbar(x, y, upright, across, elinewidth=0.9, capsize=0, **group.look.marks)
        ax.plot(x, y, color=group.look.colour, ls=group.look.line, lw=0.9)
    ax.set(xlabel=POWERS[power], ylabel="Cold end below ambient [K]")
    ax.set_xlim(min(0.0, ax.get_xlim()[0]))
    ax.set_ylim(min(0.0, ax.get_ylim()[0]))
    return ax


@drawing()
def budget_figure(budget: Sequence[tuple[str, float]]) -> Figure:
    """Half-width of the 95 % interval that each source of error causes on its own, largest first. [W]"""
    left = label_width(name for name, _ in budget)
    cell = Cell(4.6, (BAR_STEP * max(len(budget), 2),), left=left, right=0.7)
    figure, panels = cells(1, 1, cell)
    plot_budget(budget, panels[0][0])
    return figure


def plot_budget(budget: Sequence[tuple[str, float]], ax: Axes) -> Axes:
    """Horizontal bars with their values; the first entry on top."""
    rows = range(len(budget))
    ax.barh(rows, [width for _, width in budget], 0.62, color=series_look(0, 0).colour)
    ax.set_yticks(rows, [name for name, _ in budget])
    ax.set_ylim(len(budget) - 0.4, -0.6)
    for row, (_, width) in enumerate(budget):
        ax.annotate(f"{width:.2g} W", (width, row), (4, 0), textcoords="offset points", va="center", fontsize=SMALL)
    ax.tick_params(axis="y", length=0)
    ax.grid(visible=False, axis="y")
    ax.grid(visible=True, axis="x")
    ax.axvline(0, color=GREY, lw=0.9)
    ax.set(xlabel="Half-width of the 95 % interval [W]", title="What the uncertainty comes from")
    return ax
