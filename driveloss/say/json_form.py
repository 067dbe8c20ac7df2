"""Plain data for JSON: a quantity is value, standard uncertainty and 95 % interval, or null."""

from __future__ import annotations

import json
from typing import Any

from driveloss.fit.estimate import Estimate


def quantity(estimate: Estimate | None) -> dict[str, float] | None:
    """The JSON form of a quantity."""
    return None if estimate is None else {key: getattr(estimate, key) for key in ("value", "u", "low", "high")}


def to_json(data: dict[str, Any]) -> str:
    """One text for scripts; never a bare NaN."""
    return json.dumps(data, indent=1, allow_nan=False)
