"""Palette, drawing settings and layout helpers that every figure shares.

Colours are taken from Okabe & Ito, Color Universal Design (2008), some of them darkened or lightened so that
neighbours also differ in grey.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from driveloss.bench.model import FloatArray
from driveloss.fit.estimate import Estimate, estimates
from driveloss.show.numbers import bar, plus_minus

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

INK, GREY, PALE = "#1c1c1c", "#6a6a6a", "#d5d5d5"
FREQUENCY = "Crank frequency [Hz]"
POINTS = 72  # in an inch
TEXT, SMALL = 10.0, 9.0  # [pt]
CHARACTER = 0.63 * SMALL / POINTS  # [in] width allowed for one character of a small label
LABEL_STEP = 1.35 * SMALL  # [pt] from one small label to the next
LEADER = 12.0  # [pt] from the axes to a label beside them
KEY_LEFT, KEY_STEP, KEY_HANDLE = 0.85, 0.24, 0.55  # [in] of a legend: margin, row, room for one handle
LONGEST_NAME = 20  # characters of a cylinder's name that a label shows

SETTINGS = {
    "font.family": "DejaVu Sans",  # comes with matplotlib: looks the same everywhere
    "font.size": TEXT,
    "text.parse_math": False,  # a dollar sign in a cylinder's name is a dollar sign
    "text.color": INK,
    "axes.labelcolor": INK,
    "axes.edgecolor": GREY,
    "axes.linewidth": 0.8,
    "axes.titlesize": TEXT,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.grid.axis": "y",
    "axes.axisbelow": True,
    "grid.color": "#e6e6e6",
    "grid.linewidth": 0.7,
    "xtick.color": GREY,
    "ytick.color": GREY,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "xtick.labelsize": SMALL,
    "ytick.labelsize": SMALL,
    "legend.frameon": False,
    "legend.fontsize": SMALL,
    "hatch.linewidth": 0.7,
    "lines.linewidth": 1.6,
    "lines.markersize": 5.0,
    "errorbar.capsize": 2.0,
    "figure.dpi": 100,
    "savefig.dpi": 200,
    "svg.fonttype": "path",  # no font needed where it is shown
    "svg.hashsalt": "driveloss",  # the same figure gives the same file
    "pdf.fonttype": 42,
}


@contextmanager
def drawing() -> Iterator[None]:
    """Matplotlib with our settings and nobody else's, as a context or a decorator."""
    from matplotlib import style

    with style.context(["default", SETTINGS]):
        yield


@dataclass(frozen=True)
class PartLook:
    """How a part of the input power is filled; neighbours in the stack alternate between light and dark."""

    label: str
    colour: str
    hatch: str = ""


PARTS = {
    "standby": PartLook("standby", "#c9c9c9"),
    "motor": PartLook("motor", "#0067a3"),
    "linkage": PartLook("linkage", "#86c8ef", "///"),
    "drive": PartLook("drive (motor and linkage)", "#2f86c1", "\\\\\\"),
    "transmission": PartLook("transmission", "#5e3552", "xxx"),
    "seal": PartLook("seal friction", "#eeb33b", "..."),
    "pneumatic": PartLook("net pneumatic", "#00513d"),
}


@dataclass(frozen=True)
class Look:
    """How a series is drawn: colour and marker by cylinder, line and filling by pressure."""

    colour: str
    marker: str
    line: Any = "-"
    filled: bool = True

    @property
    def marks(self) -> dict[str, Any]:
        """Keywords for markers without a line."""
        face = self.colour if self.filled else "white"
        return {"ls": "", "marker": self.marker, "color": self.colour, "mfc": face, "mew": 1.1}


CYLINDER_COLOURS = ("#00568a", "#e08e00", "#8a3a73", "#45a8de", "#007a59", "#c04a00")
MARKERS = ("o", "s", "^", "D", "v", "P")
LINES = ("-", (0, (5, 2)), (0, (1.5, 1.5)), (0, (6, 2, 1.5, 2)))


def series_look(cylinder: int, pressure: int) -> Look:
    """The look of a cylinder's series at one of its pressures, both counted from zero."""
    return Look(
        CYLINDER_COLOURS[cylinder % len(CYLINDER_COLOURS)],
        MARKERS[cylinder % len(MARKERS)],
        LINES[pressure % len(LINES)],
        pressure % 2 == 0,
    )


def text_colour(colour: str) -> tuple[float, ...]:
    """A series' colour, darkened so that small print in it stays legible on white."""
    from matplotlib.colors import to_rgb

    return tuple(0.68 * channel for channel in to_rgb(colour))


def cylinder_text(name: str) -> str:
    """A cylinder's name, short enough for a label.

    >>> cylinder_text("a very long name for a cylinder")
    'a very long name fo…'
    """
    return name if len(name) <= LONGEST_NAME else name[: LONGEST_NAME - 1] + "…"


def series_text(pressure: float, name: str = "") -> str:
    """A cylinder, where one is named, and its mean pressure [Pa].

    >>> series_text(238000.0, "wide")
    'wide, 2.38 bar'
    """
    return f"{cylinder_text(name)}, {bar(pressure)} bar" if name else f"{bar(pressure)} bar"


def watts(power: Estimate | None) -> str:
    """A power and half of its 95 % interval, with real minus signs.

    >>> watts(Estimate(-1.25, 0.1, -1.45, -1.05))
    '−1.25 ±0.20 W'
    """
    return f"{plus_minus(power)} W".replace("-", "−")


def percent(share: float) -> str:
    """A fraction in whole per cent.

    >>> percent(-0.126)
    '−13 %'
    """
    return f"{round(100 * share)} %".replace("-", "−")


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


def blank(width: float, height: float) -> Figure:
    """An empty figure of a size. [in]"""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width, height))
    FigureCanvasAgg(figure)
    return figure


def place_axes(figure: Figure, left: float, bottom: float, width: float, height: float, **settings) -> Axes:
    """Axes at a place in the figure. [in]"""
    wide, high = figure.get_size_inches()
    return figure.add_axes((left / wide, bottom / high, width / wide, height / high), **settings)


def _panels(figure: Figure, cell: Cell, left: float, top: float) -> list[Axes]:
    """The panels of one cell; they share the frequency axis of the last."""
    panels: list[Axes] = []
    y = top - cell.top
    for height in cell.heights:
        y -= height
        shared = panels[0] if panels else None
        panels.append(place_axes(figure, left + cell.left, y, cell.width, height, sharex=shared))
        y -= cell.between
    for panel in panels[:-1]:
        panel.tick_params(labelbottom=False)
    return panels


def size_in_points(ax: Axes) -> tuple[float, float]:
    """Width and height of axes. [pt]"""
    wide, high = ax.get_figure().get_size_inches()  # type: ignore[union-attr]
    place = ax.get_position()
    return float(place.width * wide * POINTS), float(place.height * high * POINTS)


@dataclass(frozen=True)
class End:
    """The end of a curve, and what to write beside it."""

    x: float
    y: float
    text: str
    colour: str


def label_ends(ax: Axes, ends: Sequence[End]) -> Axes:
    """Write each curve's name at the right of the axes, moved apart where they would meet; freezes the limits."""
    ax.set_xlim(*ax.get_xlim())
    ax.set_ylim(*ax.get_ylim())
    width, height = size_in_points(ax)
    low, high = ax.get_ylim()
    wanted = [(end.y - low) / (high - low) * height for end in ends]
    for end, y in zip(ends, spread(wanted, LABEL_STEP, 0.0, height), strict=True):
        ax.annotate(
            end.text,
            xy=(end.x, end.y),
            xytext=(1 + LEADER / width, y / height),
            textcoords="axes fraction",
            va="center",
            color=text_colour(end.colour),
            fontsize=SMALL,
            annotation_clip=False,
            arrowprops={
                "arrowstyle": "-",
                "lw": 0.7,
                "color": end.colour,
                "relpos": (0, 0.5),
                "shrinkA": 1,
                "shrinkB": 3,
            },
        )
    return ax


def spread(wanted: Sequence[float], step: float, low: float, high: float) -> list[float]:
    """Places at least `step` apart and as near as can be (least squares) to those wanted, within low and high.

    Where there is no room between the limits the upper one is passed. Pool-adjacent-violators (Barlow et al.,
    Statistical Inference under Order Restrictions, 1972; from memory).
    >>> spread([5.0, 5.0, 20.0], 2.0, 0.0, 30.0)
    [4.0, 6.0, 20.0]
    """
    order = sorted(range(len(wanted)), key=lambda i: wanted[i])
    blocks: list[tuple[float, int]] = []
    for rank, i in enumerate(order):
        blocks.append((wanted[i] - rank * step, 1))
        while len(blocks) > 1 and blocks[-2][0] > blocks[-1][0]:
            (a, n), (b, m) = blocks[-2:]
            blocks[-2:] = [((a * n + b * m) / (n + m), n + m)]
    level = [value for value, count in blocks for _ in range(count)]
    top = high - (len(wanted) - 1) * step
    places = [0.0] * len(wanted)
    for rank, i in enumerate(order):
        places[i] = max(min(level[rank], top), low) + rank * step
    return places


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


def band(ax: Axes, x: FloatArray, draws: FloatArray, look: Look) -> float:
    """A curve with its 95 % band, draws (m, 1 + draws) at x (m,); returns the curve's last value."""
    rows = [row for row in estimates(draws) if row is not None]
    ax.fill_between(x, [r.low for r in rows], [r.high for r in rows], color=look.colour, alpha=0.16, lw=0)
    ax.plot(x, [r.value for r in rows], color=look.colour, ls=look.line)
    return rows[-1].value


def error_bars(estimates: Sequence[Estimate], scale: float = 1.0) -> FloatArray:
    """Distances to the ends of the 95 % intervals, (2, n), as matplotlib wants them."""
    return scale * np.array([[e.value - e.low for e in estimates], [e.high - e.value for e in estimates]])
