"""The figures of a bench in one place, their alternative texts, and saving them.

Each `..._figure` returns a matplotlib Figure that was never shown; each `plot_...` behind it takes data and axes
and returns the axes.
"""

from __future__ import annotations

import warnings
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Any

from driveloss.errors import InputError
from driveloss.figures.alt_text import alt_text
from driveloss.figures.curves import (
    budget_figure,
    ceilings_figure,
    friction_figure,
    has_cold_ends,
    plot_budget,
    plot_ceilings,
    plot_friction,
    plot_temperature_drop,
    temperature_drop_figure,
)
from driveloss.figures.flow import plot_power_flow, power_flow_figure
from driveloss.figures.ladder import ladder_figure, plot_ladder, plot_residuals
from driveloss.figures.parts import breakdown_figure, plot_breakdown
from driveloss.figures.style import drawing
from driveloss.say.files import write_bytes

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = [
    "alt_text",
    "breakdown_figure",
    "budget_figure",
    "ceilings_figure",
    "friction_figure",
    "has_cold_ends",
    "ladder_figure",
    "plot_breakdown",
    "plot_budget",
    "plot_ceilings",
    "plot_friction",
    "plot_ladder",
    "plot_power_flow",
    "plot_residuals",
    "plot_temperature_drop",
    "power_flow_figure",
    "save",
    "svg_text",
    "temperature_drop_figure",
]

# By file ending, what keeps the same figure the same file: no dates, no versions.
UNDATED: dict[str, dict[str, Any]] = {
    "png": {"Software": None},
    "svg": {"Date": None, "Creator": None},
    "pdf": {"CreationDate": None, "Creator": None, "Producer": None},
}

MISSING_GLYPH = "Glyph .* missing"


def save(figure: Figure, path: Path | str) -> None:
    """Write a figure in the format that the file's ending names, whole or not at all.

    Raises InputError for another ending, OutputError where the file cannot be written.
    """
    write_bytes(Path(path), file_content(figure, Path(path)))


def file_content(figure: Figure, path: Path) -> bytes:
    """What a figure's file of that name holds. Raises InputError for an ending that is not .png, .svg or .pdf."""
    ending = path.suffix.lower().removeprefix(".")
    if ending not in UNDATED:
        choices = ", ".join(f".{choice}" for choice in UNDATED)
        raise InputError(f"{path.name}: read the file ending '{path.suffix}', expected one of {choices}")
    return _rendered(figure, ending)


@drawing()
def _rendered(figure: Figure, ending: str) -> bytes:
    buffer = BytesIO()
    with warnings.catch_warnings():  # a name may hold signs that the font lacks: they show as empty boxes
        warnings.filterwarnings("ignore", MISSING_GLYPH, UserWarning)
        figure.savefig(buffer, format=ending, metadata=UNDATED[ending])
    return buffer.getvalue()


def svg_text(figure: Figure) -> str:
    """A figure as an <svg> element to stand in a page: text drawn as paths, nothing to be fetched."""
    whole = _rendered(figure, "svg").decode("utf-8")
    return whole[whole.index("<svg") :]
