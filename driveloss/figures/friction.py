"""Mean friction force of every seal, at each calibrated pressure, against mean piston speed."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from textwrap import wrap
from typing import TYPE_CHECKING

import numpy as np

from driveloss.figures.layout import CHARACTER, LABEL_STEP, POINTS, Cell, End, cells, label_ends, label_width
from driveloss.figures.style import GREY, SMALL, STEPS, Drawing, Look, band, minus, series_look, series_text
from driveloss.fit.calibration import Calibration
from driveloss.fit.contributions import Attribution
from driveloss.fit.estimate import estimate
from driveloss.losses.no_load import seal_force
from driveloss.say.numbers import plus_minus
from driveloss.say.sheet import ASSUMED, listed

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from driveloss.bench.records import FloatArray

EDGE = 0.2  # [in] left and right of small print
SEEN = 0.05  # of the largest source: less does not show in a band


def friction_figure(calibration: Calibration) -> Figure:
    """One panel for all cylinders."""
    labels = [series_text(pressure, name) for name, pressure, _ in _series(calibration)]
    height, cell = max(2.6, len(labels) * LABEL_STEP / POINTS), Cell(5.2, (0.0,), right=label_width(labels))
    lines = wrap(assumed_words(calibration), int((cell.outer[0] - 2 * EDGE) / CHARACTER))
    foot = cell.bottom + LABEL_STEP / POINTS * len(lines)
    figure, panels = cells(1, 1, replace(cell, heights=(height,), bottom=foot))
    plot_friction(calibration, panels[0][0]).set_title("Seal friction")
    _write_foot(figure, lines)
    return figure


def _write_foot(figure: Figure, lines: Sequence[str]) -> None:
    """Small print at the lower left corner."""
    wide, high = figure.get_size_inches()
    figure.text(EDGE / wide, 0.06 / high, "\n".join(lines), fontsize=SMALL, color=GREY, va="bottom")


def assumed_words(calibration: Calibration) -> str:
    """What the bands rest on that bench.toml does not state; '' where that moves them by next to nothing."""
    ends = [_force(calibration, name, pressure, 2)[1] for name, pressure, _ in _series(calibration)]
    shares = Attribution(calibration.meters).half_widths(np.concatenate(ends)) if ends else {}
    rows = calibration.meters.assumptions(calibration.rig)
    sizes = {r.name: float(np.max(shares[r.name])) for _, r in rows if r.name in shares and not r.under_load}
    most = max((float(np.max(widths)) for widths in shares.values()), default=0.0)
    seen = sorted((name for name, size in sizes.items() if size > SEEN * most), key=lambda name: -sizes[name])
    return f"{ASSUMED}: {listed(seen)}." if seen else ""


def plot_friction(calibration: Calibration, ax: Axes) -> Axes:
    """Mean friction force with its 95 % band against mean piston speed, over each cylinder's calibrated frequencies."""
    ends = []
    for name, pressure, look in _series(calibration):
        frequency, force = _force(calibration, name, pressure, STEPS)
        speed = 2 * calibration.rig.cylinders[name].stroke.value * frequency
        last = band(ax, speed, force, look)
        ends.append(End(float(speed[-1]), last, series_text(pressure, name), look.ink))
    ax.set(xlabel="Mean piston speed [m/s]", ylabel="Mean friction force [N]")
    ax.set_ylim(min(0.0, ax.get_ylim()[0]))
    return label_ends(ax, ends)


def _series(calibration: Calibration) -> Iterator[tuple[str, float, Look]]:
    """Each cylinder at each of its calibrated pressures [Pa]."""
    for index, (name, span) in enumerate(calibration.ranges.items()):
        looks = (series_look(index, number, len(span.pressures)) for number in range(len(span.pressures)))
        yield from ((name, pressure, look) for pressure, look in zip(span.pressures, looks, strict=True))


def _force(calibration: Calibration, cylinder: str, pressure: float, steps: int) -> tuple[FloatArray, FloatArray]:
    """Frequencies (m,) from the lowest calibrated to the highest [Hz] and the force there, (m, 1 + draws). [N]"""
    frequency = np.linspace(calibration.ranges[cylinder].low, calibration.ranges[cylinder].high, steps)
    seal = calibration.seal(cylinder, frequency, np.full(steps, pressure))
    return frequency, seal_force(calibration, seal, frequency, cylinder)


def alt_text(calibration: Calibration) -> str:
    """The force at both ends of each series."""
    entries = []
    for name, pressure, _ in _series(calibration):
        low, high = (minus(plus_minus(estimate(row))) for row in _force(calibration, name, pressure, 2)[1])
        entries.append(f"{series_text(pressure, name)} from {low} N to {high} N")
    series = f"Mean seal friction force, from the slowest to the fastest mean piston speed: {'; '.join(entries)}."
    return f"{series} {assumed_words(calibration)}".rstrip()


DRAWING = Drawing(friction_figure, alt_text, "Mean friction force of every seal against mean piston speed.")
