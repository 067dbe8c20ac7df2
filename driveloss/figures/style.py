"""What a figure is, and the palette, drawing settings and wording that all share.

Colours follow Okabe & Ito, Color Universal Design (2008; from memory), darkened or lightened so that
neighbours also differ in grey.
"""

from __future__ import annotations

import re
import warnings
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Generic, TypeVar

import numpy as np

from driveloss.bench.records import FloatArray
from driveloss.fit.estimate import Estimate, estimates
from driveloss.say import quantities
from driveloss.say.numbers import PERCENT, bar, plus_minus
from driveloss.say.quantities import QUANTITIES

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.path import Path

Subject = TypeVar("Subject")

INK, GREY = "#1c1c1c", "#6a6a6a"
AT_MOST = "net at most, by plain subtraction"  # what is hatched where the load loss is assumed
FREQUENCY = "Crank frequency [Hz]"
TEXT, SMALL = 10.0, 9.0  # [pt]
LONGEST_NAME = 20  # characters of a cylinder's name that a label shows
LONGEST_FILE = 36  # and of a file's
STEPS = 60  # points of a curve
TOGETHER = 2  # cylinders that share a panel

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
    "axes.titley": 1.0,  # where it would be put anyhow, had all labels been measured
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
def our_settings() -> Iterator[None]:
    """Matplotlib with our settings and nobody else's."""
    from matplotlib import style

    with style.context(["default", SETTINGS]), warnings.catch_warnings():
        warnings.filterwarnings("ignore", "Glyph .* missing", UserWarning)  # a sign that the font lacks: an empty box
        yield


@dataclass(frozen=True)
class Drawing(Generic[Subject]):
    """One figure of a Calibration or a Split: `draw` and `alt_text`, what it says in words, take the same subject.

    `caption` stands below it in a page.
    """

    draw: Callable[[Subject], Figure]
    alt_text: Callable[[Subject], str]
    caption: str


@dataclass(frozen=True)
class PartLook:
    """How a part of the input power is filled; neighbours in the stack alternate between light and dark."""

    label: str
    colour: str
    hatch: str = ""

    def fill(self, ax: Axes, path: Path, *, hatched: bool = True) -> None:
        """Draw a closed shape in axes whose limits stay; a thin one is clearer without hatch and white edge."""
        from matplotlib.patches import PathPatch

        edge = {"hatch": self.hatch, "edgecolor": "white", "lw": 0.6} if hatched else {"lw": 0}
        ax.add_artist(PathPatch(path, facecolor=self.colour, **edge))


FILLS = {
    "standby": ("#c9c9c9",),
    "motor": ("#0067a3",),
    "linkage": ("#86c8ef", "///"),
    "drive": ("#2f86c1", "\\\\\\"),
    "transmission": ("#5e3552", "xxx"),
    "seal": ("#eeb33b", ".."),
    "pneumatic": ("#00513d",),
}
PARTS = {name: PartLook(QUANTITIES[name].words, *FILLS[name]) for name in quantities.PARTS}


@dataclass(frozen=True)
class Look:
    """How a series is drawn: hue and marker by cylinder, shade and line by pressure; `name_in` what names it."""

    colour: str
    marker: str
    line: Any = "-"
    filled: bool = True
    name_in: str = ""

    @property
    def ink(self) -> str:
        """The full colour behind a shade, for names and edges."""
        return self.name_in or self.colour

    @property
    def marks(self) -> dict[str, Any]:
        """Keywords for markers without a line."""
        face = self.colour if self.filled else "white"
        return {"ls": "", "marker": self.marker, "color": self.colour, "mfc": face, "mec": self.ink, "mew": 0.9}


CYLINDER_COLOURS = ("#00568a", "#e08e00", "#8a3a73", "#45a8de", "#007a59", "#c04a00")
MARKERS = ("o", "s", "^", "D", "v", "P")
LINES = ("-", (0, (5, 2)), (0, (1.5, 1.5)), (0, (6, 2, 1.5, 2)))
PALEST = 0.9  # share of white, were there a pressure below the lowest
DARK_GROUND = "#15191a"
DARK = {  # as the page has them; parts that are neighbours in the stack differ in grey there, too; others: `on_dark`
    INK: "#e8eae9",
    GREY: "#aab2af",
    "#ffffff": DARK_GROUND,
    "#e6e6e6": "#3c4649",
    "#c9c9c9": "#e0e0e0",
    "#2f86c1": "#73bbea",
    "#5e3552": "#9a7890",
    "#00513d": "#2f9e7c",
    "#4a4a4a": "#c4c4c4",
}


def series_look(cylinder: int, pressure: int, pressures: int = 1) -> Look:
    """The look of a cylinder's series at one of its pressures, both counted from zero: the higher the darker."""
    ink = CYLINDER_COLOURS[cylinder % len(CYLINDER_COLOURS)]
    return Look(
        tint(ink, PALEST * (1 - (pressure + 1) / pressures)) if pressures > 1 else ink,
        MARKERS[cylinder % len(MARKERS)],
        LINES[pressure % len(LINES)],
        name_in=ink,
    )


def tint(colour: str, share: float) -> str:
    """A colour with a share of white in it.

    >>> tint("#000000", 0.2)
    '#333333'
    """
    from matplotlib.colors import to_hex, to_rgb

    red, green, blue = (channel + share * (1 - channel) for channel in to_rgb(colour))
    return to_hex((red, green, blue))


def on_dark(colour: str) -> str:
    """What stands for a colour on a dark ground: as much white in it as keeps small print legible there.

    4.5 : 1 against DARK_GROUND (WCAG 2.2, success criterion 1.4.3).
    >>> on_dark("#eeb33b")
    '#eeb33b'
    """
    if colour in DARK:
        return DARK[colour]
    shares = np.arange(0, 1.01, 0.02)
    lit = (tint(colour, float(share)) for share in shares)
    return next(one for one in lit if luminance(one) + 0.05 >= 4.5 * (luminance(DARK_GROUND) + 0.05))


def luminance(colour: str) -> float:
    """Relative luminance of an sRGB colour, 0 to 1 (WCAG 2.2, definition of relative luminance)."""
    from matplotlib.colors import to_rgb

    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in to_rgb(colour)]
    return float(np.dot([0.2126, 0.7152, 0.0722], linear))


def text_colour(colour: str) -> tuple[float, ...]:
    """A series' colour, darkened so that small print in it stays legible on white."""
    from matplotlib.colors import to_rgb

    return tuple(0.68 * channel for channel in to_rgb(colour))


def cylinder_text(name: str) -> str:
    """A cylinder's name, short enough for a label.

    >>> cylinder_text("a very long name for a cylinder")
    'a very long name fo…'
    """
    return shortened(name, LONGEST_NAME)


def shortened(text: str, most: int) -> str:
    """At most so many characters of a text.

    >>> shortened("recording", 5)
    'reco…'
    """
    return text if len(text) <= most else text[: most - 1] + "…"


def series_text(pressure: float | None, name: str = "") -> str:
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
    return minus(f"{plus_minus(power)} W")


def percent(share: float) -> str:
    """A fraction in whole per cent.

    >>> percent(-0.126)
    '−13 %'
    """
    return minus(f"{round(PERCENT * share)} %")


def minus(text: str) -> str:
    """A number's text with real minus signs.

    >>> minus("(-2.1 ±2.4) ×10^-3")
    '(−2.1 ±2.4) ×10^−3'
    """
    return re.sub(r"(?<!\w)-(?=\d)", "−", text)


def band(ax: Axes, x: FloatArray, draws: FloatArray, look: Look) -> float:
    """A curve with its 95 % band, draws (m, 1 + draws) at x (m,); returns the curve's last value."""
    rows = [row for row in estimates(draws) if row is not None]
    ax.fill_between(x, [r.low for r in rows], [r.high for r in rows], color=look.colour, alpha=0.16, lw=0)
    ax.plot(x, [r.value for r in rows], color=look.colour, ls=look.line)
    return rows[-1].value


def joined_points(
    ax: Axes, look: Look, at: tuple[Sequence[float], Sequence[float]], upright: FloatArray, across: Any = None
) -> None:
    """A series' points at x and y with error bars, joined by a thin line."""
    ax.errorbar(*at, upright, across, elinewidth=1, capsize=0, **look.marks)
    ax.plot(*at, color=look.colour, ls=look.line, lw=0.9)


def error_bars(estimates: Sequence[Estimate], scale: float = 1.0) -> FloatArray:
    """Distances to the ends of the 95 % intervals, (2, n), as matplotlib wants them."""
    return scale * np.array([[e.value - e.low for e in estimates], [e.high - e.value for e in estimates]])
