"""Mean friction force of every seal, at each calibrated pressure, against mean piston speed."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from driveloss.figures.layout import LABEL_STEP, POINTS, Cell, End, cells, label_ends, label_width
from driveloss.figures.style import STEPS, Drawing, band, minus, series_look, series_text
from driveloss.fit.calibration import Calibration
from driveloss.fit.estimate import estimate
from driveloss.losses.ask import seal_force
from driveloss.say.numbers import plus_minus

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from driveloss.bench.records import FloatArray


def friction_figure(calibration: Calibration) -> Figure:
    """One panel for all cylinders."""
    series = [series_text(p, name) for name, span in calibration.ranges.items() for p in span.pressures]
    height = max(3.2, len(series) * LABEL_STEP / POINTS)
    figure, panels = cells(1, 1, Cell(5.2, (height,), right=label_width(series)))
    plot_friction(calibration, panels[0][0]).set_title("Seal friction")
    return figure


def plot_friction(calibration: Calibration, ax: Axes) -> Axes:
    """Mean friction force with its 95 % band against mean piston speed, over each cylinder's calibrated frequencies."""
    ends = []
    for index, (name, span) in enumerate(calibration.ranges.items()):
        frequency = np.linspace(span.low, span.high, STEPS)
        speed = 2 * calibration.rig.cylinders[name].stroke.value * frequency
        for number, pressure in enumerate(span.pressures):
            look = series_look(index, number)
            last = band(ax, speed, _force(calibration, name, frequency, pressure), look)
            ends.append(End(float(speed[-1]), last, series_text(pressure, name), look.colour))
    ax.set(xlabel="Mean piston speed [m/s]", ylabel="Mean friction force [N]")
    ax.set_ylim(min(0.0, ax.get_ylim()[0]))
    return label_ends(ax, ends)


def _force(calibration: Calibration, cylinder: str, frequency: FloatArray, pressure: float) -> FloatArray:
    """Mean friction force at frequency (m,) [Hz] and one mean pressure [Pa]: (m, 1 + draws). [N]"""
    seal = calibration.seal(cylinder, frequency, np.full(len(frequency), pressure))
    return seal_force(calibration, seal, frequency, cylinder)


def alt_text(calibration: Calibration) -> str:
    """The force at both ends of each series."""
    entries = []
    for name, span in calibration.ranges.items():
        for pressure in span.pressures:
            force = _force(calibration, name, np.array([span.low, span.high]), pressure)
            low, high = (minus(plus_minus(estimate(row))) for row in force)
            entries.append(f"{series_text(pressure, name)} from {low} N to {high} N")
    return f"Mean seal friction force, from the slowest to the fastest mean piston speed: {'; '.join(entries)}."


DRAWING = Drawing("friction", friction_figure, alt_text, "Mean friction force of every seal against mean piston speed.")
