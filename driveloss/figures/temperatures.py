"""How far the cold end got below ambient, against input power and against net pneumatic power."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby
from typing import TYPE_CHECKING, Any

from driveloss.errors import InputError
from driveloss.figures.layout import LABEL_STEP, POINTS, Cell, End, cells, label_tops, top_width, tops_stand_upright
from driveloss.figures.runs import Group, Split, part, run_groups, with_parts
from driveloss.figures.style import GREY, Drawing, cylinder_text, error_bars, joined_points, minus, series_text
from driveloss.say.numbers import plus_minus

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

DROP = "below_ambient"
POWERS = {"input": "Input power [W]", "pneumatic": "Net pneumatic power [W]"}
WIDTH = 3.1  # [in] of a panel

LATE: dict[str, Any] = {"arrowstyle": "<|-", "color": GREY, "lw": 0.9}  # from the point upwards


def temperatures_figure(split: Split) -> Figure:
    """A row a cylinder, a column a power, all to one scale. Raises InputError where no run recorded a cold end."""
    groups = [group for group in run_groups(split.answer) if with_parts(group.runs, DROP, "pneumatic")]
    if not groups:
        raise InputError("temperature drop: no loaded sweep has a column 'cold end', expected one at least")
    rows = [(name, list(members)) for name, members in groupby(groups, key=lambda group: group.cylinder)]
    names = max(([_label(group) for group in members] for _, members in rows), key=len)
    upright = tops_stand_upright(names, WIDTH)
    top = top_width(names) if upright else LABEL_STEP / POINTS
    cell = Cell(WIDTH, (2.6 if len(rows) == 1 else 1.8,), left=0.75, top=top + 0.5, bottom=0.55)
    figure, panels = cells(2 * len(rows), 2, cell)
    axes = [ax for (ax,) in panels]
    for row, (name, members) in enumerate(rows):
        for ax, power in zip(axes[2 * row : 2 * row + 2], POWERS, strict=True):
            plot_temperatures(members, power, ax)
        axes[2 * row].set_title(cylinder_text(name), pad=(top + 0.16) * POINTS)
    for column in (0, 1):
        _one_scale(axes[column::2], axes)
    for row, (_, members) in enumerate(rows):
        for ax, power in zip(axes[2 * row : 2 * row + 2], POWERS, strict=True):
            label_tops(ax, _ends(members, power))
    return figure


def _one_scale(column: Sequence[Axes], every: Sequence[Axes]) -> None:
    """Powers alike down a column, drops alike in all panels."""
    wide, high = ([getattr(ax, f"get_{axis}lim")() for ax in some] for axis, some in (("x", column), ("y", every)))
    for ax in column:
        ax.set_xlim(min(low for low, _ in wide), max(top for _, top in wide))
        ax.set_ylim(min(low for low, _ in high), max(top for _, top in high))


def _label(group: Group) -> str:
    return series_text(group.pressure)


def _rising(group: Group, power: str) -> list[tuple[float, float]]:
    """Power and drop of a series' runs, by rising power."""
    runs = with_parts(group.runs, DROP, power)
    return sorted((part(run, power).value, part(run, DROP).value) for run in runs)


def _ends(groups: Sequence[Group], power: str) -> list[End]:
    """Where the names of series belong."""
    return [End(*_rising(group, power)[-1], _label(group), group.look.ink) for group in groups]


def plot_temperatures(groups: Sequence[Group], power: str, ax: Axes) -> Axes:
    """Cold end below ambient against a power of the runs ('input' or 'pneumatic'), both with 95 % intervals."""
    for group in groups:
        runs = sorted(with_parts(group.runs, DROP, power), key=lambda run: part(run, power).value)
        x, y = [part(run, power) for run in runs], [part(run, DROP) for run in runs]
        places = [estimate.value for estimate in x], [estimate.value for estimate in y]
        joined_points(ax, group.look, places, error_bars(y), error_bars(x))
        for run, power_of, drop in zip(runs, *places, strict=True):
            if "not-settled" in run.flags:  # it would lie higher
                ax.annotate("", (power_of, drop), (0, 16), textcoords="offset points", arrowprops=LATE)
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
    temperatures_figure,
    alt_text,
    "Cold end below ambient against input power and against net pneumatic power, with 95 % intervals: a row a "
    "cylinder, the higher the mean pressure the darker. An arrow upwards: read before it had settled, the drop would "
    "be larger.",
)
