"""Where the input of each loaded run goes: one stacked bar a run, one panel a cylinder and pressure."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from driveloss.bench.records import FloatArray
from driveloss.breakdown.ask import Run
from driveloss.figures.layout import KEY_LEFT, KEY_STEP, Cell, cells, draw_legend, legend_rows, size_in_points
from driveloss.figures.runs import Split, at_most_words, net_shares, part, run_groups, shown_parts, with_parts
from driveloss.figures.style import AT_MOST, FREQUENCY, INK, PARTS, SMALL, Drawing, error_bars, percent
from driveloss.fit.scatter import SAME_FREQUENCY
from driveloss.say.sheet import listed

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

GAP = 0.45  # between frequencies, as a fraction of a bar
BAR_WIDTH = 0.26  # [in] of one bar where there is room
WIDTHS = (3.6, 7.5)  # [in] of a panel
TICK_WIDTH = 3.6 * SMALL  # [pt] that a frequency or a percentage needs
HATCHED: dict[str, Any] = {"facecolor": "white", "edgecolor": PARTS["pneumatic"].colour, "hatch": "////", "lw": 0.7}
CROWDED = 24  # bars beyond which a panel takes the whole width


def parts_figure(split: Split) -> Figure:
    """Each loaded run's input as a stack of parts, with the 95 % intervals of the input and the net pneumatic power."""
    groups, runs = run_groups(split.answer), split.answer.runs
    longest = max(len(group.runs) for group in groups)
    columns = 1 if len(groups) == 1 or longest > CROWDED else 2
    width = float(np.clip(BAR_WIDTH * (longest + 3), *WIDTHS))
    cell = Cell(width, (2.7 if len(groups) <= 4 else 2.1,))
    key = legend_rows(legend_handles(runs), cell.outer[0] * columns - KEY_LEFT)
    figure, panels = cells(len(groups), columns, cell, KEY_STEP * len(key) + 0.1)
    top = 1.14 * max(_top(run) for run in runs)
    for (ax,), group in zip(panels, groups, strict=True):
        plot_parts(group.runs, ax)
        ax.set_title(group.label)
    foot = min(ax.get_ylim()[0] for (ax,) in panels)
    for (ax,) in panels:
        ax.set_ylim(foot, top)
    draw_legend(figure, key)
    return figure


def _top(run: Run) -> float:
    """Where a run's bar and intervals end: with a negative net power the losses reach higher than the input. [W]"""
    return max(run.input.high, run.input.value - run.pneumatic.low)


def frequency_blocks(runs: Sequence[Run]) -> list[Sequence[Run]]:
    """Runs by rising frequency, those within 1 % of each other together."""
    frequency = np.array([run.frequency for run in runs])
    starts = np.flatnonzero(np.diff(frequency) > SAME_FREQUENCY * frequency[1:]) + 1
    return [runs[start:end] for start, end in pairwise([0, *starts, len(runs)])]


def plot_parts(runs: Sequence[Run], ax: Axes) -> Axes:
    """Stacked bars of runs sorted by frequency; above each frequency the mean share of the input that is net."""
    blocks = frequency_blocks(runs)
    numbers = np.repeat(np.arange(len(blocks)), [len(block) for block in blocks])
    places = np.arange(len(runs)) + GAP * numbers  # bars one unit wide
    ax.set_xlim(places[0] - 1, places[-1] + 1)
    _stack(ax, runs, places)
    _at_most(ax, runs, places)
    _intervals(ax, runs, places)
    centres = [float(np.mean(places[numbers == number])) for number in range(len(blocks))]
    _name_blocks(ax, blocks, centres)
    ax.set(xlabel=FREQUENCY, ylabel="Power [W]")
    return ax


def _stack(ax: Axes, runs: Sequence[Run], places: FloatArray) -> None:
    """Parts on top of each other; negative ones hang below zero."""
    above, below = np.zeros(len(runs)), np.zeros(len(runs))
    for name in shown_parts(runs):
        look = PARTS[name]
        height = np.array([part(run, name).value for run in runs])
        base = np.where(height >= 0, above, below)
        ax.bar(places, height, 0.92, base, color=look.colour, hatch=look.hatch, edgecolor="white", lw=0.6, label=name)
        above, below = above + np.maximum(height, 0), below + np.minimum(height, 0)
    if below.any():
        ax.axhline(0, color=INK, lw=0.8)


def _at_most(ax: Axes, runs: Sequence[Run], places: FloatArray) -> None:
    """Hatched from the foot of the net power down to where it would be by the plain subtraction."""
    for run, place in zip(runs, places, strict=True):
        beyond = 0.0 if run.at_most is None else run.at_most.value - run.pneumatic.value
        if beyond > 0:
            ax.bar(place + 0.23, -beyond, 0.36, run.input.value - run.pneumatic.value, **HATCHED)


def _intervals(ax: Axes, runs: Sequence[Run], places: FloatArray) -> None:
    """95 % intervals: the input's about its reading, the net power's about the foot of its block."""
    values = np.array([run.input.value for run in runs])
    foot = values - np.array([run.pneumatic.value for run in runs])
    style: dict[str, Any] = {"ls": "", "capsize": 2.0, "elinewidth": 1.1}
    ax.errorbar(places + 0.2, values, error_bars([run.input for run in runs]), marker="o", ms=3.5, color=INK, **style)
    up_and_down = error_bars([run.pneumatic for run in runs])[::-1]  # a larger net power has a lower foot
    ax.errorbar(places - 0.2, foot, up_and_down, color="white", **{**style, "elinewidth": 3.2, "capsize": 0})
    ax.errorbar(places - 0.2, foot, up_and_down, marker="_", ms=6, color=INK, **style)


def _name_blocks(ax: Axes, blocks: list[Sequence[Run]], centres: list[float]) -> None:
    """A frequency under each block and above it the net share of the input, mean of its runs; as many as fit."""
    low, high = ax.get_xlim()
    nearest = min(np.diff(centres), default=np.inf) / (high - low) * size_in_points(ax)[0]
    every = max(int(np.ceil(TICK_WIDTH / nearest)), 1)
    ax.set_xticks(centres, minor=True)
    texts = [f"{np.mean([run.frequency for run in block]):.3g}" for block in blocks]
    ax.set_xticks(centres[::every], texts[::every])
    ax.tick_params(axis="x", which="both", length=0)
    for block, x in zip(blocks[::every], centres[::every], strict=True):
        shares = [part(run, "efficiency_ceiling").value for run in with_parts(block, "efficiency_ceiling")]
        if shares:
            text, top = percent(float(np.mean(shares))), max(_top(run) for run in block)
            ax.annotate(text, (x, top), (0, 4), textcoords="offset points", ha="center", va="bottom", fontsize=SMALL)


def legend_handles(runs: Sequence[Run]) -> list[Artist]:
    """The parts in the order of the stack, then the two intervals."""
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    handles: list[Artist] = [
        Patch(facecolor=look.colour, hatch=look.hatch, edgecolor="white", lw=0.6, label=look.label)
        for look in (PARTS[name] for name in shown_parts(runs))
    ]
    if any(run.at_most for run in runs):
        handles.append(Patch(**HATCHED, label=AT_MOST))
    handles.append(Line2D([], [], ls="", marker="o", ms=3.5, color=INK, label="input with 95 %"))
    handles.append(Line2D([], [], ls="", marker="_", ms=7, color=INK, label="foot of net with 95 %"))
    return handles


def alt_text(split: Split) -> str:
    """Which parts there are, and the net share at both ends of each series."""
    runs = split.answer.runs
    parts = listed(PARTS[name].label for name in shown_parts(runs))
    return (
        f"Stacked bars of the input power of {len(runs)} loaded runs against crank frequency, split into "
        f"{parts}. Net pneumatic share of the input: {net_shares(split.answer)}.{at_most_words(runs)}"
    )


DRAWING = Drawing("breakdown", parts_figure, alt_text, "Every loaded run, split into its parts.")
