"""Net pneumatic over input power of the loaded runs against crank frequency."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

from driveloss.breakdown.ask import Run
from driveloss.errors import InputError
from driveloss.figures.layout import KEY_STEP, Cell, End, cells, draw_legend, label_ends, label_width, legend_rows
from driveloss.figures.runs import Group, Split, at_most_words, net_shares, part, run_groups, with_parts
from driveloss.figures.style import (
    AT_MOST,
    FREQUENCY,
    GREY,
    TOGETHER,
    Drawing,
    cylinder_text,
    error_bars,
    joined_points,
    series_text,
)
from driveloss.say.numbers import PERCENT

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

CEILING = "efficiency_ceiling"
HATCHED: dict[str, Any] = {"facecolor": "none", "hatch": "/////", "lw": 0.7}
BAR = 0.022  # width of a hatched bar, of the frequencies' range


def ceilings_figure(split: Split) -> Figure:
    """One panel a cylinder beyond two, all to one scale. Raises InputError where no run's net power is determinable."""
    groups = [group for group in run_groups(split.answer) if with_parts(group.runs, CEILING)]
    if not groups:
        raise InputError("efficiency ceiling: expected one run at least whose net power is determinable, found none")
    names = list(dict.fromkeys(group.cylinder for group in groups))
    sets = [groups] if len(names) <= TOGETHER else [[g for g in groups if g.cylinder == name] for name in names]
    alone = len(sets) == 1
    labels = [_label(group, named=alone) for group in groups]
    cell = Cell(5.2 if alone else 2.9, (3.2 if alone else 2.2,), right=label_width(labels))
    key = [row for row in legend_rows(_legend(split.answer.runs), 2 * cell.outer[0]) if row]
    figure, panels = cells(len(sets), 1 if alone else 2, cell, KEY_STEP * len(key))
    limits = _limits(with_parts(split.answer.runs, CEILING))
    for (ax,), members in zip(panels, sets, strict=True):
        ax.set_ylim(limits)
        plot_ceilings(members, ax, named=alone)
        ax.set_title("Efficiency ceiling" if alone else cylinder_text(members[0].cylinder))
    draw_legend(figure, key)
    return figure


def _legend(runs: Iterable[Run]) -> list[Artist]:
    """What is hatched, where anything is."""
    from matplotlib.patches import Patch

    return [Patch(**HATCHED, edgecolor=GREY, label=AT_MOST)] if any(run.at_most for run in runs) else []


def plot_ceilings(groups: Sequence[Group], ax: Axes, *, named: bool = True) -> Axes:
    """Efficiency ceiling of runs with 95 % intervals; series are told apart by cylinder where `named`."""
    ends = []
    for group in groups:
        runs = with_parts(group.runs, CEILING)
        ceilings = [part(run, CEILING) for run in runs]
        frequency, values = [run.frequency for run in runs], [PERCENT * ceiling.value for ceiling in ceilings]
        _at_most(ax, runs, group.look.ink)
        joined_points(ax, group.look, (frequency, values), error_bars(ceilings, PERCENT))
        ends.append(End(frequency[-1], values[-1], _label(group, named=named), group.look.ink))
    ax.set(xlabel=FREQUENCY, ylabel="Net pneumatic / input [%]")
    return label_ends(ax, ends)


def _at_most(ax: Axes, runs: Sequence[Run], colour: str) -> None:
    """Hatched from each ceiling up to what the plain subtraction would make it."""
    width = BAR * (runs[-1].frequency - runs[0].frequency) if runs else 0.0
    for run in runs:
        low, high = PERCENT * part(run, CEILING).value, PERCENT * _most(run)
        if run.at_most and high > low:
            ax.bar(run.frequency, high - low, width or 1.0, low, **HATCHED, edgecolor=colour)


def _most(run: Run) -> float:
    """The plain subtraction over the input, where it is shown; else the interval's upper end."""
    return part(run, CEILING).high if run.at_most is None else run.at_most.value / run.input.value


def _label(group: Group, *, named: bool) -> str:
    return series_text(group.pressure, group.cylinder if named else "")


def _limits(runs: Sequence[Run]) -> tuple[float, float]:
    """From zero, or below, to a little above the highest interval. [%]"""
    ceilings = [part(run, CEILING) for run in runs]
    low, high = min([0.0, *(c.low for c in ceilings)]), max([0.0, *(c.high for c in ceilings), *map(_most, runs)])
    return 1.08 * PERCENT * low, 1.08 * PERCENT * high


def alt_text(split: Split) -> str:
    """The ceiling at both ends of each series."""
    shares, most = net_shares(split.answer), at_most_words(split.answer.runs)
    return f"Net pneumatic power over input power against crank frequency, with 95 % intervals: {shares}.{most}"


DRAWING = Drawing(ceilings_figure, alt_text, "Net power over input, the ceiling of efficiency.")
