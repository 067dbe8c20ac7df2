"""Split runs as tables for people and as plain data for scripts."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby
from statistics import median
from typing import Any

from driveloss.breakdown.ask import Breakdown, Run
from driveloss.breakdown.budget import Share
from driveloss.fit.estimate import Estimate
from driveloss.say.flags import flag_letters
from driveloss.say.json_form import quantity
from driveloss.say.numbers import HALF_WIDTHS, NEGLIGIBLE, NOT_KNOWN, PERCENT, ZERO_CELSIUS, bar, plus_minus
from driveloss.say.sheet import Sheet

CAUTION = (
    "Estimates, not a certificate. Guard moving parts and isolate the supply before touching the linkage; stay inside "
    "rated pressures and relieve before opening; mains-side measurement is for a competent person under the local code."
)
RUN_KEYS = {
    "input": "input_W",
    "standby": "standby_W",
    "motor": "motor_W",
    "motor_copper": "motor_copper_W",
    "linkage": "linkage_W",
    "drive": "drive_W",
    "transmission": "transmission_W",
    "seal": "seal_W",
    "pneumatic": "pneumatic_W",
    "efficiency_ceiling": "efficiency_ceiling",
    "aftercooler_heat": "aftercooler_heat_W",
    "friction_heat": "friction_heat_W",
    "cooling_ceiling": "cooling_ceiling_W",
    "cycle_work_ratio": "cycle_work_ratio",
    "hot_end": "hot_end_K",
    "thermal_resistance": "thermal_resistance_K_per_W",
    "below_ambient": "below_ambient_K",
    "hot_to_cold": "hot_to_cold_K",
}


def breakdown_tables(answer: Breakdown) -> list[Sheet | str]:
    """Where the input of each run goes, and what the net power allows; one pair of tables a file."""
    tables: list[Sheet | str] = []
    for file, members in groupby(answer.runs, key=lambda run: run.file):
        runs = list(members)
        tables += [_parts_table(file, runs), _ceiling_table(runs, answer.calibration.rig.cycle)]
    return [*tables, HALF_WIDTHS]


def _parts_table(file: str, runs: list[Run]) -> Sheet:
    split = any(run.parts["motor"] for run in runs)
    names = ["input", *(["motor", "linkage"] if split else ["drive"]), "seal", "pneumatic"]
    heads = {
        "input": "Input",
        "motor": "Motor",
        "linkage": "Linkage",
        "drive": "Drive",
        "seal": "Seal",
        "pneumatic": "Net",
    }
    if any(run.parts["transmission"] and run.parts["transmission"].value for run in runs):
        names.insert(-2, "transmission")
        heads["transmission"] = "Transm."
    if any(run.parts["standby"] and run.parts["standby"].value for run in runs):
        names.insert(1, "standby")
        heads["standby"] = "Idle"
    first = runs[0]
    title = f"{file}: cylinder {first.cylinder!r} at {bar(first.mean_pressure)} bar, parts of the input [W]"
    rows = ((str(run.row), f"{run.frequency:g}", *(plus_minus(run.parts[name]) for name in names)) for run in runs)
    return Sheet(title, ("Row", "Hz", *(heads[name] for name in names)), tuple(rows))


def _ceiling_table(runs: list[Run], cycle: str) -> Sheet:
    heads = ["Row", "Ceiling [%]", "Heat [W]", "of it friction", "Work ratio"]
    what = {"heat-pump": "Heating [W]"}.get(cycle, "Cooling [W]")
    heads += [what] if cycle != "none" else []
    heads += ["Hot end [°C]"] if any(run.parts["hot_end"] for run in runs) else []
    heads += ["R_th [K/W]"] if any(run.parts["thermal_resistance"] for run in runs) else []
    rows = ((str(run.row), *_ceiling_cells(run, heads), flag_letters(run.flags)) for run in runs)
    title = f"{runs[0].file}: what the net power allows, and the heat at the aftercooler"
    return Sheet(title, (*heads, "Flags"), tuple(rows), left=("Flags",))


def _ceiling_cells(run: Run, heads: list[str]) -> list[str]:
    parts = run.parts
    cells = [
        plus_minus(parts["efficiency_ceiling"], PERCENT),
        plus_minus(parts["aftercooler_heat"]),
        plus_minus(parts["friction_heat"]),
        plus_minus(parts["cycle_work_ratio"]),
    ]
    cells += [plus_minus(parts["cooling_ceiling"])] if any("ing [W]" in head for head in heads) else []
    cells += [_celsius(parts["hot_end"])] if "Hot end [°C]" in heads else []
    return cells + ([plus_minus(parts["thermal_resistance"])] if "R_th [K/W]" in heads else [])


def _celsius(estimate: Estimate | None) -> str:
    if estimate is None:
        return NOT_KNOWN
    shift = ZERO_CELSIUS
    return plus_minus(Estimate(estimate.value - shift, estimate.u, estimate.low - shift, estimate.high - shift))


def budget_tables(answer: Breakdown, shares: Sequence[Share]) -> list[Sheet | str]:
    """Half-width of the net interval by source of error, the median over each file's runs; nothing without shares."""
    if not shares:
        return []
    files = list(dict.fromkeys(run.file for run in answer.runs))
    inside = {file: [i for i, run in enumerate(answer.runs) if run.file == file] for file in files}
    whole = [median(e.half_width for i in inside[f] if (e := answer.runs[i].parts["pneumatic"])) for f in files]
    rows = [("all together", *(f"{value:.2g}" for value in whole))]
    for share in shares:
        cells = (median(float(share.half_width[i]) for i in inside[file]) for file in files)
        rows.append((share.source, *("0" if value < NEGLIGIBLE else f"{value:.2g}" for value in cells)))
    heads = ("Source alone at work", *(file.removesuffix(".csv") for file in files))
    title = "Half-width of the net power's interval by source of error [W]: median of the runs"
    return [Sheet(title, heads, tuple(rows), left=heads[:1])]


def breakdown_data(answer: Breakdown, shares: Sequence[Share] = ()) -> dict[str, Any]:
    """`driveloss.breakdown/1`; with shares, each run also has its `budget`, in the order of the shares."""
    runs = [_run(run) for run in answer.runs]
    if shares:
        for i, run in enumerate(runs):
            run["budget"] = [{"source": s.source, "half_width_W": float(s.half_width[i])} for s in shares]
    return {"schema": "driveloss.breakdown/1", "coverage": answer.coverage, "runs": runs}


def _run(run: Run) -> dict[str, Any]:
    return {
        "file": run.file,
        "row": run.row,
        "cylinder": run.cylinder,
        "frequency_Hz": run.frequency,
        "mean_pressure_Pa": run.mean_pressure,
        **{key: quantity(run.parts[name]) for name, key in RUN_KEYS.items()},
        "flags": list(run.flags),
    }
