"""The drawings of the page."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

from markupsafe import Markup

from driveloss import figures
from driveloss.breakdown.levelling import levelling
from driveloss.figures.budget import bars_of
from driveloss.figures.gains import at_work
from driveloss.figures.runs import Split, with_parts
from driveloss.figures.style import on_dark
from driveloss.fit.calibration import Calibration
from driveloss.report.markup import colours_of, inline_svg
from driveloss.whatif.ask import Gains
from driveloss.witnesses.ask import Witnesses

OF_RUNS: dict[str, Callable[[Split], object]] = {  # figures of a breakdown that not every bench has something for
    "ceilings": lambda split: with_parts(split.answer.runs, "efficiency_ceiling"),
    "temperatures": lambda split: with_parts(split.answer.runs, "below_ambient", "pneumatic"),
    "levelling": lambda split: levelling(split.answer),
    "indicator": lambda split: split.answer.recorded,
    "budget": bars_of,
}


@dataclass(frozen=True)
class Plate:
    """A figure in the page."""

    svg: Markup
    caption: str


def plates(
    calibration: Calibration, split: Split | None, gains: Gains | None = None, heard: Witnesses | None = None
) -> dict[str, Plate]:
    """By name of the figure; those that the bench has nothing for are left out."""
    ladder = ("ladder", "friction") if calibration.ranges else ("ladder",)
    made = {name: _plate(name, calibration) for name in ladder}
    if split is not None:
        every = replace(split, run=None)
        made |= {name: _plate(name, split) for name in ("flow", "parts")}
        made |= {name: _plate(name, every) for name, holds in OF_RUNS.items() if holds(every)}
    made |= {"gains": _plate("gains", gains)} if gains and at_work(gains) else {}
    made |= {"witnesses": _plate("witnesses", heard)} if heard else {}
    return made


def palette(made: Iterable[Plate], *, dark: bool = False) -> str:
    """What the drawings' colours are, as CSS: the variables that `inline_svg` put in their place."""
    used = sorted(set[str]().union(*(colours_of(plate.svg) for plate in made)))
    return " ".join(f"--f{colour[1:]}: {on_dark(colour) if dark else colour};" for colour in used)


def _plate(name: str, subject: Calibration | Split | Witnesses | Gains) -> Plate:
    drawing = figures.drawing(name)
    svg = figures.svg_text(figures.draw(name, subject))
    return Plate(inline_svg(svg, drawing.key, drawing.alt_text(subject)), drawing.caption)
