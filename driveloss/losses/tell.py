"""No-load losses as tables for people and as plain data for scripts."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby
from typing import Any

from driveloss.losses.ask import LossRow
from driveloss.say.numbers import HALF_WIDTHS, bar
from driveloss.say.quantities import QUANTITIES
from driveloss.say.sheet import Item, Sheet


def losses_tables(rows: Sequence[LossRow]) -> list[Item]:
    """No-load losses, one table a cylinder and pressure."""

    def place(row: LossRow) -> tuple[str, float]:
        return (row.cylinder or "", row.mean_pressure or 0.0)

    shaft = ("motor", "linkage") if any(row.motor for row in rows) else ("drive",)
    groups = groupby(sorted(rows, key=place), key=place)
    tables = [_table(cylinder, pressure, list(members), shaft) for (cylinder, pressure), members in groups]
    outside = "* outside the calibrated range; " if any(row.extrapolated for row in rows) else ""
    return [*tables, outside + HALF_WIDTHS]


def _table(cylinder: str, pressure: float, rows: Sequence[LossRow], shaft: Sequence[str]) -> Sheet:
    at = f"Cylinder {cylinder!r} at {bar(pressure)} bar: no-load" if cylinder else "Drive alone:"
    powers = ("standby", *shaft, "seal", "total") if cylinder else ("standby", *shaft, "total")
    beside = ("seal_force", "port") if cylinder else ()
    heads = {key: QUANTITIES[key].head for key in (*powers, *beside)}
    heads |= {"standby": "Standby"} | {key: QUANTITIES[key].column for key in beside[:1]}
    lines = tuple((f"{row.frequency:g}{'*' if row.extrapolated else ''}", *row.cells(heads)) for row in rows)
    return Sheet(f"{at} losses [W]", ("f [Hz]", *heads.values()), lines)


def losses_data(rows: Sequence[LossRow]) -> dict[str, Any]:
    """`driveloss.losses/1`."""
    listed = [{**row.place(), **row.data(), "extrapolated": row.extrapolated, "flags": list(row.flags)} for row in rows]
    return {"schema": "driveloss.losses/1", "rows": listed}
