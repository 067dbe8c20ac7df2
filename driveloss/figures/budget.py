"""Half-width of the 95 % interval of the net power that each source of error causes on its own."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from driveloss.breakdown.budget import is_assumed, seen, source_name
from driveloss.figures.layout import Cell, cells, draw_rows, label_width, name_rows
from driveloss.figures.runs import Split
from driveloss.figures.style import SMALL, Drawing, PartLook, series_look
from driveloss.fit.contributions import OVER_RUNS, over_runs
from driveloss.say.numbers import watts
from driveloss.say.sheet import listed

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

BAR_STEP = 0.28  # [in] from bar to bar
STATED = PartLook("stated", series_look(0, 0).colour)
ASSUMED = PartLook("assumed", "#5e9cc4", "///")
TEXT: dict[str, Any] = {"va": "center", "fontsize": SMALL}


@dataclass(frozen=True)
class Bar:
    """A source of error, whether its limits are assumed, and its watts."""

    name: str
    is_assumed: bool
    width: float


def bars_of(split: Split) -> list[Bar]:
    """The sources that are seen: over all runs, or of one run alone, if that is asked for; largest first."""
    at = slice(None) if split.run is None else slice(split.index, split.index + 1)
    found = {source: over_runs(half_widths[at]) for source, half_widths in split.shares.items()}
    shown = sorted(seen(found).items(), key=lambda pair: -pair[1])
    return [Bar(source_name(split.answer, name), is_assumed(split.answer, name), width) for name, width in shown]


def budget_figure(split: Split) -> Figure:
    """One bar a source."""
    bars = bars_of(split)
    cell = Cell(3.8, (BAR_STEP * max(len(bars), 2),), left=label_width(bar.name for bar in bars), right=0.7)
    figure, panels = cells(1, 1, cell)
    plot_budget(bars, panels[0][0]).set_xlabel(f"Half-width of the 95 % interval, {_of(split)} [W]")
    return figure


def _of(split: Split) -> str:
    """Which runs the bars are of."""
    return OVER_RUNS if split.run is None else f"run {split.index + 1}"


def plot_budget(bars: Sequence[Bar], ax: Axes) -> Axes:
    """Horizontal bars with their values [W], hatched where assumed; the first entry on top."""
    draw_rows(ax, [bar.width for bar in bars], [ASSUMED if bar.is_assumed else STATED for bar in bars])
    for row, bar in enumerate(bars):
        ax.annotate(f"{watts(bar.width)} W", (bar.width, row), (4, 0), textcoords="offset points", **TEXT)
    name_rows(ax, [bar.name for bar in bars])
    ax.set_title("What the net power's uncertainty comes from")
    return ax


def alt_text(split: Split) -> str:
    """Every bar."""
    entries = listed(f"{bar.name} {watts(bar.width)} W" for bar in bars_of(split))
    return (
        "Half-width of the 95 % interval of the net power that each source of error causes on its own, "
        f"{_of(split)}: {entries}."
    )


DRAWING = Drawing(
    budget_figure,
    alt_text,
    "What makes the net power uncertain, each source alone at work, over all runs. Hatched: not stated in "
    "bench.toml, so assumed.",
)
