"""Where the input of each loaded run goes: one stacked bar a run, one panel a cylinder and pressure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from driveloss.breakdown.ask import Breakdown, Run
from driveloss.figures.layout import (
    KEY_LEFT,
    KEY_STEP,
    Cell,
    cells,
    draw_legend,
    legend_rows,
    size_in_points,
)
from driveloss.figures.style import (
    FREQUENCY,
    INK,
    PARTS,
    SMALL,
    Look,
    drawing,
    error_bars,
    percent,
    series_look,
    series_text,
)
from driveloss.fit.readings import pressure_groups
from driveloss.fit.scatter import SAME_FREQUENCY

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

GAP = 0.45  # between frequencies, as a fraction of a bar
BAR_WIDTH = 0.26  # [in] of one bar where there is room
WIDTHS = (3.6, 7.5)  # [in] of a panel
TICK_WIDTH = 3.6 * SMALL  # [pt] that a frequency or a percentage needs
CROWDED = 24  # bars beyond which a panel takes the whole width


@dataclass(frozen=True)
class Group:
    """The loaded runs of one cylinder at one mean pressure, by rising frequency."""

    cylinder: str
    pressure: float  # [Pa]
    look: Look
    runs: tuple[Run, ...]

    @property
    def label(self) -> str:
        """Cylinder and pressure."""
        return series_text(self.pressure, self.cylinder)


@drawing()
def breakdown_figure(answer: Breakdown) -> Figure:
    """Each loaded run's input as a stack of parts, with the 95 % intervals of the input and the net pneumatic power."""
    groups = run_groups(answer)
    longest = max(len(group.runs) for group in groups)
    columns = 1 if len(groups) == 1 or longest > CROWDED else 2
    width = float(np.clip(BAR_WIDTH * (longest + 3), *WIDTHS))
    cell = Cell(width, (2.7 if len(groups) <= 4 else 2.1,))
    key = legend_rows(legend_handles(answer.runs), cell.outer[0] * columns - KEY_LEFT)
    figure, panels = cells(len(groups), columns, cell, KEY_STEP * len(key) + 0.1)
    top = 1.14 * max(_top(run) for run in answer.runs)
    for (ax,), group in zip(panels, groups, strict=True):
        plot_breakdown(group.runs, ax)
        ax.set_title(group.label)
    foot = min(ax.get_ylim()[0] for (ax,) in panels)
    for (ax,) in panels:
        ax.set_ylim(foot, top)
    draw_legend(figure, key)
    return figure


def run_groups(answer: Breakdown) -> list[Group]:
    """The runs by cylinder (in the order of the bench) and by rising mean pressure."""
    groups = []
    for index, name in enumerate(answer.calibration.rig.cylinders):
        runs = [run for run in answer.runs if run.cylinder == name]
        numbers = pressure_groups(np.array([run.mean_pressure for run in runs]))
        for number_ in np.unique(numbers):
            mine = [run for run, own in zip(runs, numbers, strict=True) if own == number_]
            pressure = float(np.mean([run.mean_pressure for run in mine]))
            ordered = tuple(sorted(mine, key=lambda run: run.frequency))
            groups.append(Group(name, pressure, series_look(index, int(number_)), ordered))
    return groups


def shown_parts(runs: Sequence[Run]) -> list[str]:
    """The parts that add up to the input, lowest first; a part that is nil in every run is left out."""
    split = all(run.parts["linkage"] is not None for run in runs)
    left_out = "drive" if split else "linkage motor"
    return [name for name in PARTS if name not in left_out.split() and any(_value(run, name) for run in runs)]


def _value(run: Run, part: str) -> float:
    estimate = run.parts[part]
    return 0.0 if estimate is None else estimate.value


def _top(run: Run) -> float:
    """Where a run's bar and intervals end: with a negative net power the losses reach higher than the input. [W]"""
    whole, net = run.parts["input"], run.parts["pneumatic"]
    assert whole is not None and net is not None
    return max(whole.high, whole.value - net.low)


def frequency_blocks(runs: Sequence[Run]) -> list[list[Run]]:
    """Runs by rising frequency, those within 1 % of each other together."""
    blocks: list[list[Run]] = []
    for run in runs:
        if blocks and run.frequency - blocks[-1][-1].frequency <= SAME_FREQUENCY * run.frequency:
            blocks[-1].append(run)
        else:
            blocks.append([run])
    return blocks


def plot_breakdown(runs: Sequence[Run], ax: Axes) -> Axes:
    """Stacked bars of runs sorted by frequency; above each frequency the mean share of the input that is net."""
    blocks = frequency_blocks(runs)
    places = list(_places(blocks))
    ax.set_xlim(places[0][0] - 1, places[-1][-1] + 1)
    flat = np.concatenate(places)
    _stack(ax, runs, flat)
    _intervals(ax, runs, flat)
    centres = [float(np.mean(place)) for place in places]
    _ticks(ax, blocks, centres)
    _percentages(ax, blocks, centres)
    ax.set(xlabel=FREQUENCY, ylabel="Power [W]")
    return ax


def _places(blocks: list[list[Run]]) -> Iterator[np.ndarray]:
    """Centres of the bars of each block, bars one unit wide."""
    start = 0.0
    for block in blocks:
        yield start + np.arange(len(block))
        start += len(block) + GAP


def _stack(ax: Axes, runs: Sequence[Run], places: np.ndarray) -> None:
    """Parts on top of each other; negative ones hang below zero."""
    above, below = np.zeros(len(runs)), np.zeros(len(runs))
    for name in shown_parts(runs):
        look = PARTS[name]
        height = np.array([_value(run, name) for run in runs])
        base = np.where(height >= 0, above, below)
        ax.bar(places, height, 0.92, base, color=look.colour, hatch=look.hatch, edgecolor="white", lw=0.6, label=name)
        above, below = above + np.maximum(height, 0), below + np.minimum(height, 0)
    if below.any():
        ax.axhline(0, color=INK, lw=0.8)


def _intervals(ax: Axes, runs: Sequence[Run], places: np.ndarray) -> None:
    """95 % intervals: the input's about its reading, the net power's about the foot of its block."""
    whole = [run.parts["input"] for run in runs]
    net = [run.parts["pneumatic"] for run in runs]
    values = np.array([w.value for w in whole if w])
    foot = values - np.array([n.value for n in net if n])
    style: dict[str, Any] = {"ls": "", "capsize": 2.0, "elinewidth": 1.1}
    ax.errorbar(places + 0.2, values, error_bars([w for w in whole if w]), marker="o", ms=3.5, color=INK, **style)
    up_and_down = error_bars([n for n in net if n])[::-1]  # a larger net power has a lower foot
    ax.errorbar(places - 0.2, foot, up_and_down, color="white", **{**style, "elinewidth": 3.2, "capsize": 0})
    ax.errorbar(places - 0.2, foot, up_and_down, marker="_", ms=6, color=INK, **style)


def _ticks(ax: Axes, blocks: list[list[Run]], centres: list[float]) -> None:
    """One frequency under each block, as many as fit."""
    every = _every(ax, centres)
    ax.set_xticks(centres, minor=True)
    texts = [f"{np.mean([run.frequency for run in block]):.3g}" for block in blocks]
    ax.set_xticks(centres[::every], texts[::every])
    ax.tick_params(axis="x", which="both", length=0)


def _every(ax: Axes, centres: list[float]) -> int:
    """Label every how many-th block, so that labels stay apart."""
    low, high = ax.get_xlim()
    nearest = min(np.diff(centres), default=np.inf) / (high - low) * size_in_points(ax)[0]
    return max(int(np.ceil(TICK_WIDTH / nearest)), 1)


def _percentages(ax: Axes, blocks: list[list[Run]], centres: list[float]) -> None:
    """The net share of the input above each labelled block, mean of its runs."""
    every = _every(ax, centres)
    for block, x in list(zip(blocks, centres, strict=True))[::every]:
        shares = [run.parts["efficiency_ceiling"] for run in block]
        known = [share.value for share in shares if share is not None]
        if known:
            text = percent(float(np.mean(known)))
            y = max(_top(run) for run in block)
            ax.annotate(text, (x, y), (0, 4), textcoords="offset points", ha="center", va="bottom", fontsize=SMALL)


def legend_handles(runs: Sequence[Run]) -> list[Artist]:
    """The parts in the order of the stack, then the two intervals."""
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    handles: list[Artist] = [
        Patch(facecolor=look.colour, hatch=look.hatch, edgecolor="white", lw=0.6, label=look.label)
        for look in (PARTS[name] for name in shown_parts(runs))
    ]
    handles.append(Line2D([], [], ls="", marker="o", ms=3.5, color=INK, label="input with 95 %"))
    handles.append(Line2D([], [], ls="", marker="_", ms=7, color=INK, label="foot of net with 95 %"))
    return handles
