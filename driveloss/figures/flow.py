"""One run's input as a bundle of streams that leave on the way to net pneumatic work, drawn to scale.

The axes are bare and their unit is the inch; a stream's width is its power times TRUNK over the input.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from driveloss.breakdown.ask import Run
from driveloss.figures.layout import blank, place_axes
from driveloss.figures.runs import Split, part, shown_parts
from driveloss.figures.style import (
    GREY,
    INK,
    PARTS,
    SMALL,
    Drawing,
    PartLook,
    minus,
    percent,
    series_text,
    watts,
)
from driveloss.fit.estimate import Estimate
from driveloss.say.sheet import listed

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Point = tuple[float, float]

TRUNK = 1.7  # [in] height of all streams together
BEND = 0.12  # [in] inner radius where a stream turns down
ROUND = 0.5523  # control points of a quarter circle drawn as a cubic
LABEL = 1.28  # [in] from one label to the next
LINE = 0.19  # [in] of text
DROP = 0.55  # [in] below the trunk where streams end
FALL = 0.40  # [in] by which the seal's heat drops away from the net stream before joining it again
ENTRY, DETOUR, ARROW, EXIT = 1.45, 1.9, 0.65, 1.6  # [in] input label, seal's detour, last arrow, last label
HAIR = 0.012  # [in] least width of a stream that is not nil
THIN = 0.04  # [in] below which hatching would hide the colour
HEAT = PartLook("aftercooler heat", "#e3cfa4", "\\\\")
LOOKS = PARTS | {"seal outside": PARTS["seal"], "seal inside": PARTS["seal"]}
SHORT_NAMES = {
    "drive": ("drive: motor", "and linkage"),
    "seal outside": ("seal friction", "past the gas"),
    "seal inside": ("seal friction", "into the gas"),
}


@dataclass(frozen=True)
class Stream:
    """One part of the input in the bundle: its foot and width, and where it leaves. [in]"""

    name: str
    look: PartLook
    foot: float
    width: float
    start: float
    lines: tuple[str, ...]  # of its label

    @property
    def centre(self) -> float:
        """Middle of the stream once it points down."""
        return self.start + BEND + self.width / 2


@dataclass
class Outline:
    """A closed shape of straight lines and cubics."""

    points: list[Point]
    codes: list[int] = field(default_factory=lambda: [1])  # matplotlib.path.Path.MOVETO

    def line(self, *points: Point) -> Outline:
        """Straight on through the points."""
        self.points += points
        self.codes += [2] * len(points)
        return self

    def cubic(self, first: Point, second: Point, end: Point) -> Outline:
        """A curve with two control points."""
        self.points += [first, second, end]
        self.codes += [4] * 3
        return self

    def swing(self, end: Point) -> Outline:
        """An S-shaped curve that starts and ends level."""
        x, y = self.points[-1]
        middle = (x + end[0]) / 2
        return self.cubic((middle, y), (middle, end[1]), end)

    def fill(self, ax: Axes, look: PartLook, *, hatched: bool = True) -> None:
        """Draw it."""
        from matplotlib.path import Path

        look.fill(ax, Path([*self.points, self.points[0]], [*self.codes, 79]), hatched=hatched)


def flow_figure(split: Split) -> Figure:
    """The run's input and the parts that leave it, to scale; the seal's heat joins the aftercooler's."""
    run = split.answer.runs[split.index]
    width, low, high = _neck(streams(run)) + DETOUR + ARROW + EXIT, -DROP - 5.2 * LINE, TRUNK + 2 * LINE
    figure = blank(width, high - low + 0.55)
    ax = place_axes(figure, (0, 0, width, high - low))
    ax.set(xlim=(0, width), ylim=(low, high))
    plot_flow(run, ax)
    return figure


def plot_flow(run: Run, ax: Axes) -> Axes:
    """Draw the streams on axes whose data unit is the inch; labels in W with 95 % intervals and shares of the input."""
    ax.set_axis_off()
    title = f"{series_text(run.mean_pressure, run.cylinder)}, {run.frequency:.3g} Hz: where the input goes"
    where = f"{run.file}, row {run.row}; widths to scale, intervals 95 %"
    if any(power.value < 0 for _, power in _powers(run)):
        where += "; parts below zero have no stream"
    ax.text(0.12, TRUNK + 2 * LINE + 0.3, title, weight="bold", va="center")
    ax.text(0.12, TRUNK + 2 * LINE + 0.08, where, fontsize=SMALL, color=GREY, va="center")
    bundle = streams(run)
    _write(ax, ENTRY - 0.2, TRUNK / 2 + LINE, ("input", watts(run.input)), "right")
    Outline([(ENTRY - 0.1, 0)]).line((ENTRY, 0), (ENTRY, TRUNK), (ENTRY - 0.1, TRUNK)).fill(ax, PartLook("", INK))
    for stream in bundle[:-2]:
        _leave(ax, stream)
        _write(ax, stream.centre, -DROP - 1.4 * LINE, stream.lines)
    _arrive(ax, run, _neck(bundle), *bundle[-2:])
    return ax


def _powers(run: Run) -> Iterator[tuple[str, Estimate]]:
    """The parts as they leave; the seal's heat that stays outside the gas path goes before the rest of it."""
    for name in shown_parts([run]):
        if name not in ("seal", "pneumatic"):
            yield name, part(run, name)
    rest = run.seal.value - run.friction_heat.value
    if rest:
        yield "seal outside", Estimate(rest, 0.0, rest, rest)
    yield "seal inside" if rest else "seal", run.friction_heat
    yield "pneumatic", run.pneumatic


def streams(run: Run) -> list[Stream]:
    """The bundle from the lowest stream up; the last two are the seal's heat into the gas path and the net power."""
    powers = list(_powers(run))
    total = sum(max(e.value, 0.0) for _, e in powers)
    bundle: list[Stream] = []
    foot = 0.0
    for name, estimate in powers:
        width = max(estimate.value, 0.0) / total * TRUNK
        start = _next_start(bundle, width)
        share = percent(estimate.value / run.input.value)
        label = (*SHORT_NAMES.get(name, (LOOKS[name].label,)), _power(estimate), share)
        bundle.append(Stream(name, LOOKS[name], foot, width, start, label))
        foot += width
    return bundle


def _next_start(bundle: list[Stream], width: float) -> float:
    """Where the next stream turns off: clear of the one before, labels side by side. [in]"""
    if not bundle:
        return ENTRY + 0.2
    last = bundle[-1]
    return max(last.start + BEND + last.width + 0.1, last.centre + LABEL - BEND - width / 2)


def _power(estimate: Estimate) -> str:
    return watts(estimate) if estimate.u > 0 else minus(f"{estimate.value:.3g} W")


def _neck(bundle: list[Stream]) -> float:
    """Where nothing but the seal's heat and the net power is left. [in]"""
    leaving = bundle[:-2]
    return max(leaving[-1].start + BEND + leaving[-1].width, leaving[-1].centre + LABEL / 2) if leaving else ENTRY + 0.3


def _leave(ax: Axes, stream: Stream) -> None:
    """A stream that runs along the bundle and turns down."""
    if stream.width <= 0:
        return
    foot, start, wide = stream.foot, stream.start, max(stream.width, HAIR)
    outer, low = BEND + wide, foot - BEND
    tip = min(0.16, 0.05 + wide / 2)
    shape = Outline([(ENTRY, foot)]).line((start, foot))
    shape.cubic((start + ROUND * BEND, foot), (start + BEND, foot - (1 - ROUND) * BEND), (start + BEND, low))
    shape.line((start + BEND, -DROP), (start + BEND + wide / 2, -DROP - tip), (start + outer, -DROP))
    shape.line((start + outer, low))
    shape.cubic((start + outer, low + ROUND * outer), (start + ROUND * outer, foot + wide), (start, foot + wide))
    shape.line((ENTRY, foot + wide)).fill(ax, stream.look, hatched=wide > THIN)


def _arrive(ax: Axes, run: Run, start: float, seal: Stream, net: Stream) -> None:
    """The net stream, the seal's heat on its way round, and both together at the aftercooler."""
    join = start + DETOUR
    _detour(ax, seal, start, join)
    if net.width > 0:
        Outline([(ENTRY, net.foot)]).line((join, net.foot), (join, TRUNK), (ENTRY, TRUNK)).fill(ax, net.look)
    foot, tip = seal.foot, join + ARROW
    if seal.width + net.width > 0:
        middle = (foot + TRUNK) / 2
        shape = Outline([(join, foot)]).line((tip - 0.2, foot), (tip, middle), (tip - 0.2, TRUNK), (join, TRUNK))
        shape.fill(ax, HEAT)
    most = minus(f", at most {run.at_most.value:.3g} W") if run.at_most else ""
    _write(ax, start - 0.1, TRUNK + 0.5 * LINE, (" ".join(net.lines[:-1]) + ", " + net.lines[-1] + most,), "left")
    _write(ax, (start + join) / 2, seal.foot - FALL - 0.8 * LINE, seal.lines)
    heat = ("aftercooler heat", watts(run.aftercooler_heat), "of it friction", watts(run.friction_heat))
    _write(ax, tip + 0.08, (foot + TRUNK) / 2 + 1.5 * LINE, heat, "left")


def _detour(ax: Axes, seal: Stream, start: float, join: float) -> None:
    if seal.width <= 0:
        return
    wide, swing = max(seal.width, HAIR), 0.3 * (join - start)
    foot, low = seal.foot, seal.foot - FALL
    shape = Outline([(ENTRY, foot)]).line((start, foot)).swing((start + swing, low))
    shape.line((join - swing, low)).swing((join, foot)).line((join, foot + wide))
    shape.swing((join - swing, low + wide)).line((start + swing, low + wide)).swing((start, foot + wide))
    shape.line((ENTRY, foot + wide)).fill(ax, seal.look, hatched=wide > THIN)


def _write(ax: Axes, x: float, y: float, lines: tuple[str, ...], align: str = "center") -> None:
    """Lines of small print from y downwards."""
    for index, line in enumerate(lines):
        ax.text(x, y - index * LINE, line, ha=align, va="center", fontsize=SMALL)


def alt_text(split: Split) -> str:
    """Every stream with its watts."""
    run = split.answer.runs[split.index]
    parts = listed(f"{PARTS[name].label} {watts(part(run, name))}" for name in shown_parts([run]))
    return (
        f"Streams drawn to scale: of {watts(run.input)} input at {run.frequency:.3g} Hz "
        f"({series_text(run.mean_pressure, run.cylinder)}) go {parts}. Net power and the seal's heat make "
        f"{watts(run.aftercooler_heat)} at the aftercooler."
    )


DRAWING = Drawing(flow_figure, alt_text, "Where the input of the run with the highest net power goes.")
