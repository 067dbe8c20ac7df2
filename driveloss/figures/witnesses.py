"""Every witness of the same watt with its 95 % interval, place by place; the joint answer as a band behind all."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from driveloss.figures.layout import LEADER, blank, label_width, mark_rows, place_axes
from driveloss.figures.style import (
    GREY,
    INK,
    LONGEST_FILE,
    PARTS,
    SMALL,
    Drawing,
    Look,
    cylinder_text,
    error_bars,
    minus,
    series_look,
    shortened,
    text_colour,
    watts,
)
from driveloss.say.numbers import bar
from driveloss.say.quantities import QUANTITIES
from driveloss.witnesses.ask import JOINT, LADDER, Testimony, Witnesses

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

ROW = 0.30  # [in] from witness to witness
WIDTH = 3.4  # [in] of the axes
TOP, BOTTOM, HEAD, FOOT = 0.40, 0.28, 0.20, 0.30  # [in] above and below a panel, above the first and below the last
UNLIKELY = 0.001  # chance that needs no closer number
OTHERS = Look(series_look(0, 0).colour, "s", filled=False)
LOOKS = {LADDER: Look(INK, "o"), "subtraction": Look(INK, "o"), JOINT: Look(PARTS["pneumatic"].colour, "D")}

Place = tuple[Testimony, ...]


def places(answer: Witnesses) -> list[Place]:
    """What is said of each part at each place; a witness that is called twice there is heard once."""
    found: dict[str, dict[str, Testimony]] = {}
    for one in answer.testimonies:
        found.setdefault(place_text(one), {})[one.witness] = one
    return [tuple(sorted(said.values(), key=lambda one: one.witness == JOINT)) for said in found.values()]


def place_text(one: Testimony) -> str:
    """Part, cylinder, pressure and frequency, as far as they are named."""
    cylinder = cylinder_text(one.cylinder) if one.cylinder else ""
    pressure = f"{bar(one.mean_pressure)} bar" if one.mean_pressure is not None else ""
    named = (QUANTITIES[one.part].words.capitalize(), cylinder, pressure, f"{one.frequency:.2f} Hz")
    return ", ".join(word for word in named if word)


def verdict(answer: Witnesses) -> str:
    """Whether they agree, for a title."""
    chance = f"{answer.chance:.2g}" if answer.chance > UNLIKELY else f"below {UNLIKELY}"
    return f"The witnesses {'agree' if answer.agree else 'do not agree'} (chance {chance})"


def witnesses_figure(answer: Witnesses) -> Figure:
    """One panel a place, each to a scale of its own; all rows equally high."""
    found = places(answer)
    left = label_width(_name(one) for said in found for one in said)
    right = label_width(watts(one.power) for said in found for one in said)
    heights = [ROW * len(said) for said in found]
    high = HEAD + sum(heights) + (TOP + BOTTOM) * len(found) + FOOT
    figure = blank(left + WIDTH + right, high)
    y = high - HEAD
    for said, height in zip(found, heights, strict=True):
        y -= TOP + height
        plot_place(said, place_axes(figure, (left, y, WIDTH, height)))
        y -= BOTTOM
    figure.axes[-1].set_xlabel("Power, with its 95 % interval [W]")
    figure.text(0.1 / (left + WIDTH + right), 1 - 0.1 / high, verdict(answer), va="top", weight="bold")
    return figure


def _name(one: Testimony) -> str:
    """A witness, short enough for a label."""
    return shortened(one.witness, LONGEST_FILE)


def plot_place(said: Sequence[Testimony], ax: Axes) -> Axes:
    """Dots with intervals [W], the first witness on top, numbers at the right; a band where the joint answer lies."""
    mark_rows(ax)
    for row, one in enumerate(said):
        look = LOOKS.get(one.witness, OTHERS)
        if one.witness == JOINT:
            ax.axvspan(one.power.low, one.power.high, color=look.colour, alpha=0.12, lw=0)
        ax.errorbar(one.power.value, row, xerr=error_bars([one.power]), elinewidth=1.6, **look.marks)
        ax.annotate(
            watts(one.power),
            (1, row),
            (LEADER, 0),
            xycoords=("axes fraction", "data"),
            textcoords="offset points",
            va="center",
            color=text_colour(look.colour),
            fontsize=SMALL,
            annotation_clip=False,
        )
    ax.set_yticks(range(len(said)), [_name(one) for one in said])
    ax.set_ylim(len(said) - 0.5, -0.5)
    ax.locator_params(axis="x", nbins=6)
    ax.set_title(place_text(said[0]), color=GREY, weight="normal")
    return ax


def alt_text(answer: Witnesses) -> str:
    """The verdict, and every number."""
    entries = (
        f"{place_text(said[0])}: {', '.join(f'{one.witness} {watts(one.power)}' for one in said)}"
        for said in places(answer)
    )
    return f"{verdict(answer)}. {minus('; '.join(entries))}."


DRAWING = Drawing(
    witnesses_figure,
    alt_text,
    "Values with their 95 % intervals, each place to a scale of its own. Band: the joint answer, where all agree.",
)
