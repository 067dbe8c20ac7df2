"""Answers as plain data for JSON: a quantity is value, standard uncertainty and 95 % interval, or null."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from driveloss.analysis.breakdown import Breakdown, Run
    from driveloss.analysis.budget import Share
    from driveloss.analysis.losses import LossRow
    from driveloss.fit.estimate import Estimate

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


def quantity(estimate: Estimate | None) -> dict[str, float] | None:
    """The JSON form of a quantity."""
    return None if estimate is None else asdict(estimate)


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


def to_json(data: dict[str, Any]) -> str:
    """One text for scripts; never a bare NaN."""
    return json.dumps(data, indent=1, allow_nan=False)
