"""Half-width of the 95 % interval of the net power that each source of error causes on its own."""

from __future__ import annotations

from collections.abc import Sequence
from statistics import median
from typing import TYPE_CHECKING

from driveloss.figures.layout import Cell, cells, label_width
from driveloss.figures.runs import Split
from driveloss.figures.style import GREY, SMALL, Drawing, listed, series_look
from driveloss.say.numbers import NEGLIGIBLE

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

BAR_STEP = 0.34  # [in] from bar to bar


def widths(split: Split) -> list[tuple[str, float]]:
    """Each source's watts: the median of the runs; of one run alone, if that is asked for, largest first, less nil."""
    if split.run is None:
        return [(source, median(half_widths.tolist())) for source, half_widths in split.shares.items()]
    pairs = [(source, float(half_widths[split.index])) for source, half_widths in split.shares.items()]
    return sorted((pair for pair in pairs if pair[1] > NEGLIGIBLE), key=lambda pair: -pair[1])


def budget_figure(split: Split) -> Figure:
    """One bar a source."""
    bars = widths(split)
    cell = Cell(4.6, (BAR_STEP * max(len(bars), 2),), left=label_width(name for name, _ in bars), right=0.7)
    figure, panels = cells(1, 1, cell)
    plot_budget(bars, panels[0][0])
    return figure


def plot_budget(bars: Sequence[tuple[str, float]], ax: Axes) -> Axes:
    """Horizontal bars with their values [W]; the first entry on top."""
    rows = range(len(bars))
    ax.barh(rows, [width for _, width in bars], 0.62, color=series_look(0, 0).colour)
    ax.set_yticks(rows, [name for name, _ in bars])
    ax.set_ylim(len(bars) - 0.4, -0.6)
    for row, (_, width) in enumerate(bars):
        ax.annotate(f"{width:.2g} W", (width, row), (4, 0), textcoords="offset points", va="center", fontsize=SMALL)
    ax.tick_params(axis="y", length=0)
    ax.grid(visible=False, axis="y")
    ax.grid(visible=True, axis="x")
    ax.axvline(0, color=GREY, lw=0.9)
    ax.set(xlabel="Half-width of the 95 % interval [W]", title="What the uncertainty comes from")
    return ax


def alt_text(split: Split) -> str:
    """Every bar."""
    entries = listed(f"{name} {width:.2g} W" for name, width in widths(split))
    return f"Half-width of the 95 % interval that each source of error causes on its own: {entries}."


DRAWING = Drawing(
    "budget",
    budget_figure,
    alt_text,
    "What makes the net power of the run with the most of it uncertain: each source alone at work.",
)
