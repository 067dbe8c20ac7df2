"""Plain data for JSON: a quantity is value, standard uncertainty and 95 % interval, or null."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from itertools import islice
from math import isfinite
from typing import Any

from driveloss.fit.assumptions import Assumption
from driveloss.fit.estimate import Estimate

ENTRIES = 100  # of a list, in one piece of text


def quantity(estimate: Estimate | None) -> dict[str, float] | None:
    """The JSON form of a quantity."""
    return None if estimate is None else {key: getattr(estimate, key) for key in ("value", "u", "low", "high")}


def assumption_data(keys: Iterable[str], row: Assumption) -> dict[str, Any]:
    """What is assumed in place of keys of bench.toml; `limits` says low and high in words."""
    numbers = {"low": row.low, "high": row.high, "unit": row.unit, "limits": row.range}
    words = {"source": row.source, "moves": row.moves, "cure": row.cure}
    return {"key": ", ".join(keys), "name": row.name, **numbers, **words}


def to_json(data: Mapping[str, Any]) -> str:
    """One text for scripts; what is not finite is null."""
    return "".join(json_pieces(data))


def json_pieces(data: Mapping[str, Any]) -> Iterator[str]:
    """What `to_json` gives, piece by piece: a value that is an iterator is a list, written entry by entry."""
    lead = "{"
    for key, value in data.items():
        yield f"{lead}\n {json.dumps(key)}: "
        yield from _entries(value) if isinstance(value, Iterator) else [_text(value, 1).replace("\n", "\n ")]
        lead = ","
    yield "\n}" if data else "{}"


def _entries(entries: Iterator[Any]) -> Iterator[str]:
    """A list, each entry in a line of its own."""
    lead = "["
    while block := list(islice(entries, ENTRIES)):
        yield lead + ",".join(f"\n  {_text(entry)}" for entry in block)
        lead = ","
    yield "[]" if lead == "[" else "\n ]"


def _text(value: Any, indent: int | None = None) -> str:
    try:
        return json.dumps(value, indent=indent, allow_nan=False)
    except ValueError:
        return json.dumps(_finite(value), indent=indent, allow_nan=False)


def _finite(data: Any) -> Any:
    if isinstance(data, float):
        return data if isfinite(data) else None
    if isinstance(data, dict):
        return {key: _finite(value) for key, value in data.items()}
    return [_finite(value) for value in data] if isinstance(data, (list, tuple)) else data
