"""No-load losses as tables for people and as plain data for scripts."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby
from typing import Any

from driveloss.losses.ask import LossRow
from driveloss.say.json_form import quantity
from driveloss.say.numbers import HALF_WIDTHS, bar, plus_minus
from driveloss.say.sheet import Sheet

LOSS_KEYS = {
    "standby": "standby_W",
    "motor": "motor_W",
    "linkage": "linkage_W",
    "drive": "drive_W",
    "seal": "seal_W",
    "port": "port_W",
    "total": "total_W",
    "seal_force": "seal_force_N",
}


def loss_tables(rows: Sequence[LossRow]) -> list[Sheet | str]:
    """No-load losses, one table a cylinder and pressure."""
    tables: list[Sheet | str] = []
    split = any(row.motor for row in rows)
    shaft = ["Motor", "Linkage"] if split else ["Drive"]

    def place(row: LossRow) -> tuple[str, float]:
        return (row.cylinder or "", row.mean_pressure or 0.0)

    for (cylinder, pressure), members in groupby(sorted(rows, key=place), key=place):
        title = (
            f"Cylinder {cylinder!r} at {bar(pressure)} bar: no-load losses [W]"
            if cylinder
            else "Drive alone: losses [W]"
        )
        seal = ["Seal", "Total", "Force [N]", "(Port)"] if cylinder else ["Total"]
        lines = []
        for row in members:
            parts = [row.motor, row.linkage] if split else [row.drive]
            rest = [row.seal, row.total, row.seal_force, row.port] if cylinder else [row.total]
            mark = "*" if row.extrapolated else ""
            lines.append((f"{row.frequency:g}{mark}", *map(plus_minus, [row.standby, *parts, *rest])))
        tables.append(Sheet(title, ("f [Hz]", "Standby", *shaft, *seal), tuple(lines)))
    outside = "* outside the calibrated range; " if any(row.extrapolated for row in rows) else ""
    return [*tables, outside + HALF_WIDTHS]


def losses_data(rows: Sequence[LossRow]) -> dict[str, Any]:
    """`driveloss.losses/1`."""
    return {"schema": "driveloss.losses/1", "rows": [_loss_row(row) for row in rows]}


def _loss_row(row: LossRow) -> dict[str, Any]:
    return {
        "frequency_Hz": row.frequency,
        "cylinder": row.cylinder,
        "mean_pressure_Pa": row.mean_pressure,
        **{key: quantity(getattr(row, name)) for name, key in LOSS_KEYS.items()},
        "extrapolated": row.extrapolated,
        "flags": list(row.flags),
    }
