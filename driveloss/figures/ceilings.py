"""Net pneumatic over input power of the loaded runs against crank frequency."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from driveloss.figures.layout import Cell, End, cells, label_ends, label_width
from driveloss.figures.runs import Group, Split, net_shares, part, run_groups, with_parts
from driveloss.figures.style import FREQUENCY, TOGETHER, Drawing, cylinder_text, error_bars, joined_points, series_text
from driveloss.fit.estimate import Estimate
from driveloss.say.numbers import PERCENT

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

CEILING = "efficiency_ceiling"


def ceilings_figure(split: Split) -> Figure:
    """One panel a cylinder beyond two, all to one scale."""
    groups = run_groups(split.answer)
    names = list(dict.fromkeys(group.cylinder for group in groups))
    sets = [groups] if len(names) <= TOGETHER else [[g for g in groups if g.cylinder == name] for name in names]
    alone = len(sets) == 1
    labels = [_label(group, named=alone) for group in groups]
    cell = Cell(5.2 if alone else 2.9, (3.2 if alone else 2.2,), right=label_width(labels))
    figure, panels = cells(len(sets), 1 if alone else 2, cell)
    limits = _limits([part(run, CEILING) for run in with_parts(split.answer.runs, CEILING)])
    for (ax,), members in zip(panels, sets, strict=True):
        ax.set_ylim(limits)
        plot_ceilings(members, ax, named=alone)
        ax.set_title("Efficiency ceiling" if alone else cylinder_text(members[0].cylinder))
    return figure


def plot_ceilings(groups: Sequence[Group], ax: Axes, *, named: bool = True) -> Axes:
    """Efficiency ceiling of runs with 95 % intervals; series are told apart by cylinder where `named`."""
    ends = []
    for group in groups:
        runs = with_parts(group.runs, CEILING)
        ceilings = [part(run, CEILING) for run in runs]
        frequency, values = [run.frequency for run in runs], [PERCENT * ceiling.value for ceiling in ceilings]
        joined_points(ax, group.look, (frequency, values), error_bars(ceilings, PERCENT))
        ends.append(End(frequency[-1], values[-1], _label(group, named=named), group.look.colour))
    ax.set(xlabel=FREQUENCY, ylabel="Net pneumatic / input [%]")
    return label_ends(ax, ends)


def _label(group: Group, *, named: bool) -> str:
    return series_text(group.pressure, group.cylinder if named else "")


def _limits(ceilings: Sequence[Estimate]) -> tuple[float, float]:
    """From zero, or below, to a little above the highest interval. [%]"""
    low, high = min([0.0, *(c.low for c in ceilings)]), max([0.0, *(c.high for c in ceilings)])
    return 1.08 * PERCENT * low, 1.08 * PERCENT * high


def alt_text(split: Split) -> str:
    """The ceiling at both ends of each series."""
    shares = net_shares(split.answer)
    return f"Net pneumatic power over input power against crank frequency, with 95 % intervals: {shares}."


DRAWING = Drawing("ceilings", ceilings_figure, alt_text, "Net power over input, the ceiling of efficiency.")
