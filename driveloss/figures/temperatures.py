"""How far the cold end got below ambient, against input power and against net pneumatic power."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from driveloss.errors import InputError
from driveloss.figures.layout import KEY_LEFT, KEY_STEP, Cell, cells, draw_legend, legend_rows
from driveloss.figures.runs import Group, Split, part, run_groups, with_parts
from driveloss.figures.style import Drawing, error_bars, joined_points, minus
from driveloss.say.numbers import plus_minus

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

DROP = "below_ambient"
POWERS = {"input": "Input power [W]", "pneumatic": "Net pneumatic power [W]"}


def temperatures_figure(split: Split) -> Figure:
    """One panel a power. Raises InputError where no run recorded a cold end."""
    if not with_parts(split.answer.runs, DROP):
        raise InputError("temperature drop: no loaded sweep has a column 'cold end', expected one at least")
    groups = run_groups(split.answer)
    cell = Cell(4.0, (3.4,))
    key = legend_rows([_handle(group) for group in groups], 2 * cell.outer[0] - KEY_LEFT)
    figure, panels = cells(2, 2, cell, KEY_STEP * len(key) + 0.1)
    for (ax,), power in zip(panels, POWERS, strict=True):
        plot_temperatures(groups, power, ax)
    draw_legend(figure, key)
    return figure


def _handle(group: Group) -> Artist:
    """A series' entry in a legend."""
    from matplotlib.lines import Line2D

    return Line2D([], [], **{**group.look.marks, "ls": group.look.line}, lw=0.9, label=group.label)


def plot_temperatures(groups: Sequence[Group], power: str, ax: Axes) -> Axes:
    """Cold end below ambient against a power of the runs ('input' or 'pneumatic'), both with 95 % intervals."""
    for group in groups:
        runs = sorted(with_parts(group.runs, DROP, power), key=lambda run: part(run, power).value)
        if runs:
            x, y = [part(run, power) for run in runs], [part(run, DROP) for run in runs]
            places = [estimate.value for estimate in x], [estimate.value for estimate in y]
            joined_points(ax, group.look, places, error_bars(y), error_bars(x))
    ax.set(xlabel=POWERS[power], ylabel="Cold end below ambient [K]")
    ax.set_xlim(min(0.0, ax.get_xlim()[0]))
    ax.set_ylim(min(0.0, ax.get_ylim()[0]))
    return ax


def alt_text(split: Split) -> str:
    """The deepest drop of each series."""
    entries = []
    for group in run_groups(split.answer):
        drops = [part(run, DROP) for run in with_parts(group.runs, DROP)]
        if drops:
            deepest = max(drops, key=lambda drop: drop.value)
            entries.append(f"{group.label} down to {minus(plus_minus(deepest))} K")
    return f"Cold end below ambient against input power and against net pneumatic power: {'; '.join(entries)}."


DRAWING = Drawing(
    "temperature-drop",
    temperatures_figure,
    alt_text,
    "Cold end below ambient against input power and against net pneumatic power.",
)
