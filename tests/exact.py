"""A bench.toml in which nothing is left open: what is not stated is stated as perfect, what has no limits as exact.

Benches written by hand check numbers against a truth that knows no more than they say. What is left out would be
assumed with limits, and a number without limits is known to its last digit only.
"""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Collection, Iterator
from pathlib import Path
from typing import Any

Table = dict[str, Any]

NUMBER = re.compile(r"\s*[+-]?[\d.]+(?:e[+-]?\d+)?(?:\s*[^\s\d+±-].*)?", re.IGNORECASE)  # and maybe a unit; no limits
NO_LIMITS = ("title", "seal", "gas", "bearings", "kind", "supply", "winding_temperature")  # words, or only a value
EXACT = {  # what is true of a perfect machine and perfect instruments
    "meter": {
        "power": "0 W",
        "voltage": "0 V",
        "current": "0 A",
        "frequency": "0 Hz",
        "pressure": "0 Pa",
        "temperature": "0 K",
        "linearity": "0 %",
    },
    "motor": {"brush_drop": "0 V +/- 0 V", "current_form_factor": "1 +/- 0"},
    "transmission": {"ratio": "1 +/- 0", "efficiency": "1 +/- 0"},
    "crank": {"bearings": "rolling", "load_friction": "0 mm +/- 0 mm"},
    "aftercooler": {"seal_heat_share": "1 +/- 0"},
    "cylinder": {"seal_change": "1 +/- 0", "pressure_friction": "0 N/bar +/- 0"},
}


def stated_exactly(text: str, *, unstated: Collection[str] = ()) -> str:
    """The same bench with all stated exactly; comments are lost.

    unstated: keys that are left open all the same. All further input reaches the shaft, unless the motor's resistance
    is stated; a port of unknown size is as wide as the bore. What is given with limits, or as "+/- 0", stays.
    """
    bench = tomllib.loads(text)
    for name in ("meter", "motor", "transmission", "crank", "aftercooler"):
        table = bench.setdefault(name, {})
        _complete(table, EXACT[name] | (_of_motor(table) if name == "motor" else {}), unstated)
    if "pin_friction" in bench["crank"]:
        del bench["crank"]["load_friction"]
    for cylinder in bench.get("cylinders", {}).values():
        _complete(cylinder, EXACT["cylinder"] | _of_port(cylinder), unstated)
    return "\n".join(_written(_limited(bench))) + "\n"


def state_exactly(folder: Path, *, unstated: Collection[str] = ()) -> None:
    """The same for a folder's bench.toml, in its place."""
    file = folder / "bench.toml"
    file.write_text(stated_exactly(file.read_text("utf-8"), unstated=unstated), "utf-8")


def _complete(table: Table, exact: Table, unstated: Collection[str]) -> None:
    for key, value in exact.items():
        if key not in unstated:
            table.setdefault(key, value)


def _of_motor(motor: Table) -> Table:
    """A winding that nobody read is as warm as where its resistance was measured."""
    exact = {"running_temperature": f"{motor.get('winding_temperature', '20 degC')} +/- 0"}
    if motor.get("supply") == "controller":
        exact["controller_efficiency"] = "1 +/- 0"
    return exact if "winding_resistance" in motor else exact | {"incremental_efficiency": "1 +/- 0"}


def _of_port(cylinder: Table) -> Table:
    if "open_port_diameter" in cylinder:
        return {"discharge_coefficient": "0.62 +/- 0.03"}
    return {"open_port_diameter": cylinder["bore"], "discharge_coefficient": "1 +/- 0"}


def _limited(table: Table) -> Table:
    """Every number of a table, but those of the instruments and the sweeps, with a limit."""
    kept = {key: table[key] for key in table if key in ("meter", "sweeps", "schema")}
    return {key: kept[key] if key in kept else _with_limit(key, value) for key, value in table.items()}


def _with_limit(key: str, value: Any) -> Any:
    if isinstance(value, dict):
        return _limited(value)
    text = str(value)
    return (
        f"{text} +/- 0"
        if key not in NO_LIMITS and NUMBER.fullmatch(text) and "±" not in text and "+/-" not in text
        else value
    )


def _written(table: Table, path: str = "") -> Iterator[str]:
    """TOML: a table's own keys, then the tables in it."""
    inner = {key: value for key, value in table.items() if isinstance(value, (dict, list))}
    for key, value in table.items():
        if key not in inner:
            yield f"{_key(key)} = {json.dumps(value, ensure_ascii=False)}"
    for key, value in inner.items():
        name = path + _key(key)
        for one in value if isinstance(value, list) else [value]:
            yield f"[[{name}]]" if isinstance(value, list) else f"[{name}]"
            yield from _written(one, f"{name}.")


def _key(key: str) -> str:
    return key if re.fullmatch(r"[\w-]+", key, re.ASCII) else json.dumps(key, ensure_ascii=False)
