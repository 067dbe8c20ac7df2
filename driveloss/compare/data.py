"""A comparison as plain data for scripts."""

from __future__ import annotations

from typing import Any

from driveloss.compare.ask import Comparison, Difference, Row
from driveloss.compare.sides import Entry
from driveloss.compare.tell import comparison_notes, sentence
from driveloss.compare.verdict import BETTER, NO_COMMON_GROUND, OPEN
from driveloss.say.json_form import quantity

LOSS_KEYS = {
    "seal": "seal_W",
    "seal_force": "seal_force_N",
    "lip_force": "lip_force_N_per_m",
    "friction_mep": "friction_mean_effective_pressure_Pa",
    "share": "share_of_input",
    "total": "total_W",
}
LOADED_KEYS = {
    "input": "input_W",
    "pneumatic": "pneumatic_W",
    "seal": "seal_W",
    "efficiency_ceiling": "efficiency_ceiling",
    "aftercooler_heat": "aftercooler_heat_W",
    "friction_heat": "friction_heat_W",
    "below_ambient": "below_ambient_K",
    "hot_to_cold": "hot_to_cold_K",
    "drop_per_net": "below_ambient_per_net_K_per_W",
    "drop_per_input": "below_ambient_per_input_K_per_W",
    "cycle_work_ratio": "cycle_work_ratio",
}
QUESTION_KEYS = {
    "seal-power": "seal_W",
    "lip-force": "lip_force_N_per_m",
    "friction-mep": "friction_mean_effective_pressure_Pa",
    "input-at-net": "input_W",
    "input-at-drop": "input_W",
}
EQUAL_KEYS = {
    "frequency": "frequency_Hz",
    "piston speed": "mean_piston_speed_m_per_s",
    "net power": "pneumatic_W",
    "drop": "below_ambient_K",
}


def comparison_data(answer: Comparison) -> dict[str, Any]:
    """`driveloss.compare/1`. In `differences`, values are first less second of the quantity named by `of`."""
    return {
        "schema": "driveloss.compare/1",
        "coverage": answer.coverage,
        "entries": [_entry(entry) for entry in (*answer.no_load, *answer.loaded)],
        "losses": [_row(row, LOSS_KEYS) for row in answer.losses],
        "losses_at_equal_piston_speed": [_row(row, LOSS_KEYS) for row in answer.losses_at_speed],
        "loaded": [_row(row, LOADED_KEYS) for row in answer.loaded_rows],
        "differences": [_difference(d) for d in answer.differences],
        "notes": comparison_notes(answer),
    }


def _entry(entry: Entry) -> dict[str, Any]:
    return {
        "label": entry.label,
        "bench": entry.subject.name or None,
        "cylinder": entry.cylinder,
        "mean_pressure_Pa": entry.mean_pressure,
        "file": entry.file,
        "lowest_frequency_Hz": entry.low,
        "highest_frequency_Hz": entry.high,
        "flags": list(entry.flags),
    }


def _row(row: Row, keys: dict[str, str]) -> dict[str, Any]:
    return {
        "entry": row.entry.label,
        "file": row.entry.file,
        "frequency_Hz": row.frequency,
        "mean_piston_speed_m_per_s": row.piston_speed,
        **{key: quantity(row.parts.get(name)) for name, key in keys.items()},
        "flags": list(row.flags),
    }


def _difference(difference: Difference) -> dict[str, Any]:
    verdict = difference.verdict
    met = difference.frequencies or (None, None)
    return {
        "question": difference.question,
        "of": QUESTION_KEYS[difference.question],
        "equal": EQUAL_KEYS[difference.equal],
        "level": difference.level,
        "first": difference.first.label,
        "second": difference.second.label,
        "first_frequency_Hz": met[0],
        "second_frequency_Hz": met[1],
        "first_value": quantity(difference.first_value),
        "second_value": quantity(difference.second_value),
        "difference": quantity(difference.difference),
        "verdict_on_first": verdict.word,
        "better": _better(difference),
        "narrower_times": verdict.narrower,
        "more_readings_times": verdict.more_runs,
        "variance_shares": dict(verdict.shares),
        "biased_by": list(verdict.biased_by),
        "says": sentence(difference),
    }


def _better(difference: Difference) -> str | None:
    word = difference.verdict.word
    if word in (OPEN, NO_COMMON_GROUND):
        return None
    return (difference.first if word == BETTER else difference.second).label
