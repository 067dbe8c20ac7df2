"""The drawings of the page."""

from __future__ import annotations

from dataclasses import dataclass, replace

from markupsafe import Markup

from driveloss import figures
from driveloss.figures.budget import bars_of
from driveloss.figures.runs import Split
from driveloss.fit.calibration import Calibration
from driveloss.report.markup import inline_svg
from driveloss.witnesses.ask import Witnesses, witnesses


@dataclass(frozen=True)
class Plate:
    """A figure in the page."""

    svg: Markup
    caption: str


def plates(calibration: Calibration, split: Split | None) -> dict[str, Plate]:
    """By name of the figure; those that the bench has nothing for are left out."""
    ladder = ("ladder", "friction") if calibration.ranges else ("ladder",)
    made = {name: _plate(name, calibration) for name in ladder}
    if split is not None:
        made |= {name: _plate(name, split) for name in ("flow", "parts", "ceilings")}
        made |= {"indicator": _plate("indicator", split)} if split.answer.recorded else {}
        made |= {"witnesses": _plate("witnesses", witnesses(split.answer))} if split.answer.verdict else {}
        every = replace(split, run=None)
        made |= {"budget": _plate("budget", every)} if bars_of(every) else {}
    return made


def _plate(name: str, subject: Calibration | Split | Witnesses) -> Plate:
    drawing = figures.drawing(name)
    svg = figures.svg_text(figures.draw(name, subject))
    return Plate(inline_svg(svg, drawing.key, drawing.alt_text(subject)), drawing.caption)
