"""The drawings of the page."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from math import inf
from typing import Any

import numpy as np
from markupsafe import Markup

from driveloss import figures
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
    "levelling": lambda split: split.levels,
    "indicator": lambda split: split.answer.recorded,
    "budget": bars_of,
}


MOST = 8  # cylinders that figures with a panel or a curve for each of them have room for
BY_CYLINDER = ("ladder", "friction", "parts", "ceilings", "temperatures", "levelling")


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

    made, looks, told = dict[str, Plate](), Looks(), ""
    shown, of = _shown(calibration, split), len(calibration.ranges)
    if len(shown) < of:
        told = f" Of {of} cylinders the {len(shown)} with the highest net power; the tables have all."
    with our_settings():
        for name, subject in _subjects(calibration, split, gains, heard, shown).items():
            drawing = figures.drawing(name)
            svg = svg_element(drawing.draw(subject), f"f{len(made)}", drawing.alt_text(subject), looks)
            made[name] = Plate(Markup(svg), drawing.caption + (told if name in BY_CYLINDER else ""))
    return Plates(made, looks.rules())


def _shown(calibration: Calibration, split: Split | None) -> list[str]:
    """The cylinders that a figure has room for, in the order of the bench: those with the highest net power."""
    best = dict.fromkeys(calibration.ranges, -inf)
    for run in () if split is None else split.answer.runs:
        best[run.cylinder] = max(best[run.cylinder], run.pneumatic.value)
    first = sorted(best, key=lambda name: -best[name])[:MOST]
    return [name for name in best if name in first]


def _subjects(
    calibration: Calibration, split: Split | None, gains: Gains | None, heard: Witnesses | None, shown: Sequence[str]
) -> dict[str, Any]:
    """What each figure is drawn of."""
    of_ladder = _of_some(calibration, shown)
    found: dict[str, Any] = dict.fromkeys(("ladder", "friction") if calibration.ranges else ("ladder",), of_ladder)
    if split is not None:
        every, some = replace(split, run=None), _runs_of_some(split, of_ladder, shown)
        by_name = {name: some if name in BY_CYLINDER else every for name in OF_RUNS}
        found |= {"flow": split, "parts": some} | {
            name: by_name[name] for name in OF_RUNS if OF_RUNS[name](by_name[name])
        }
    found |= {"gains": gains} if gains and at_work(gains) else {}
    return found | ({"witnesses": heard} if heard else {})


def _of_some(calibration: Calibration, names: Sequence[str]) -> Calibration:
    """The calibration with no more than some of its cylinders."""
    if len(names) == len(calibration.ranges):
        return calibration
    evidence = calibration.evidence
    if evidence is not None:
        ladder, left_out = evidence.ladder, evidence.left_out
        ladder = ladder.only(np.isin(ladder.readings.cylinder, ["", *names]))
        evidence = replace(evidence, ladder=ladder, left_out=left_out.only(np.isin(left_out.cylinder, ["", *names])))
    return replace(calibration, ranges={name: calibration.ranges[name] for name in names}, evidence=evidence)


def _runs_of_some(split: Split, calibration: Calibration, names: Sequence[str]) -> Split:
    """The loaded runs of some cylinders."""
    answer = split.answer
    if len(names) == len(answer.calibration.ranges):
        return replace(split, run=None)
    mine = np.isin(answer.readings.cylinder, names)
    draws = {name: values[mine] for name, values in answer.draws.items()}
    flags = tuple(own for own, here in zip(answer.flags, mine, strict=True) if here)
    return Split(
        replace(answer, calibration=calibration, readings=answer.readings.only(mine), draws=draws, flags=flags)
    )
