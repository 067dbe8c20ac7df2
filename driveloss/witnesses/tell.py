"""Witnesses as a table for people, a verdict in words, and plain data for scripts."""

from __future__ import annotations

from typing import Any

import numpy as np

from driveloss.say.numbers import bar
from driveloss.say.quantities import QUANTITIES
from driveloss.say.sheet import Item, Sheet
from driveloss.witnesses.ask import Testimony, Witnesses

SHALLOW = 20.0  # [deg] of phase below which a degree of dead centre changes the work by 5 % and more


def witnesses_tables(answer: Witnesses) -> list[Item]:
    """One row a witness, points after each other; then whether they agree."""
    head = QUANTITIES["pneumatic"].column
    rows = tuple(
        (
            row.cylinder,
            bar(row.mean_pressure),
            f"{row.frequency:.2f}",
            row.witness,
            *row.cells(("pneumatic",)),
            "" if row.phase is None else f"{np.degrees(row.phase):.0f}",
        )
        for row in answer.testimonies
    )
    heads = ("Cylinder", "bar", "Hz", "Witness", head, "Phase [deg]")
    sheet = Sheet("Every way to the same net power", heads, rows, left=("Cylinder", "Witness"))
    return [sheet, *witnesses_lines(answer)]


def witnesses_lines(answer: Witnesses) -> list[str]:
    """The verdict, and what to mind."""
    lines = [_verdict(answer)]
    shallow = [row for row in answer.testimonies if row.phase is not None and abs(np.degrees(row.phase)) < SHALLOW]
    if shallow:
        lines.append(
            f"Where pressure and volume lie within {SHALLOW:g} degrees of a gas spring, each degree of dead centre "
            "changes the recorded work by 5 % and more: find it with a dial gauge on both sides, or by a motored loop "
            "with the port closed, whose work is nearly nil."
        )
    return lines


def _verdict(answer: Witnesses) -> str:
    if answer.agree:
        return (
            f"The witnesses agree within what they leave open (chance {answer.chance:.2g}); breakdown and report give "
            "their joint answer."
        )
    causes = [f"{source} at {times:.2g} times its limit" for source, times in answer.reconcilers[:3]]
    would = f" Any one of these would do it: {'; '.join(causes)}." if causes else " No single assumption would do it."
    return (
        f"The witnesses disagree (chance {answer.chance:.1g} if all were within their limits), so they are kept apart "
        f"and subtraction is given.{would}"
    )


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
    phase = None if row.phase is None else float(np.degrees(row.phase))
    return {"witness": row.witness, **row.place(), **row.data(), "phase_deg": phase}
