"""Witnesses as a table for people, a verdict in words, and plain data for scripts."""

from __future__ import annotations

from typing import Any

import numpy as np

from driveloss.say.json_form import quantity
from driveloss.say.numbers import PERCENT, bar, plus_minus
from driveloss.say.quantities import QUANTITIES
from driveloss.say.sheet import Item, Sheet
from driveloss.witnesses.ask import LADDER, Testimony, Witnesses

DEAD_CENTRE = (
    "%/deg: by how much a degree of dead centre moves the recorded work; no recording is surer than that times the "
    "limit of dead_centre. Find dead centre with a dial gauge on both sides of it, halfway between equal readings; "
    "or by a motored loop with the port closed, whose work is nearly nil."
)

RUNDOWN = "run-down "  # how such a witness is named
LESS = "standby power or copper may be left in the ladder, or its meter's zero be off"
MORE = "belt or bearings were colder as it coasted, or the inertia is stated too large"


def witnesses_tables(answer: Witnesses) -> list[Item]:
    """One row a witness, places after each other; then whether they agree."""
    rows = tuple(
        (
            QUANTITIES[row.part].head,
            row.cylinder or "",
            "" if row.mean_pressure is None else bar(row.mean_pressure),
            f"{row.frequency:.2f}",
            row.witness,
            plus_minus(row.power),
            *_phase_cells(row),
        )
        for row in answer.testimonies
    )
    heads = ("Part", "Cylinder", "bar", "Hz", "Witness", "W", "Phase [deg]", "%/deg")
    sheet = Sheet("Every way to the same watt", heads, rows, left=("Part", "Cylinder", "Witness"))
    return [sheet, *witnesses_lines(answer)]


def _phase_cells(row: Testimony) -> tuple[str, str]:
    """Of a recording: its phase, and what a degree of dead centre does to its work; of others nothing."""
    if row.phase is None or row.per_degree is None:
        return ("", "")
    return (f"{np.degrees(row.phase):.0f}", f"{PERCENT * row.per_degree:.1f}")


def witnesses_lines(answer: Witnesses) -> list[str]:
    """The verdict, and what limits recordings."""
    recorded = any(row.phase is not None for row in answer.testimonies)
    return [verdict_words(answer), *rundown_words(answer), *([DEAD_CENTRE] if recorded else [])]


def verdict_words(answer: Witnesses) -> str:
    """Whether they agree; else what would reconcile them."""
    if answer.agree:
        return (
            f"The witnesses agree within what they leave open (chance {answer.chance:.2g}); breakdown and report give "
            "their joint answer."
        )
    causes = [
        f"{source} at {times:.2g} times its limit" + (f" ({answer.limits[source]})" if source in answer.limits else "")
        for source, times in answer.reconcilers[:3]
    ]
    would = f" Any one of these would do it: {'; '.join(causes)}." if causes else " No single assumption would do it."
    return (
        f"The witnesses disagree (chance {answer.chance:.1g} if all were within their limits), so they are kept apart "
        f"and subtraction is given.{would}"
    )


def rundown_words(answer: Witnesses) -> list[str]:
    """By how much run-downs say more or less than the ladder where witnesses disagree, and what that points to."""
    if answer.agree:
        return []
    by_ladder = {row.place: row.power.value for row in answer.testimonies if row.witness == LADDER}
    found: dict[str, tuple[float, Testimony]] = {}
    for row in answer.testimonies:
        beside = by_ladder.get(row.place)
        if row.witness.startswith(RUNDOWN) and beside is not None:
            apart = (row.power.value - beside, row)
            found[row.witness] = max(found.get(row.witness, apart), apart, key=lambda one: abs(one[0]))
    return [
        f"The {witness} tells {abs(apart):.2g} W {'more' if apart > 0 else 'less'} of '{QUANTITIES[row.part].head}' at "
        f"{row.frequency:.2f} Hz than the ladder: {MORE if apart > 0 else LESS}."
        for witness, (apart, row) in found.items()
    ]


def witnesses_data(answer: Witnesses) -> dict[str, Any]:
    """`driveloss.witnesses/1`."""
    return {
        "schema": "driveloss.witnesses/1",
        "coverage": answer.coverage,
        "rows": [_row(row) for row in answer.testimonies],
        "agree": answer.agree,
        "chance": answer.chance,
        "reconcilers": [{"source": source, "times_its_limit": times} for source, times in answer.reconcilers],
    }


def _row(row: Testimony) -> dict[str, Any]:
    return {
        "part": row.part,
        "witness": row.witness,
        "cylinder": row.cylinder,
        "frequency_Hz": row.frequency,
        "mean_pressure_Pa": row.mean_pressure,
        "power_W": quantity(row.power),
        "phase_deg": None if row.phase is None else float(np.degrees(row.phase)),
        "work_percent_per_deg": None if row.per_degree is None else PERCENT * row.per_degree,
    }
