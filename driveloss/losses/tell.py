"""No-load losses as tables for people and as plain data for scripts."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby
from typing import Any

from driveloss.fit.calibration import Calibration
from driveloss.losses.ask import Losses, LossRow, losses
from driveloss.say.flags import flag_letters
from driveloss.say.json_form import assumption_data
from driveloss.say.numbers import HALF_WIDTHS, bar
from driveloss.say.quantities import QUANTITIES
from driveloss.say.sheet import ASSUMED, Item, Sheet, listed

MOST_ROWS = 10_000  # of tables


def losses_tables(rows: Losses) -> list[Item]:
    """No-load losses, one table a cylinder and pressure, and what was assumed for them."""

    def place(row: LossRow) -> tuple[str, float]:
        return (row.cylinder or "", row.mean_pressure or 0.0)

    if len(rows) > MOST_ROWS:
        return [f"{len(rows)} rows are more than a screen shows: --csv and --json print every one."]
    shaft = ("motor", "linkage") if any(row.motor for row in rows) else ("drive",)
    groups = groupby(sorted(rows, key=place), key=place)
    tables = [_table(cylinder, pressure, list(members), shaft) for (cylinder, pressure), members in groups]
    outside = "* outside the calibrated range; " if any(row.extrapolated for row in rows) else ""
    names = listed(row.name for _, row in rows.assumptions)
    return [*tables, outside + HALF_WIDTHS, *([f"{ASSUMED}: {names}."] if rows.assumptions else [])]


def _table(cylinder: str, pressure: float, rows: Sequence[LossRow], shaft: Sequence[str]) -> Sheet:
    at = f"Cylinder {cylinder!r} at {bar(pressure)} bar: no-load" if cylinder else "Drive alone:"
    powers = ("standby", *shaft, "seal", "total") if cylinder else ("standby", *shaft, "total")
    beside = ("seal_force", "port") if cylinder else ()
    heads = {key: QUANTITIES[key].head for key in (*powers, *beside)}
    heads |= {key: QUANTITIES[key].column for key in beside[:1]}
    flags = ("Flags",) if any({*row.flags} - {"extrapolated"} for row in rows) else ()  # which has its star
    lines = tuple(
        (
            f"{row.frequency:g}{'*' if row.extrapolated else ''}",
            *row.cells(heads),
            *(flag_letters(row.flags) for _ in flags),
        )
        for row in rows
    )
    return Sheet(f"{at} losses [W]", ("f [Hz]", *heads.values(), *flags), lines, left=flags)


def middle_line(calibration: Calibration) -> str:
    """What each part takes without load in the middle of the calibrated range, in one line."""
    spans = [calibration.drive_range, *calibration.ranges.values()]
    low, high = max(span.low for span in spans), min(span.high for span in spans)
    if not low < high:
        low, high = calibration.drive_range.low, calibration.drive_range.high
    drive, *pistons = losses(calibration, [float(f"{(low + high) / 2:.3g}")])
    keys = ("standby", *(("motor", "linkage") if drive.motor else ("drive",)))
    told = [f"{QUANTITIES[key].head.lower()} {_cell(drive, key)}" for key in keys if getattr(drive, key)]
    told += [f"seal of {row.cylinder} {bar(row.mean_pressure)} bar {_cell(row, 'seal')}" for row in pistons]
    return f"Losses at {drive.frequency:g} Hz, in the middle: {', '.join(told)}."


def _cell(row: LossRow, key: str) -> str:
    return f"{QUANTITIES[key].cell(getattr(row, key))} {QUANTITIES[key].unit_for_people}"


def losses_data(rows: Losses) -> dict[str, Any]:
    """`driveloss.losses/1`."""
    return {**losses_in_pieces(rows), "rows": list(map(_entry, rows))}


def losses_in_pieces(rows: Losses) -> dict[str, Any]:
    """The same with an iterator for the rows."""
    assumed = [assumption_data(keys, row) for keys, row in rows.assumptions]
    return {"schema": "driveloss.losses/1", "rows": map(_entry, rows), "assumptions": assumed}


def _entry(row: LossRow) -> dict[str, Any]:
    return {**row.place(), **row.data(), "extrapolated": row.extrapolated, "flags": list(row.flags)}
