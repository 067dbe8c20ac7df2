"""What each change of the machine would gain at one run, with its interval."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from driveloss.figures.layout import Cell, cells, draw_rows, label_width, name_rows
from driveloss.figures.style import INK, SMALL, Drawing, PartLook, series_look
from driveloss.say.numbers import NEGLIGIBLE, plus_minus
from driveloss.say.sheet import listed
from driveloss.whatif.ask import Gain, Gains
from driveloss.whatif.tell import place

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

BAR_STEP = 0.28  # [in] from bar to bar
STATED = PartLook("measured", series_look(0, 0).colour)
ASSUMED = PartLook("rests on what is assumed", "#5e9cc4", "///")
TEXT: dict[str, Any] = {"va": "center", "fontsize": SMALL}


def gains_figure(answer: Gains) -> Figure:
    """One bar a change that does anything, the one that gains most on top."""
    gains = at_work(answer)
    cell = Cell(3.8, (BAR_STEP * max(len(gains), 2),), left=label_width(gain.change for gain in gains), right=0.9)
    figure, panels = cells(1, 1, cell)
    plot_gains(gains, panels[0][0]).set_title(f"Gain at {place(answer)}")
    return figure


def at_work(answer: Gains) -> list[Gain]:
    """The changes without those that would do nothing."""
    return [gain for gain in answer.gains if abs(gain.net_gain.value) + gain.net_gain.half_width > NEGLIGIBLE]


def plot_gains(gains: Sequence[Gain], ax: Axes) -> Axes:
    """Horizontal bars with 95 % intervals and values [W], hatched where a change rests on an assumption."""
    draw_rows(ax, [one.net_gain.value for one in gains], [ASSUMED if one.rests_on else STATED for one in gains])
    for row, net in enumerate(gain.net_gain for gain in gains):
        ax.plot([net.low, net.high], [row, row], color=INK, lw=1.1, marker="|", ms=5)
        ax.annotate(f"{plus_minus(net)} W", (max(net.high, net.value), row), (5, 0), textcoords="offset points", **TEXT)
    name_rows(ax, [gain.change for gain in gains])
    ax.set_xlabel("Net power gained at the same input [W]")
    return ax


def alt_text(answer: Gains) -> str:
    """Every bar."""
    entries = listed(f"{gain.change} {plus_minus(gain.net_gain)} W" for gain in at_work(answer))
    return f"Net power gained at the same input by each change, at {place(answer)}: {entries}."


DRAWING = Drawing(
    gains_figure,
    alt_text,
    "What each change would bring at the same input, with 95 % intervals. Hatched: rests on what bench.toml does not "
    "state.",
)
