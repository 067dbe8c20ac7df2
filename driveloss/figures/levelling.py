"""Why more power does not make it colder: the drop that was to be expected, what takes of it, and what came."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from driveloss.breakdown.levelling import Levelling
from driveloss.errors import InputError
from driveloss.figures.layout import Cell, cells, draw_rows, label_width, name_rows
from driveloss.figures.runs import Split
from driveloss.figures.style import GREY, SMALL, Drawing, PartLook, minus, series_look, series_text
from driveloss.fit.estimate import Estimate
from driveloss.say.numbers import bar, plus_minus

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

ROW, WIDTH = 0.26, 2.3  # [in] of a bar, of a panel: two side by side are as wide as a page
TAKEN = "#b4552d"
TEXT: dict[str, Any] = {"va": "center", "fontsize": SMALL}
WORDS = {  # where a cause takes of the drop, and where it gives
    "expected": ("expected as the input grew",) * 2,
    "net": ("net power grew less", "net power grew faster"),
    "hot_end": ("hot end climbed", "hot end sank"),
    "load": ("load at the cold end grew", "load at the cold end grew less"),
    "seen": ("colder by",) * 2,
}


@dataclass(frozen=True)
class Bar:
    """From where the one before ended; its size counts upwards, or downwards where `sign` is -1."""

    start: float
    size: Estimate
    colour: str
    sign: float = 1.0

    @property
    def end(self) -> float:
        """Where the next one begins."""
        return self.start + self.sign * self.size.value


def levelling_figure(split: Split) -> Figure:
    """One panel a series, from what was to be expected down to what came. Raises InputError where no run tells."""
    found = split.levels
    if not found:
        raise InputError(
            "levelling: expected loaded runs with cold end and hot end whose input grows by a fifth or more, read none"
        )
    names = label_width(word for pair in WORDS.values() for word in pair)
    cell = Cell(WIDTH, (ROW * len(WORDS),), left=names, right=0.9)
    figure, panels = cells(len(found), min(len(found), 2), cell)
    for one, (ax, *_) in zip(found, panels, strict=True):
        _plot(one, ax, -(names - 0.1) / WIDTH)
    return figure


def _plot(one: Levelling, ax: Axes, left: float) -> None:
    """left: where the title begins, as a share of the panel's width."""
    bars = [Bar(0.0, one.expected, series_look(0, 0).colour)]
    at = one.expected.value
    for key in ("net", "hot_end", "load"):
        cause: Estimate = getattr(one, key)
        bars.append(Bar(at, cause, TAKEN if cause.value > 0 else GREY, sign=-1.0))
        at -= cause.value
    bars.append(Bar(0.0, one.seen, series_look(0, 1).colour))
    looks = [PartLook("", bar.colour) for bar in bars]
    draw_rows(ax, [bar.end - bar.start for bar in bars], looks, [bar.start for bar in bars])
    for row, bar_of in enumerate(bars):
        _interval(ax, row, bar_of)
    name_rows(ax, [pair[getattr(one, key).value < 0] for key, pair in WORDS.items()])
    ax.margins(x=0.12)
    ax.set_title(f"{series_text(one.mean_pressure, one.cylinder)}: input times {one.growth:.2f}", x=left)
    ax.set_xlabel("Cold end below the coolant, gain [K]")


def _interval(ax: Axes, row: int, bar_of: Bar) -> None:
    """A bar's interval at its end, its number beside it."""
    end, half = bar_of.end, bar_of.size.half_width
    ax.plot([end - half, end + half], [row, row], color="black", lw=1.1, marker="|", ms=5)
    right, text = max(bar_of.start, end, end + half), f"{plus_minus(bar_of.size, bar_of.sign)} K"
    ax.annotate(text, (right, row), (5, 0), textcoords="offset points", **TEXT)


def alt_text(split: Split) -> str:
    """What was to be expected of each series, and what came."""
    entries = (
        f"{one.cylinder} at {bar(one.mean_pressure)} bar {plus_minus(one.expected)} K, it is {plus_minus(one.seen)} K"
        for one in split.levels
    )
    return minus(f"Had the drop grown as the input did, the cold end would be colder by: {'; '.join(entries)}.")


DRAWING = Drawing(
    levelling_figure,
    alt_text,
    "What becomes of the drop that a rise of input lets expect, from the weakest to the strongest run, with 95 % "
    "intervals.",
)
