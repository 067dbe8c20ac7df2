"""Witnesses as a table for people, a verdict in words, and plain data for scripts."""

from __future__ import annotations

from typing import Any

import numpy as np

from driveloss.say.json_form import quantity
from driveloss.say.numbers import bar, plus_minus
from driveloss.say.quantities import QUANTITIES
from driveloss.say.sheet import Item, Sheet
from driveloss.witnesses.ask import Testimony, Witnesses

SHALLOW = 20.0  # [deg] of phase below which a degree of dead centre changes the work by 5 % and more


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
            "" if row.phase is None else f"{np.degrees(row.phase):.0f}",
        )
        for row in answer.testimonies
    )
    heads = ("Part", "Cylinder", "bar", "Hz", "Witness", "W", "Phase [deg]")
    sheet = Sheet("Every way to the same watt", heads, rows, left=("Part", "Cylinder", "Witness"))
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
    return {
        "part": row.part,
        "witness": row.witness,
        "cylinder": row.cylinder,
        "frequency_Hz": row.frequency,
        "mean_pressure_Pa": row.mean_pressure,
        "power_W": quantity(row.power),
        "phase_deg": None if row.phase is None else float(np.degrees(row.phase)),
    }
