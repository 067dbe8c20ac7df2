"""Where things go on a sheet: panels, names at the ends of curves, legends. Sizes in inches unless said."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from driveloss.figures.style import GREY, INK, SMALL, text_colour

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from driveloss.figures.style import PartLook

POINTS = 72  # in an inch
CHARACTER = 0.63 * SMALL / POINTS  # [in] width allowed for one character of a small label
LABEL_STEP = 1.35 * SMALL  # [pt] from one small label to the next
LEADER = 12.0  # [pt] from the axes to a label beside them
CLEAR = 3.0  # [pt] that a leader keeps from its label and from what it leads to
KEY_LEFT, KEY_STEP, KEY_HANDLE = 0.85, 0.24, 0.55  # [in] of a legend: margin, row, room for one handle


@dataclass(frozen=True)
class Cell:
    """The size of one cell of panels and the margins around them. [in]"""

    width: float
    heights: tuple[float, ...]  # of the panels in it, from the top
    left: float = 0.90
    right: float = 0.25
    top: float = 0.40
    bottom: float = 0.60
    between: float = 0.12

    @property
    def outer(self) -> tuple[float, float]:
        """Width and height with the margins. [in]"""
        inside = sum(self.heights) + self.between * (len(self.heights) - 1)
        return self.left + self.width + self.right, self.top + inside + self.bottom


def cells(count: int, columns: int, cell: Cell, head: float = 0.0) -> tuple[Figure, list[list[Axes]]]:
    """A figure with `count` cells in rows of `columns`, below a strip of height `head` [in]; the panels by cell."""
    rows = -(-count // columns)
    wide, high = cell.outer
    figure = blank(wide * columns, high * rows + head)
    made = []
    for index in range(count):
        row, column = divmod(index, columns)
        made.append(_panels(figure, cell, column * wide, (rows - row) * high))
    return figure, made


def name_rows(ax: Axes, names: Sequence[str]) -> None:
    """Name horizontal bars, the first on top, which start at a line at zero."""
    mark_rows(ax)
    ax.set_yticks(range(len(names)), list(names))
    ax.set_ylim(len(names) - 0.4, -0.6)
    ax.axvline(0, color=GREY, lw=0.9)


def mark_rows(ax: Axes) -> None:
    """Grid lines upright and no ticks at the left: best set before there are ticks, of which each takes its time."""
    ax.tick_params(axis="y", length=0)
    ax.grid(visible=False, axis="y")
    ax.grid(visible=True, axis="x")


def draw_rows(
    ax: Axes, sizes: Sequence[float], looks: Sequence[PartLook], starts: float | Sequence[float] = 0.0
) -> None:
    """Horizontal bars, a row each from the top."""
    colours, hatches = [look.colour for look in looks], [look.hatch for look in looks]
    ax.barh(range(len(sizes)), sizes, 0.62, left=starts, color=colours, hatch=hatches, edgecolor="white", lw=0)


def blank(width: float, height: float) -> Figure:
    """An empty figure of a size. [in]"""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width, height))
    FigureCanvasAgg(figure)
    return figure


def place_axes(figure: Figure, box: tuple[float, float, float, float], sharex: Axes | None = None) -> Axes:
    """Axes in a box of the figure: left, bottom, width, height. [in]"""
    (left, bottom, width, height), (wide, high) = box, figure.get_size_inches()
    return figure.add_axes((left / wide, bottom / high, width / wide, height / high), sharex=sharex)


def _panels(figure: Figure, cell: Cell, left: float, top: float) -> list[Axes]:
    """The panels of one cell; they share the frequency axis of the last."""
    panels: list[Axes] = []
    y = top - cell.top
    for height in cell.heights:
        y -= height
        shared = panels[0] if panels else None
        panels.append(place_axes(figure, (left + cell.left, y, cell.width, height), sharex=shared))
        y -= cell.between
    for panel in panels[:-1]:
        panel.tick_params(labelbottom=False)
    return panels


def size_in_points(ax: Axes) -> tuple[float, float]:
    """Width and height of axes. [pt]"""
    scale = POINTS / ax.figure.dpi
    return float(ax.bbox.width * scale), float(ax.bbox.height * scale)


@dataclass(frozen=True)
class End:
    """The end of a curve, and what to write beside it."""

    x: float
    y: float
    text: str
    colour: str


def label_ends(ax: Axes, ends: Sequence[End], *, plain: bool = False) -> Axes:
    """Write each curve's name at the right of the axes, moved apart where they would meet; freezes the limits.

    plain: in ink, where the colours are those of areas.
    """
    ax.set_xlim(*ax.get_xlim())
    ax.set_ylim(*ax.get_ylim())
    width, height = size_in_points(ax)
    low, high = ax.get_ylim()
    wanted = [(end.y - low) / (high - low) * height for end in ends]
    places = [(width + LEADER, y) for y in spread(wanted, LABEL_STEP, 0.0, height)]
    colours = [INK if plain else text_colour(end.colour) for end in ends]
    _write_names(ax, ends, places, colours, va="center")
    return ax


def label_tops(ax: Axes, ends: Sequence[End]) -> Axes:
    """Write the names of series above the axes, each over its highest end as near as can be; freezes the limits."""
    ax.set_xlim(*ax.get_xlim())
    ax.set_ylim(*ax.get_ylim())
    width, height = size_in_points(ax)
    low, high = ax.get_xlim()
    upright = tops_stand_upright([end.text for end in ends], width / POINTS)
    step = LABEL_STEP if upright else top_width([end.text for end in ends]) * POINTS
    wanted = [(end.x - low) / (high - low) * width for end in ends]
    places = [(x, height + 0.6 * LEADER) for x in spread(wanted, step, step / 2, width - step / 2)]
    colours = [text_colour(end.colour) for end in ends]
    _write_names(ax, ends, places, colours, ha="center", va="bottom", rotation=90 if upright else 0)
    return ax


def _write_names(
    ax: Axes, ends: Sequence[End], places: Sequence[tuple[float, float]], colours: Sequence[Any], **text: Any
) -> None:
    """Names at places from the lower left corner of the axes [pt], each with a thin line to its end."""
    from matplotlib.collections import LineCollection

    if not ends:
        return
    size = np.array(size_in_points(ax))
    low, high = np.transpose([ax.get_xlim(), ax.get_ylim()])
    marks = (np.array([(end.x, end.y) for end in ends]) - low) / (high - low) * size
    way = marks - places
    gap = CLEAR * way / np.hypot(*way.T)[:, None]
    leaders = np.stack([places + gap, marks - gap], axis=1) / size
    frame: dict[str, Any] = {"transform": ax.transAxes, "clip_on": False}
    colour = [end.colour for end in ends]
    ax.add_collection(LineCollection(leaders, colors=colour, lw=0.7, zorder=3, **frame), autolim=False)
    for end, place, ink in zip(ends, np.array(places) / size, colours, strict=True):
        ax.text(place[0], place[1], end.text, color=ink, fontsize=SMALL, **frame, **text)


def tops_stand_upright(texts: Sequence[str], width: float) -> bool:
    """Whether names above axes of a width [in] have no room to lie level."""
    return len(texts) * top_width(texts) > width


def top_width(texts: Iterable[str]) -> float:
    """Room for the longest of some names, with a gap. [in]"""
    return (max(map(len, texts)) + 1) * CHARACTER


def spread(wanted: Sequence[float], step: float, low: float, high: float) -> list[float]:
    """Places at least `step` apart and as near as can be (least squares) to those wanted, within low and high.

    Where there is no room between the limits the upper one is passed.
    >>> spread([5.0, 5.0, 20.0], 2.0, 0.0, 30.0)
    [4.0, 6.0, 20.0]
    """
    from scipy.optimize import isotonic_regression

    order = np.argsort(wanted, kind="stable")
    offsets = step * np.arange(len(wanted))  # of each label from the lowest, where they stand as close as they may
    lowest = isotonic_regression(np.asarray(wanted)[order] - offsets).x
    lowest = np.maximum(np.minimum(lowest, high - step * (len(wanted) - 1)), low)
    places = np.empty(len(wanted))
    places[order] = lowest + offsets
    return [float(place) for place in places]


def label_width(texts: Iterable[str]) -> float:
    """Margin that labels at the ends of curves need. [in]"""
    return max((len(text) for text in texts), default=0) * CHARACTER + LEADER / POINTS + 0.1


def legend_rows(handles: Sequence[Artist], width: float) -> list[list[Artist]]:
    """Entries of a legend in rows that stay within a width. [in]"""
    rows: list[list[Artist]] = [[]]
    used = 0.0
    for handle in handles:
        own = len(str(handle.get_label())) * CHARACTER + KEY_HANDLE
        if rows[-1] and used + own > width:
            rows.append([])
            used = 0.0
        rows[-1].append(handle)
        used += own
    return rows


def draw_legend(figure: Figure, rows: list[list[Artist]]) -> None:
    """Rows of a legend from the upper left corner of the figure downwards."""
    wide, high = figure.get_size_inches()
    for index, row in enumerate(rows):
        figure.legend(
            handles=row,
            loc="upper left",
            bbox_to_anchor=(KEY_LEFT / wide, 1 - (0.06 + index * KEY_STEP) / high),
            ncols=len(row),
            borderaxespad=0,
            borderpad=0.2,
            handlelength=1.8,
            columnspacing=1.4,
        )
