"""The indicator diagram of each recording: pressure about its mean against the volume swept, turn by turn."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from driveloss.bench.records import FloatArray
from driveloss.breakdown.recorded import Recorded
from driveloss.errors import InputError
from driveloss.figures.layout import LABEL_STEP, POINTS, Cell, cells
from driveloss.figures.runs import Split
from driveloss.figures.style import GREY, LONGEST_FILE, PARTS, SMALL, Drawing, minus, series_text, shortened, watts
from driveloss.fit.estimate import estimate
from driveloss.physics.indicator import sum_of_harmonics
from driveloss.say.numbers import PASCAL_PER_BAR, plus_minus

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

ANGLE = np.linspace(0, 2 * np.pi, 181)  # [rad]
CUBIC_CENTIMETRE = 1e-6  # [m^3]
MOST_TURNS = 40  # more would only blacken the panel
SIZES = {1: (4.6, 3.2), 6: (3.4, 2.6), np.inf: (3.4, 1.7)}  # [in] of a panel, by how many there are at most
ARROW_AT = (0.25, 0.75)  # of a turn from top dead centre
REACH = 5  # steps of ANGLE before and behind the middle of an arrow
COLOUR = PARTS["pneumatic"].colour
ARROW: dict[str, Any] = {"arrowstyle": "-|>", "mutation_scale": 24, "shrinkA": 0, "shrinkB": 0, "lw": 0}


def indicator_figure(split: Split) -> Figure:
    """One panel a recording. Raises InputError where there is none."""
    found = split.answer.recorded
    if not found:
        raise InputError("indicator diagram: bench.toml has no table [[recordings]], expected one at least")
    head = (len(told(found[0])) + 1) * LABEL_STEP / POINTS + 0.15
    width, height = next(size for most, size in SIZES.items() if len(found) <= most)
    cell = Cell(width, (height,), top=head, bottom=0.65)
    figure, panels = cells(len(found), min(len(found), 2), cell)
    for (ax,), one in zip(panels, found, strict=True):
        plot_indicator(one, ax)
    return figure


def plot_indicator(one: Recorded, ax: Axes) -> Axes:
    """A recording's turns lightly, their mean as a line with its sense, and above them what the loop comes to."""
    volume = _swept(one)
    for turn in one.turns[:MOST_TURNS]:
        ax.plot(volume, _bars(turn), color=GREY, alpha=0.35, lw=0.7)
    mean = _bars(one.turns.mean(axis=0))
    ax.fill(volume, mean, color=COLOUR, alpha=0.10, lw=0)
    ax.plot(volume, mean, color=COLOUR)
    _draw_sense(ax, volume, mean)
    ax.set(xlabel="Volume swept from top dead centre [cm³]", ylabel="Pressure about its mean [bar]")
    ax.annotate(
        "\n".join(told(one)),
        (0, 1),
        (0, 6),
        xycoords="axes fraction",
        textcoords="offset points",
        va="bottom",
        fontsize=SMALL,
        linespacing=1.25,
    )
    ax.set_title(place(one), pad=6 + len(told(one)) * LABEL_STEP)
    return ax


def _swept(one: Recorded) -> FloatArray:
    """Volume over ANGLE from where it is least. [cm^3]"""
    volume = sum_of_harmonics(one.volume, ANGLE)
    return np.asarray((volume - volume.min()) / CUBIC_CENTIMETRE)


def _bars(pressure: FloatArray) -> FloatArray:
    """Harmonics (count, 2) [Pa] as pressure about its mean over ANGLE. [bar]"""
    return sum_of_harmonics(pressure, ANGLE) / PASCAL_PER_BAR


def _draw_sense(ax: Axes, volume: FloatArray, pressure: FloatArray) -> None:
    """Arrow heads along the loop, one on the way out and one back."""
    from matplotlib.patches import FancyArrowPatch

    for share in ARROW_AT:
        at = int(share * (len(ANGLE) - 1))
        tip, tail = ((float(volume[i]), float(pressure[i])) for i in (at + REACH, at - REACH))
        ax.add_patch(FancyArrowPatch(tail, tip, color=COLOUR, **ARROW))


def place(one: Recorded) -> str:
    """Cylinder, pressure and frequency of a recording."""
    return f"{series_text(one.mean_pressure, one.recording.cylinder)}, {one.frequency:.2f} Hz"


def told(one: Recorded) -> tuple[str, ...]:
    """Where a loop is from, its area a cycle and a second, and its phase."""
    file, degrees = shortened(one.recording.file, LONGEST_FILE), np.degrees(one.phase[0])
    work = minus(plus_minus(estimate(one.work)))
    return (
        f"{file}, {len(one.turns)} turns",
        f"area {work} J a cycle, {watts(estimate(one.power))}",
        minus(f"pressure peaks φ = {degrees:.0f}° before top dead centre"),
    )


def alt_text(split: Split) -> str:
    """Every loop's area and phase."""
    entries = (f"{place(one)}: {', '.join(told(one))}" for one in split.answer.recorded)
    return f"Pressure against swept volume, a closed loop a turn. {'; '.join(entries)}."


DRAWING = Drawing(
    indicator_figure,
    alt_text,
    "Indicator diagrams. The area that a turn encloses is the work that the gas takes up (arrows against the clock) or "
    "gives (with it). Line: mean of the turns, lag and dead centre put right; grey, where it shows: each turn.",
)
