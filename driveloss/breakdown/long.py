"""A breakdown of more runs than are held at once: each is told as it is reckoned, and of all what a screen shows."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from typing import Any

import numpy as np

from driveloss.bench.records import FloatArray
from driveloss.breakdown.ask import Breakdown, Run
from driveloss.breakdown.assumed import Assumed, as_data, assumptions_at_work
from driveloss.breakdown.tell import (
    assumption_items,
    best_lines,
    first_assumptions,
    joined_lines,
    run_entries,
    sweeps,
)
from driveloss.fit.contributions import Attribution
from driveloss.say.answer import Answer
from driveloss.say.csv_form import csv_pieces
from driveloss.say.json_form import json_pieces
from driveloss.say.numbers import HALF_WIDTHS
from driveloss.say.sheet import Item

EVERY = 16  # one run in so many tells what assumptions leave open


class LongBreakdown(Answer):
    """Blocks of runs, gone through once; what their assumptions leave open is told by some runs of each block.

    flags, count: of the runs told so far.
    """

    columns = Breakdown.columns

    def __init__(self, blocks: Iterator[Breakdown], *, with_budget: bool = False) -> None:
        self._blocks, self._with_budget = blocks, with_budget
        self._last: Breakdown | None = None
        self._shown: dict[str, tuple[Run, Run, Run]] = {}  # of each file the best run and the ends of its pressures
        self._attribution: Attribution | None = None
        self._shares: list[dict[str, FloatArray]] = []
        self.flags: set[str] = set()
        self.count = 0

    def __repr__(self) -> str:
        return f"LongBreakdown({self.count} runs told)"

    def entries(self) -> Iterator[dict[str, Any]]:
        """The runs that were not told yet, as `--json` has them."""
        for block in self._blocks:
            self._keep(block)
            yield from run_entries(block, block.shares if self._with_budget else {})

    def json(self) -> Iterator[str]:
        """The text that `--json` prints, in pieces."""
        head = {"schema": "driveloss.breakdown/1", "coverage": Breakdown.coverage}
        return json_pieces({**head, "runs": self.entries(), "assumptions": self._assumption_entries()})

    def csv(self) -> Iterator[str]:
        """The text that `--csv` prints, in pieces."""
        return csv_pieces(self.entries(), self.columns)

    def tables(self, *, everything: bool = False) -> list[Item]:
        """The best run of each sweep and the assumptions that matter most, once all have been told."""
        deque(self.entries(), maxlen=0)
        runs = [run for three in self._shown.values() for run in three]
        told = assumption_items(self.assumptions) if everything else first_assumptions(self.assumptions)
        more = f"{self.count} runs are more than a screen shows: --csv and --json print every one."
        joined = joined_lines(self._last) if self._last else []
        return [*best_lines(sweeps(runs)), *joined, "", *told, HALF_WIDTHS, more]

    @property
    def assumptions(self) -> tuple[Assumed, ...]:
        """See `Breakdown.assumptions`."""
        if self._last is None:
            return ()
        names = dict.fromkeys(name for one in self._shares for name in one)
        shares = {name: np.concatenate([one[name] for one in self._shares]) for name in names}
        return assumptions_at_work(self._last.calibration, shares)

    def _assumption_entries(self) -> Iterator[dict[str, object]]:
        yield from as_data(self.assumptions)

    def _keep(self, block: Breakdown) -> None:
        self._last, self.count = block, self.count + len(block.readings)
        self._attribution = self._attribution or Attribution(block.calibration.meters)
        self._shares.append(self._attribution.half_widths(block.draws["pneumatic"][::EVERY]))
        for run in block.runs:
            self.flags |= {*run.flags}
            best, low, high = self._shown.get(run.file, (run, run, run))
            best = max(best, run, key=lambda one: one.pneumatic.value)
            low, high = (end(one, run, key=lambda one: one.mean_pressure) for end, one in ((min, low), (max, high)))
            self._shown[run.file] = best, low, high
