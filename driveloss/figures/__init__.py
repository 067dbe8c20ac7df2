"""The figures of a bench by name, what they say in words, and saving them.

A name is that of a module here which holds a `DRAWING`: a new figure is its file, and its name below.
"""

from __future__ import annotations

from importlib import import_module
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Any

from driveloss.errors import InputError
from driveloss.say.files import write_all

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from driveloss.breakdown.ask import Breakdown
    from driveloss.figures.runs import Split
    from driveloss.figures.style import Drawing
    from driveloss.fit.calibration import Calibration
    from driveloss.steady.ask import Steady
    from driveloss.whatif.ask import Gains
    from driveloss.witnesses.ask import Witnesses

OF_CALIBRATION = ("ladder", "friction")
OF_BREAKDOWN = ("parts", "flow", "ceilings", "temperatures", "budget", "indicator", "levelling")
OF_WITNESSES = ("witnesses",)
OF_LOGS = ("log",)
OF_CHANGES = ("gains",)

# By file ending, what keeps the same figure the same file: no dates, no versions; but whose it is.
UNDATED: dict[str, dict[str, Any]] = {
    "png": {"Software": "driveloss"},
    "svg": {"Date": None, "Creator": "driveloss"},
    "pdf": {"CreationDate": None, "Creator": "driveloss", "Producer": None},
}


def drawing(name: str) -> Drawing[Any]:
    """The figure of a name. Raises InputError for a name that is not one of those above."""
    names = (*OF_CALIBRATION, *OF_BREAKDOWN, *OF_WITNESSES, *OF_LOGS, *OF_CHANGES)
    if name not in names:
        raise InputError(f"figure: read '{name}', expected one of {', '.join(names)}")
    found: Drawing[Any] = import_module(f"{__name__}.{name}").DRAWING
    return found


def draw(name: str, subject: Calibration | Breakdown | Split | Witnesses | Steady | Gains) -> Figure:
    """A matplotlib Figure, never shown: "ladder" or "friction" of a calibration; of a breakdown "parts", "flow",
    "ceilings", "temperatures", "budget", "indicator" or "levelling" (a `figures.runs.Split` says of which run); of
    the `Witnesses` "witnesses"; of a `Steady` "log"; of `Gains` "gains".

    Raises InputError for another name, or where the subject lacks what is to be drawn.
    """
    from driveloss.breakdown.ask import Breakdown
    from driveloss.breakdown.budget import budget
    from driveloss.figures.runs import Split
    from driveloss.figures.style import our_settings

    if isinstance(subject, Breakdown):
        subject = Split(subject, shares=budget(subject) if name == "budget" else {})
    with our_settings():
        return drawing(name).draw(subject)


def save(figure: Figure, path: Path | str) -> None:
    """Write a figure in the format that the file's ending names, whole or not at all.

    Raises InputError for another ending, OutputError where the file cannot be written.
    """
    write_all({Path(path): file_content(figure, Path(path))})


def file_content(figure: Figure, path: Path) -> bytes:
    """What a figure's file of that name holds. Raises InputError for an ending that is not .png, .svg or .pdf."""
    from driveloss.figures.style import our_settings

    ending, buffer = file_ending(path), BytesIO()
    with our_settings():
        figure.savefig(buffer, format=ending, metadata=UNDATED[ending])
    return buffer.getvalue()


def file_ending(path: Path) -> str:
    """The format that a file's name asks for. Raises InputError for an ending that is not .png, .svg or .pdf."""
    ending = path.suffix.lower().removeprefix(".")
    if ending not in UNDATED:
        choices = ", ".join(f".{choice}" for choice in UNDATED)
        raise InputError(f"{path.name}: read the file ending '{path.suffix}', expected one of {choices}")
    return ending
