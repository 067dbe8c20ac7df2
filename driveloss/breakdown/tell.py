"""Split runs as tables for people and as plain data for scripts."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import groupby
from statistics import median
from typing import Any

import numpy as np

from driveloss.breakdown.ask import Breakdown, Run
from driveloss.breakdown.assumed import Assumed, as_data
from driveloss.breakdown.budget import Shares
from driveloss.say.flags import flag_letters
from driveloss.say.numbers import HALF_WIDTHS, NEGLIGIBLE, bar
from driveloss.say.quantities import QUANTITIES, shown_parts
from driveloss.say.sheet import Item, Sheet

CAUTION = (
    "Estimates, not a certificate. Guard moving parts and isolate the supply before touching the linkage; stay inside "
    "rated pressures and relieve before opening; mains-side measurement is for a competent person under the local code."
)


def breakdown_tables(answer: Breakdown) -> list[Item]:
    """Where the input of each run goes, and what the net power allows; one pair of tables a file."""
    tables: list[Item] = []
    for file, members in groupby(answer.runs, key=lambda run: run.file):
        runs = list(members)
        tables += [_parts_table(file, runs), _ceiling_table(runs, answer.calibration.rig.cycle)]
    return [*tables, *([assumption_table(answer.assumptions)] if answer.assumptions else []), HALF_WIDTHS]


def assumption_table(assumed: Iterable[Assumed]) -> Sheet:
    """What bench.toml leaves open, what was assumed, and how to know better."""
    rows = ((one.row.name, one.row.range, watts(one.half_width), ", ".join(one.keys), one.row.cure) for one in assumed)
    heads = ("Assumed", "Limits", "± net [W]", "Replaced by", "How to know better")
    return Sheet(
        "Not stated in bench.toml, so assumed within limits", heads, tuple(rows), left=(heads[0], heads[1], *heads[3:])
    )


def _parts_table(file: str, runs: list[Run]) -> Sheet:
    first, shown = runs[0], shown_parts(runs)
    title = f"{file}: cylinder {first.cylinder!r} at {bar(first.mean_pressure)} bar, parts of the input [W]"
    rows = ((str(run.row), f"{run.frequency:g}", *run.cells(shown)) for run in runs)
    return Sheet(title, ("Row", "Hz", *(QUANTITIES[key].head for key in shown)), tuple(rows))


def _ceiling_table(runs: list[Run], cycle: str) -> Sheet:
    shown = ["subtraction", "efficiency_ceiling", "aftercooler_heat", "friction_heat", "cycle_work_ratio"]
    shown += ["cooling_ceiling"] if cycle != "none" else []
    shown += [key for key in ("hot_end", "thermal_resistance") if any(run.parts[key] for run in runs)]
    heads = {key: QUANTITIES[key].column for key in shown}
    heads |= {"cooling_ceiling": "Heating [W]"} if cycle == "heat-pump" else {}
    rows = ((str(run.row), *run.cells(shown), flag_letters(run.flags)) for run in runs)
    title = f"{runs[0].file}: what the net power allows, and the heat at the aftercooler"
    return Sheet(title, ("Row", *heads.values(), "Flags"), tuple(rows), left=("Flags",))


def budget_tables(answer: Breakdown, shares: Shares) -> list[Item]:
    """Half-width of the net interval by source of error, the median over each file's runs; nothing without shares."""
    if not shares:
        return []
    files = list(dict.fromkeys(run.file for run in answer.runs))
    inside = [[i for i, run in enumerate(answer.runs) if run.file == file] for file in files]
    together = {"all together": np.array([run.pneumatic.half_width for run in answer.runs])}
    rows = []
    for source, half_widths in (together | shares).items():
        cells = (median(float(half_widths[i]) for i in places) for places in inside)
        rows.append((source, *(watts(value) for value in cells)))
    heads = ("Source alone at work", *(file.removesuffix(".csv") for file in files))
    title = "Half-width of the net power's interval by source of error [W]: median of the runs"
    return [Sheet(title, heads, tuple(rows), left=heads[:1])]


def watts(half_width: float) -> str:
    """Half of an interval's width, zero where it is negligible."""
    return "0" if half_width < NEGLIGIBLE else f"{half_width:.2g}"


def breakdown_data(answer: Breakdown, shares: Shares | None = None) -> dict[str, Any]:
    """`driveloss.breakdown/1`; with shares, each run also has its `budget`, in the order of the shares."""
    runs = [{**run.place(), **run.data(), "flags": list(run.flags)} for run in answer.runs]
    if shares:
        for i, run in enumerate(runs):
            run["budget"] = [{"source": s, "half_width_W": float(widths[i])} for s, widths in shares.items()]
    return {
        "schema": "driveloss.breakdown/1",
        "coverage": answer.coverage,
        "runs": runs,
        "assumptions": as_data(answer.assumptions),
    }
