"""Plain data for JSON: a quantity is value, standard uncertainty and 95 % interval, or null."""

from __future__ import annotations

import json
from collections.abc import Iterable
from math import isfinite
from typing import Any

from driveloss.fit.assumptions import Assumption
from driveloss.fit.estimate import Estimate


def quantity(estimate: Estimate | None) -> dict[str, float] | None:
    """The JSON form of a quantity."""
    return None if estimate is None else {key: getattr(estimate, key) for key in ("value", "u", "low", "high")}


def assumption_data(keys: Iterable[str], row: Assumption) -> dict[str, Any]:
    """What is assumed in place of keys of bench.toml; `limits` says low and high in words."""
    numbers = {"low": row.low, "high": row.high, "unit": row.unit, "limits": row.range}
    words = {"source": row.source, "moves": row.moves, "cure": row.cure}
    return {"key": ", ".join(keys), "name": row.name, **numbers, **words}


def to_json(data: dict[str, Any]) -> str:
    """One text for scripts; what is not finite is null."""
    return json.dumps(_finite(data), indent=1, allow_nan=False)


def _finite(data: Any) -> Any:
    if isinstance(data, float):
        return data if isfinite(data) else None
    if isinstance(data, dict):
        return {key: _finite(value) for key, value in data.items()}
    return [_finite(value) for value in data] if isinstance(data, (list, tuple)) else data
