"""What the figures of a breakdown are drawn of: loaded runs by cylinder and pressure, and their parts."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from driveloss.breakdown.ask import Breakdown, Run
from driveloss.breakdown.budget import Shares
from driveloss.breakdown.levelling import Levelling, levelling
from driveloss.errors import InputError
from driveloss.figures.style import AT_MOST, PARTS, Look, percent, series_look, series_text
from driveloss.fit.estimate import Estimate
from driveloss.fit.readings import pressure_groups

NIL = Estimate(0.0, 0.0, 0.0, 0.0)


@dataclass(frozen=True)
class Split:
    """A breakdown to be drawn; `run` is the position of the run that a figure shows alone.

    shares: of the budget, where it is to be drawn.
    """

    answer: Breakdown
    run: int | None = None
    shares: Shares = field(default_factory=dict)

    @property
    def index(self) -> int:
        """Position of the run that a figure shows alone. Raises InputError where there is no such run."""
        last, index = len(self.answer.runs) - 1, self.answer.best_run if self.run is None else self.run
        if not 0 <= index <= last:
            raise InputError(f"run index: read {index}, expected 0 to {last}")
        return index

    @cached_property
    def levels(self) -> tuple[Levelling, ...]:
        """What becomes of the drop that a rise of input lets expect, a series each."""
        return levelling(self.answer)


@dataclass(frozen=True)
class Group:
    """The loaded runs of one cylinder at one mean pressure, by rising frequency."""

    cylinder: str
    pressure: float  # [Pa]
    look: Look
    runs: tuple[Run, ...]

    @property
    def label(self) -> str:
        """Cylinder and pressure."""
        return series_text(self.pressure, self.cylinder)


def run_groups(answer: Breakdown) -> list[Group]:
    """The runs by cylinder (in the order of the calibration, as other figures have it) and by rising mean pressure."""
    groups = []
    for index, name in enumerate(answer.calibration.ranges):
        runs = [run for run in answer.runs if run.cylinder == name]
        numbers = pressure_groups(np.array([run.mean_pressure for run in runs]))
        found = np.unique(numbers)
        for number in found:
            mine = [run for run, own in zip(runs, numbers, strict=True) if own == number]
            pressure = float(np.mean([run.mean_pressure for run in mine]))
            ordered = tuple(sorted(mine, key=lambda run: run.frequency))
            groups.append(Group(name, pressure, series_look(index, int(number), len(found)), ordered))
    return groups


def part(run: Run, name: str) -> Estimate:
    """A part of a run as it is drawn: nil where it is not determinable."""
    return run.parts[name] or NIL


def with_parts(runs: Iterable[Run], *names: str) -> list[Run]:
    """The runs whose parts of these names are all determinable."""
    return [run for run in runs if all(run.parts[name] for name in names)]


def shown_parts(runs: Sequence[Run]) -> list[str]:
    """The parts that add up to the input, lowest first; a part that is nil in every run is left out."""
    split = len(with_parts(runs, "linkage")) == len(runs)
    left_out = ("drive",) if split else ("linkage", "motor")
    return [name for name in PARTS if name not in left_out and any(part(run, name).value for run in runs)]


def net_shares(answer: Breakdown) -> str:
    """The net share of the input in words, from the slowest to the fastest run of each series."""
    return "; ".join(f"{group.label}: {_share_range(group.runs)}" for group in run_groups(answer))


def at_most_words(runs: Iterable[Run]) -> str:
    """What is hatched, where anything is."""
    return f" Hatched: {AT_MOST}." if any(run.at_most for run in runs) else ""


def _share_range(runs: Sequence[Run]) -> str:
    known = with_parts(runs, "efficiency_ceiling")
    if not known:
        return "not determinable"
    ends = ((run, part(run, "efficiency_ceiling")) for run in (known[0], known[-1]))
    return ", ".join(f"{percent(share.value)} at {run.frequency:.3g} Hz" for run, share in ends)
