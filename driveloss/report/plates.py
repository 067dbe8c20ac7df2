"""The drawings of the page."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

from markupsafe import Markup

from driveloss import figures
from driveloss.breakdown.levelling import levelling
from driveloss.figures.budget import bars_of
from driveloss.figures.gains import at_work
from driveloss.figures.runs import Split, with_parts
from driveloss.figures.style import on_dark, our_settings
from driveloss.fit.calibration import Calibration
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


@dataclass(frozen=True)
class Plates(Mapping[str, Plate]):
    """By name of the figure. rules: CSS that all of them share, whose colours are variables of the page."""

    made: dict[str, Plate]
    rules: str

    def __getitem__(self, name: str) -> Plate:
        return self.made[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self.made)

    def __len__(self) -> int:
        return len(self.made)

    def palette(self, *, dark: bool = False) -> str:
        """What their colours are, as CSS."""
        used = sorted({f"#{digits}" for digits in re.findall(r"var\(--f(\w{6})\)", self.rules)})
        return " ".join(f"--f{colour[1:]}: {on_dark(colour) if dark else colour};" for colour in used)


def plates(
    calibration: Calibration, split: Split | None, gains: Gains | None = None, heard: Witnesses | None = None
) -> Plates:
    """Every figure that the bench has something for."""
    from driveloss.figures.svg import Looks, svg_element

    made, looks = dict[str, Plate](), Looks()
    with our_settings():
        for name, subject in _subjects(calibration, split, gains, heard).items():
            drawing = figures.drawing(name)
            svg = svg_element(drawing.draw(subject), f"f{len(made)}", drawing.alt_text(subject), looks)
            made[name] = Plate(Markup(svg), drawing.caption)
    return Plates(made, looks.rules())


def _subjects(
    calibration: Calibration, split: Split | None, gains: Gains | None, heard: Witnesses | None
) -> dict[str, Any]:
    """What each figure is drawn of."""
    found: dict[str, Any] = dict.fromkeys(("ladder", "friction") if calibration.ranges else ("ladder",), calibration)
    if split is not None:
        every = replace(split, run=None)
        found |= {"flow": split, "parts": split} | {name: every for name, holds in OF_RUNS.items() if holds(every)}
    found |= {"gains": gains} if gains and at_work(gains) else {}
    return found | ({"witnesses": heard} if heard else {})
