"""Split runs as tables for people and as plain data for scripts."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import groupby
from typing import Any

import numpy as np

from driveloss.breakdown.ask import Breakdown, Run
from driveloss.breakdown.assumed import Assumed, as_data
from driveloss.breakdown.budget import Shares, seen, source_name
from driveloss.fit.contributions import OVER_RUNS, over_runs
from driveloss.say.flags import flag_letters
from driveloss.say.numbers import HALF_WIDTHS, NOT_KNOWN, PERCENT, bar, hertz, watts
from driveloss.say.quantities import PARTS, QUANTITIES, shown_parts
from driveloss.say.sheet import ASSUMED, Item, Sheet, listed

KEYS = "bench.toml key (or column)"
LIGHT = 0.01  # of the largest effect: less is not worth a row
FIRST = 3  # assumptions that the plain screen names
MORE = (
    "--all adds standby, transmission, copper, cooling, work per cycle, temperatures, friction's heat and every "
    "assumption."
)

CAUTION = (
    "Estimates, not a certificate. Guard moving parts and isolate the supply before touching the linkage; stay inside "
    "rated pressures and relieve before opening; mains-side measurement is for a competent person under the local code."
)


def breakdown_tables(answer: Breakdown) -> list[Item]:
    """The best run of each sweep, one table of all runs, and the assumptions that matter most."""
    found = sweeps(answer.runs)
    return [
        *best_lines(found),
        *joined_lines(answer),
        "",
        _short_table(found),
        *first_assumptions(answer.assumptions),
        HALF_WIDTHS,
        MORE,
    ]


def joined_lines(answer: Breakdown) -> list[str]:
    """Which second witnesses the answer rests on, or why on none."""
    if answer.verdict is None:
        return []
    names = listed(dict.fromkeys(way.witness for way in answer.ways))
    if answer.verdict.agree:
        return [f"Joined with {names}, which agree: see driveloss witnesses."]
    return [f"Not joined with {names}, which disagree: see driveloss witnesses."]


def breakdown_everything(answer: Breakdown) -> list[Item]:
    """The same, with every table and every assumption."""
    best = best_lines(sweeps(answer.runs))
    return [*best, "", *run_tables(answer), *assumption_items(answer.assumptions), HALF_WIDTHS]


def sweeps(runs: Iterable[Run]) -> dict[str, list[Run]]:
    """Runs of each file, by what people call it: cylinder and pressure, and the file where two would read alike."""
    files = {file: list(members) for file, members in groupby(runs, key=lambda run: run.file)}
    names = {file: _sweep_name(members) for file, members in files.items()}
    alike = list(names.values())
    return {
        names[file] if alike.count(names[file]) == 1 else f"{names[file]} ({file})": members
        for file, members in files.items()
    }


def _sweep_name(runs: Sequence[Run]) -> str:
    ends = dict.fromkeys(bar(end(run.mean_pressure for run in runs)) for end in (min, max))
    return f"{runs[0].cylinder} {' to '.join(ends)} bar"


def best_lines(found: dict[str, list[Run]]) -> list[str]:
    """A line for each sweep: its best run with net power, ceiling and what takes most of the input."""
    title = "The best run of each sweep: net power, ceiling, largest loss"
    return [title, *(_best_line(name, max(runs, key=lambda run: run.pneumatic.value)) for name, runs in found.items())]


def _best_line(name: str, run: Run) -> str:
    ceiling = run.efficiency_ceiling
    share = NOT_KNOWN if ceiling is None else f"{ceiling.value * PERCENT:.3g}"
    most = f" (at most {run.at_most.value:.3g})" if run.at_most else ""
    losses = {key: found.value for key in PARTS if key != "pneumatic" and (found := run.parts[key])}
    if run.motor is not None:  # else they are told as one
        del losses["drive"]
    largest = max(losses, key=lambda key: losses[key])
    loss = f"{QUANTITIES[largest].head.lower()} {losses[largest]:.3g} W"
    net = QUANTITIES["pneumatic"].cell(run.pneumatic)
    return f"{name}, {hertz(run.frequency)} Hz: net {net} W{most}, ceiling {share} %, {loss}"


def _short_table(found: dict[str, list[Run]]) -> Sheet:
    """Every run in one line."""
    runs = [run for members in found.values() for run in members]
    parts = [key for key in shown_parts(runs) if key not in ("standby", "transmission")]
    shown = [*parts, "efficiency_ceiling", "aftercooler_heat"]
    heads = {key: QUANTITIES[key].head for key in shown} | {"efficiency_ceiling": "Ceiling [%]"}
    rows = [
        (name if run is members[0] else "", hertz(run.frequency), *run.cells(shown), flag_letters(run.flags))
        for name, members in found.items()
        for run in members
    ]
    columns = ("Sweep", "Hz", *heads.values(), "Flags")
    return Sheet("Where the input of each run goes [W]", columns, tuple(rows), left=("Sweep", "Flags"))


def first_assumptions(assumed: Sequence[Assumed]) -> list[Item]:
    """The assumptions that matter most, with what they leave open and how to be rid of them."""
    if not assumed:
        return []
    first = sorted(heavy(assumed)[:FIRST], key=lambda one: one.row.effort)
    points = (f"{one.row.name}, ±{watts(one.half_width)} W: {one.row.cure} ({_keys(one.keys)})" for one in first)
    left = len(assumed) - len(first)
    more = f" ({left} more: --all)" if left else ""
    return [f"{ASSUMED}; what widens the net most, the cheapest cure first{more}:", tuple(points)]


def _keys(keys: Sequence[str]) -> str:
    """The first key, and how many there are like it."""
    return keys[0] if len(keys) == 1 else f"{keys[0]} and {len(keys) - 1} more"


def run_tables(answer: Breakdown) -> list[Item]:
    """Where the input of each run goes, and what the net power allows; one pair of tables a file."""
    tables: list[Item] = []
    for file, members in groupby(answer.runs, key=lambda run: run.file):
        runs = list(members)
        tables += [_parts_table(file, runs), _ceiling_table(runs, answer.calibration.rig.cycle)]
    return tables


def assumption_items(assumed: Sequence[Assumed]) -> list[Item]:
    """What bench.toml leaves open, what was assumed, and how to know better; nothing where all is stated."""
    shown = heavy(assumed)
    return [*([assumption_table(shown)] if shown else []), *light_line(assumed), *_cures(shown)]


def heavy(assumed: Sequence[Assumed]) -> list[Assumed]:
    """Those that are worth a row."""
    return [one for one in assumed if one.half_width > LIGHT * assumed[0].half_width]


def light_line(assumed: Sequence[Assumed]) -> list[str]:
    """The others by name, in one line; none where there are none."""
    names = [one.row.name for one in assumed[len(heavy(assumed)) :]]
    also = f"Assumed too, with less than {PERCENT * LIGHT:g} % of the largest effect: {listed(names)}."
    return [also] if names else []


def assumption_table(assumed: Iterable[Assumed]) -> Sheet:
    """Each assumption with its limits, what it leaves open, and the keys that would replace it."""
    heads = ("Assumed", "Limits", "± net [W]", KEYS)
    rows = ((one.row.name, one.row.range, watts(one.half_width), "\n".join(one.keys)) for one in assumed)
    return Sheet(ASSUMED, heads, tuple(rows), left=(*heads[:2], KEYS), keys=(KEYS,))


def _cures(shown: Sequence[Assumed]) -> list[Item]:
    """How to be rid of the three that matter most."""
    points = (f"{listed(one.keys)}: {one.row.cure}." for one in sorted(shown[:3], key=lambda one: one.row.effort))
    return ["What narrows the net most, the cheapest cure first:", tuple(points)] if shown else []


def _parts_table(file: str, runs: list[Run]) -> Sheet:
    first, shown = runs[0], [*shown_parts(runs), *(["subtraction"] if any(run.at_most for run in runs) else [])]
    shown += ["motor_copper"] if any(run.motor_copper for run in runs) else []
    title = f"{file}: cylinder {first.cylinder!r} at {bar(first.mean_pressure)} bar, parts of the input [W]"
    rows = ((str(run.row), hertz(run.frequency), *run.cells(shown)) for run in runs)
    return Sheet(title, ("Row", "Hz", *(QUANTITIES[key].head for key in shown)), tuple(rows))


def _ceiling_table(runs: list[Run], cycle: str) -> Sheet:
    shown = ["efficiency_ceiling", "aftercooler_heat", "friction_heat", "cycle_work_ratio"]
    shown += ["cooling_ceiling"] if cycle != "none" else []
    shown += [key for key in ("hot_end", "thermal_resistance") if any(run.parts[key] for run in runs)]
    heads = {key: QUANTITIES[key].column for key in shown}
    heads |= {"cooling_ceiling": "Heating, ideal at most [W]"} if cycle == "heat-pump" else {}
    rows = ((str(run.row), *run.cells(shown), flag_letters(run.flags)) for run in runs)
    title = f"{runs[0].file}: what the net power allows, and the heat at the aftercooler"
    return Sheet(title, ("Row", *heads.values(), "Flags"), tuple(rows), left=("Flags",))


def budget_tables(answer: Breakdown, shares: Shares) -> list[Item]:
    """Half-width of the net interval by source of error, over runs; nothing without shares."""
    if not shares:
        return []
    places = _places(answer.runs)
    together = np.array([run.pneumatic.half_width for run in answer.runs])
    whole = ("all together", *(watts(over_runs(together[at])) for at in places.values()))
    named = {source_name(answer, source): widths for source, widths in shares.items()}
    found = [seen({name: over_runs(widths[at]) for name, widths in named.items()}) for at in places.values()]
    unseen = [name for name in named if not any(name in column for column in found)]
    shown = sorted((name for name in named if name not in unseen), key=lambda name: -found[0].get(name, 0.0))
    rows = (whole, *((name, *(watts(column.get(name, 0.0)) for column in found)) for name in shown))
    heads = ("Source alone at work", *places)
    title = f"Half-width of the net power's interval by source of error [W], {OVER_RUNS}"
    also = [f"Too small to be seen: {listed(unseen)}."] if unseen else []
    return [Sheet(title, heads, rows, left=heads[:1]), *also]


def _places(runs: Sequence[Run]) -> dict[str, list[int]]:
    """Which runs a column of the budget is about: all, and, where there are several, each file's."""
    files: dict[str, list[int]] = {}
    for i, run in enumerate(runs):
        files.setdefault(run.file.removesuffix(".csv"), []).append(i)
    return {"all runs": list(range(len(runs)))} | (files if len(files) > 1 else {})


def breakdown_data(answer: Breakdown, shares: Shares | None = None) -> dict[str, Any]:
    """`driveloss.breakdown/1`; with shares, each run also has its `budget`, in the order of the shares."""
    return {
        "schema": "driveloss.breakdown/1",
        "coverage": answer.coverage,
        "runs": run_entries(answer, shares or {}),
        "assumptions": as_data(answer.assumptions),
    }


def run_entries(answer: Breakdown, shares: Shares) -> list[dict[str, Any]]:
    """An entry a run, with its `budget` where there are shares."""
    runs = [{**run.place(), **run.data(), "flags": list(run.flags)} for run in answer.runs]
    for i, run in enumerate(runs if shares else ()):
        run["budget"] = [{"source": s, "half_width_W": float(widths[i])} for s, widths in shares.items()]
    return runs
