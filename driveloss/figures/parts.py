"""Where the input of each loaded run goes: one stacked bar a run, one row of bars a cylinder."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby, pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from driveloss.bench.records import FloatArray
from driveloss.breakdown.ask import Run
from driveloss.figures.layout import LABEL_STEP, POINTS, Cell, End, cells, label_ends, label_width, size_in_points
from driveloss.figures.runs import Group, Split, at_most_words, net_shares, part, run_groups, shown_parts
from driveloss.figures.style import (
    AT_MOST,
    FREQUENCY,
    INK,
    PARTS,
    SMALL,
    Drawing,
    cylinder_text,
    error_bars,
    percent,
    series_text,
)
from driveloss.fit.scatter import SAME_FREQUENCY
from driveloss.say.sheet import listed

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.path import Path

GAP, STEP = 0.35, 1.6  # between frequencies and between pressures, in bars
WIDTHS = (1.6, 6.4)  # [in] of a row
FEW = 3  # rows that may be high
WIDEST_BAR = 0.5  # [in]
BAR = 0.92  # of the step from bar to bar
MOST_BARS = 34  # in a row: beyond, a cylinder takes another
LEVEL = 2.7 * SMALL  # [pt] from bar to bar that labels need to lie level
HATCHED: dict[str, Any] = {"facecolor": "white", "edgecolor": PARTS["pneumatic"].colour, "hatch": "////", "lw": 0.7}
NET = "pneumatic"


@dataclass(frozen=True)
class Row:
    """The bars of one cylinder, or some of them where there are many, pressure by pressure."""

    cylinder: str
    groups: tuple[Group, ...]

    @property
    def runs(self) -> tuple[Run, ...]:
        """As they stand from left to right."""
        return tuple(run for group in self.groups for run in group.runs)

    @property
    def places(self) -> FloatArray:
        """Centres of the bars, which are one unit wide: apart where the frequency changes, and more by pressure."""
        found, at = list[float](), 0.0
        for group in self.groups:
            for block in frequency_blocks(group.runs):
                found += [at + i for i in range(len(block))]
                at += len(block) + GAP
            at += STEP
        return np.array(found)

    @property
    def span(self) -> float:
        """From the left edge to the right, in bars."""
        return float(self.places[-1] - self.places[0] + 2)

    def stands_upright(self, width: float) -> bool:
        """Whether labels of bars have no room to lie level in a row of a width [pt]."""
        return width / self.span < LEVEL


def rows_of(groups: Sequence[Group]) -> list[Row]:
    """One row a cylinder; one with more than MOST_BARS goes on in the next, with a new pressure where that fits."""
    rows = list[Row]()
    for name, members in groupby(_pieces(groups), key=lambda group: group.cylinder):
        taken = list[Group]()
        for piece in members:
            if taken and sum(len(one.runs) for one in (*taken, piece)) > MOST_BARS:
                rows.append(Row(name, tuple(taken)))
                taken = []
            taken.append(piece)
        rows.append(Row(name, tuple(taken)))
    return rows


def _pieces(groups: Sequence[Group]) -> list[Group]:
    """Groups, cut where one alone has more bars than a row takes."""
    return [
        Group(group.cylinder, group.pressure, group.look, group.runs[start : start + MOST_BARS])
        for group in groups
        for start in range(0, len(group.runs), MOST_BARS)
    ]


def parts_figure(split: Split) -> Figure:
    """Each loaded run's input as a stack of parts upon the net pneumatic power, which has its 95 % interval."""
    rows, shown = rows_of(run_groups(split.answer)), shown_parts(split.answer.runs)
    labels = [PARTS[name].label for name in shown]
    labels += [AT_MOST] if any(run.at_most for run in split.answer.runs) else []
    width = float(np.clip(WIDEST_BAR * max(row.span for row in rows), *WIDTHS))
    bottom = 0.95 if any(row.stands_upright(width * POINTS) for row in rows) else 0.75
    height = 2.2 if len(rows) <= FEW else 1.8
    cell = Cell(width, (height,), left=0.75, right=label_width(labels), top=0.48, bottom=bottom)
    figure, panels = cells(len(rows), 1, cell)
    for (ax,), row in zip(panels, rows, strict=True):
        plot_parts(row, ax, shown)
        ax.set_title(cylinder_text(row.cylinder), pad=16)
    foot = min(ax.get_ylim()[0] for (ax,) in panels)
    top = max(ax.get_ylim()[1] for (ax,) in panels)
    for (ax,), row in zip(panels, rows, strict=True):
        ax.set_ylim(foot, top)
        label_ends(ax, _part_ends(row, shown), plain=True)
    return figure


def _top(run: Run) -> float:
    """Where a run's bar ends: with a negative net power the losses reach higher than the input. [W]"""
    return max(run.input.value, run.input.value - run.pneumatic.value, run.pneumatic.high)


def frequency_blocks(runs: Sequence[Run]) -> list[Sequence[Run]]:
    """Runs by rising frequency, those within 1 % of each other together."""
    frequency = np.array([run.frequency for run in runs])
    starts = np.flatnonzero(np.diff(frequency) > SAME_FREQUENCY * frequency[1:]) + 1
    return [runs[start:end] for start, end in pairwise([0, *starts, len(runs)])]


def plot_parts(row: Row, ax: Axes, shown: Sequence[str]) -> Axes:
    """Stacked bars, net power at the foot; frequency below each, above it the share of the input that is net."""
    runs, places = row.runs, row.places
    span = max(row.span, size_in_points(ax)[0] / POINTS / WIDEST_BAR)  # few bars stay slender
    ax.set_xlim(places[-1] + 1 - span, places[-1] + 1)
    ax.set_ylim(0, 1.02 * max(map(_top, runs)))
    _stack(ax, runs, places, shown)
    _at_most(ax, runs, places)
    _interval(ax, runs, places)
    _name_bars(ax, row)
    ax.set(xlabel=FREQUENCY, ylabel="Power [W]")
    return ax


def _stack(ax: Axes, runs: Sequence[Run], places: FloatArray, shown: Sequence[str]) -> None:
    """Parts on top of each other, the net power lowest; negative ones hang below zero."""
    above, below = np.zeros(len(runs)), np.zeros(len(runs))
    for name in reversed(shown):
        look = PARTS[name]
        height = np.array([part(run, name).value for run in runs])
        look.fill(ax, _bars(places, height, np.where(height >= 0, above, below)))
        above, below = above + np.maximum(height, 0), below + np.minimum(height, 0)
    if below.any():
        ax.axhline(0, color=INK, lw=0.8)
        ax.set_ylim(1.1 * min(below.min(), *(run.pneumatic.low for run in runs)))


def _bars(places: FloatArray, height: FloatArray, base: FloatArray) -> Path:
    """Bars of one part as one shape, which is drawn in a fraction of the time that each by itself takes."""
    from matplotlib.path import Path

    left, right, top = places - BAR / 2, places + BAR / 2, base + height
    corners = np.stack([left, base, right, base, right, top, left, top, left, base], axis=1)
    return Path(corners.reshape(-1, 2), np.tile([Path.MOVETO, *[Path.LINETO] * 3, Path.CLOSEPOLY], len(places)))


def _at_most(ax: Axes, runs: Sequence[Run], places: FloatArray) -> None:
    """Hatched from the net power up to where it would be by the plain subtraction."""
    for run, place in zip(runs, places, strict=True):
        beyond = 0.0 if run.at_most is None else run.at_most.value - run.pneumatic.value
        if beyond > 0:
            ax.bar(place, beyond, 0.5, run.pneumatic.value, **HATCHED)


def _interval(ax: Axes, runs: Sequence[Run], places: FloatArray) -> None:
    """The net power's 95 % interval, in the middle of its bar."""
    net = [run.pneumatic for run in runs]
    values = [one.value for one in net]
    ax.errorbar(places, values, error_bars(net), ls="", color="white", elinewidth=3.2)
    ax.errorbar(places, values, error_bars(net), ls="", color=INK, capsize=2.0, elinewidth=1.1, marker="_", ms=5)


def _name_bars(ax: Axes, row: Row) -> None:
    """Frequency under each bar, the pressure under its bars, above each the net share; upright where there are many."""
    places, runs = row.places, row.runs
    upright = row.stands_upright(size_in_points(ax)[0])
    small: dict[str, Any] = {"fontsize": SMALL - 1 if upright else SMALL, "rotation": 90 if upright else 0}
    ax.tick_params(axis="x", length=0, pad=2)
    ax.set_xticks(places, [f"{run.frequency:.3g}" for run in runs], **small)
    for run, x in zip(runs, places, strict=True):
        share = run.efficiency_ceiling
        if share is not None:
            above: dict[str, Any] = {"textcoords": "offset points", "ha": "center", "va": "bottom"}
            ax.annotate(percent(share.value), (x, _top(run)), (0, 3), **above, **small)
    start, depth = 0, 30.0 if upright else 16.0
    for group in row.groups:
        centre = float(np.mean(places[start : start + len(group.runs)]))
        _name_group(ax, series_text(group.pressure), centre, depth)
        start += len(group.runs)
    ax.xaxis.set_label_coords(0.5, -(depth + LABEL_STEP + 3) / size_in_points(ax)[1])


def _name_group(ax: Axes, text: str, centre: float, depth: float) -> None:
    """A pressure below the frequencies of its bars."""
    below: dict[str, Any] = {"xycoords": ("data", "axes fraction"), "textcoords": "offset points"}
    ax.annotate(text, (centre, 0), (0, -depth), ha="center", va="top", fontsize=SMALL, annotation_clip=False, **below)


def _part_ends(row: Row, shown: Sequence[str]) -> list[End]:
    """Names of the parts, at the right of the row's last bar; of what is hatched, too."""
    run, x = row.runs[-1], float(row.places[-1]) + 0.46
    ends, above, below = list[End](), 0.0, 0.0
    for name in reversed(shown):
        height = part(run, name).value
        foot = above if height >= 0 else below
        if height:
            ends.append(End(x, foot + height / 2, PARTS[name].label, PARTS[name].colour))
        above, below = above + max(height, 0.0), below + min(height, 0.0)
    if run.at_most is not None:
        ends.append(End(x - 0.21, (run.pneumatic.value + run.at_most.value) / 2, AT_MOST, PARTS[NET].colour))
    return ends


def alt_text(split: Split) -> str:
    """Which parts there are, and the net share at both ends of each series."""
    runs = split.answer.runs
    parts = listed(PARTS[name].label for name in shown_parts(runs))
    return (
        f"Stacked bars of the input power of {len(runs)} loaded runs against crank frequency, split into "
        f"{parts}. Net pneumatic share of the input: {net_shares(split.answer)}.{at_most_words(runs)}"
    )


DRAWING = Drawing(
    parts_figure,
    alt_text,
    "Every loaded run, split into its parts: net power at the foot with its 95 % interval, above each bar the net "
    "share of the input.",
)
