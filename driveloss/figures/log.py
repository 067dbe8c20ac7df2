"""A log as it was recorded: power, speed and the ends' temperatures, plateaus shaded, the rest with its reason."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from driveloss.bench.logs import Log
from driveloss.bench.records import FloatArray
from driveloss.figures.layout import CHARACTER, KEY_LEFT, KEY_STEP, Cell, cells, draw_legend, legend_rows
from driveloss.figures.style import GREY, INK, SMALL, Drawing, minus
from driveloss.say.numbers import ZERO_CELSIUS, plus_minus
from driveloss.steady.ask import Reading, Steady

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

MINUTE = 60.0  # [s]
WIDTH = 8.4  # [in] of the panels
POINTS = 1500  # of a line
STEADY, REJECTED = "#cfe8dc", "#e9e9e9"
WORTH_A_LETTER = 0.01  # share of the log from which a stretch that gives no reading is named
TEMPERATURES = {"cold_end": ("cold end", "#00568a", "-"), "hot_end": ("hot end", "#c04a00", (0, (5, 2)))}


def log_figure(answer: Steady) -> Figure:
    """One cell a log: power above, then speed, then temperatures where they were recorded."""
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    with_ends = any(name in log.means for log in answer.logs for name in TEMPERATURES)
    reasons = _lettered(answer)
    lines = [line for letter, text in dict.fromkeys(reasons.values()) for line in _wrapped(f"{letter}: {text}")]
    foot = (0.16 * len(lines) + 0.15) if lines else 0.0
    heights = (2.2, 1.2, 1.8) if with_ends else (2.2, 1.2)
    handles: list[Artist] = [
        Patch(color=STEADY, label="steady, by number of the reading"),
        Patch(fc=REJECTED, ec=GREY, hatch="////", lw=0, label="gives no reading, by letter"),
    ]
    if with_ends:
        handles += [Line2D([], [], color=c, ls=ls, label=label) for label, c, ls in TEMPERATURES.values()]
        handles.append(Line2D([], [], color=INK, marker="D", ls="", ms=4, label="as it would settle"))
    key = legend_rows(handles, WIDTH)
    cell = Cell(WIDTH, heights, left=KEY_LEFT, top=0.45)
    figure, panels = cells(len(answer.logs), 1, cell, KEY_STEP * len(key) + 0.1 + foot)
    if foot:
        _make_room(figure, foot, lines)
    for axes, log in zip(panels, answer.logs, strict=True):
        _plot(answer, log, axes, {i: letter for i, (letter, _) in reasons.items()})
    draw_legend(figure, key)
    return figure


def _wrapped(text: str) -> list[str]:
    from textwrap import wrap

    return wrap(text, int(WIDTH / CHARACTER * 1.15), subsequent_indent="    ")


def _make_room(figure: Figure, foot: float, lines: Sequence[str]) -> None:
    """Move the panels up by what the reasons take, and write these below."""
    high = figure.get_size_inches()[1]
    for ax in figure.axes:
        box = ax.get_position()
        ax.set_position((box.x0, box.y0 + foot / high, box.width, box.height))
    figure.text(0.02, 0.08 / high, "\n".join(lines), va="bottom", fontsize=SMALL - 1, color=INK, linespacing=1.25)


def _lettered(answer: Steady) -> dict[int, tuple[str, str]]:
    """Letter and reason of each rejected stretch that is long enough to be seen."""
    span = {log.file: float(log.end[-1] - log.start[0]) for log in answer.logs}
    found: dict[int, tuple[str, str]] = {}
    for i, one in enumerate(answer.rejected):
        if one.stretch.duration > WORTH_A_LETTER * span[one.stretch.log.file]:
            known = {text: letter for letter, text in found.values()}
            found[i] = (known.get(one.reason) or _letter(len(known)), one.reason)
    return found


def _letter(number: int) -> str:
    return chr(ord("a") + number % 26) * (1 + number // 26)


def _plot(answer: Steady, log: Log, axes: Sequence[Axes], letters: dict[int, str]) -> None:
    """The panels of one log."""
    readings = [(str(n), r) for n, r in enumerate(answer.readings, 1) if r.file == log.file]
    for ax in axes:
        for _, r in readings:
            ax.axvspan(r.start / MINUTE, r.end / MINUTE, color=STEADY, lw=0, zorder=0)
        for one in answer.rejected:
            if one.stretch.log is log:
                ends = one.stretch.start / MINUTE, one.stretch.end / MINUTE
                ax.axvspan(*ends, fc=REJECTED, ec="#bdbdbd", hatch="////", lw=0, zorder=0)
        ax.set_xlim(0, max(log.end[-1] / MINUTE, 1e-9))
    _label(axes[0], [(n, r.start, r.end) for n, r in readings])
    for before, after in pairwise(segment_ends(log)):
        if after[0] - before[1] > WORTH_A_LETTER * log.end[-1]:
            _label(axes[0], [("gap", before[1], after[0])])
    rejected = [(letters[i], s.stretch.start, s.stretch.end) for i, s in enumerate(answer.rejected) if i in letters]
    mine = {i for i, s in enumerate(answer.rejected) if s.stretch.log is log}
    _label(axes[0], [row for i, row in zip(sorted(letters), rejected, strict=True) if i in mine])
    _line(axes[0], log, "power")
    for _, r in readings:
        axes[0].plot([r.start / MINUTE, r.end / MINUTE], [r.power.value] * 2, color="#00513d", lw=2)
    axes[0].set_ylabel("Power [W]")
    axes[0].set_title(log.file, pad=16)
    if "frequency" in log.means:
        _line(axes[1], log, "frequency")
    axes[1].set_ylabel("Speed [Hz]")
    if len(axes) > 2:
        _temperatures(axes[2], log, [r for _, r in readings])
    axes[-1].set_xlabel("Minutes since the first reading")


def segment_ends(log: Log) -> list[tuple[float, float]]:
    """First and last moment of each stretch between gaps. [s]"""
    edges = [0, *(np.flatnonzero(np.diff(log.segment)) + 1).tolist(), len(log)]
    return [(float(log.start[a]), float(log.end[b - 1])) for a, b in pairwise(edges)]


def _label(ax: Axes, spans: Sequence[tuple[str, float, float]]) -> None:
    for text, start, end in spans:
        ax.annotate(
            text, ((start + end) / 2 / MINUTE, 1.0), xycoords=("data", "axes fraction"), xytext=(0, 3),
            textcoords="offset points", ha="center", fontsize=SMALL,
        )  # fmt: skip


def _temperatures(ax: Axes, log: Log, readings: Sequence[Reading]) -> None:
    """Curves, and at each plateau's end where they would settle with its interval."""
    for name, (_, colour, line) in TEMPERATURES.items():
        if name in log.means:
            _line(ax, log, name, colour, line)
        for r in readings:
            value = r.ends[name].value if name in r.ends else None
            if value is not None:
                bars = [[value.value - value.low], [value.high - value.value]]
                at = r.end / MINUTE, value.value - ZERO_CELSIUS
                ax.errorbar(*at, bars, marker="D", ms=4, color=colour, capsize=2, lw=1, clip_on=False, zorder=4)
    ax.set_ylabel("Ends [°C]")


def _line(ax: Axes, log: Log, name: str, colour: str = INK, line: object = "-") -> None:
    """A quantity over the log, with a break at each gap."""
    zero = ZERO_CELSIUS if name in TEMPERATURES else 0.0
    for segment in np.unique(log.segment):
        mine = log.segment == segment
        time, values = (_thinned(one[mine]) for one in (log.time, log.means[name]))
        ax.plot(time / MINUTE, values - zero, color=colour, ls=line, lw=0.9)


def _thinned(values: FloatArray) -> FloatArray:
    """At most POINTS means over neighbours."""
    step = -(-len(values) // POINTS)
    starts = np.arange(0, len(values), step)
    return np.asarray(np.add.reduceat(values, starts) / np.diff(np.append(starts, len(values))))


def alt_text(answer: Steady) -> str:
    """The readings, and how many stretches gave none."""
    told = [
        f"{r.frequency:.3g} Hz {minus(plus_minus(r.power))} W, minutes {r.start / MINUTE:.0f} to {r.end / MINUTE:.0f}"
        for r in answer.readings
    ]
    return f"Log with steady readings: {'; '.join(told) or 'none'}. {len(answer.rejected)} stretches give none."


DRAWING = Drawing(log_figure, alt_text, "The log: shaded where steady, hatched where it gives no reading.")
