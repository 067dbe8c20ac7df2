"""Answers as CSV for a spreadsheet: a quantity takes four columns, and text from the user cannot become a formula."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping
from typing import Any

FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


def to_csv(rows: Iterable[Mapping[str, Any]]) -> str:
    """Rows of the JSON form as CSV text; a list is joined by semicolons, null is an empty cell.

    >>> print(to_csv([{"file": "=1+1", "net_W": {"value": 1.5, "u": 0.1, "low": 1.3, "high": 1.7}}]).strip())
    file,net_W,net_W u,net_W low,net_W high
    '=1+1,1.5,0.1,1.3,1.7
    """
    lines = [{head: _cell(value) for head, value in flat(row).items()} for row in rows]
    heads = list(dict.fromkeys(head for line in lines for head in line))
    out = io.StringIO()
    writer = csv.DictWriter(out, heads, restval="", lineterminator="\n")
    writer.writeheader()
    writer.writerows(lines)
    return out.getvalue()


def flat(row: Mapping[str, Any]) -> dict[str, Any]:
    """One row without anything inside anything: a quantity becomes four entries, a list one text."""
    cells: dict[str, Any] = {}
    for key, value in row.items():
        if isinstance(value, Mapping) and "value" in value:
            cells |= {key: value["value"], **{f"{key} {part}": value[part] for part in ("u", "low", "high")}}
        elif isinstance(value, Mapping):
            cells |= {f"{key} {inner}": cell for inner, cell in flat(value).items()}
        elif isinstance(value, (list, tuple)):
            cells[key] = "; ".join(_word(item) for item in value)
        else:
            cells[key] = value
    return cells


def _word(item: Any) -> str:
    if isinstance(item, Mapping):
        return " ".join(f"{value:.4g}" if isinstance(value, float) else str(value) for value in item.values())
    return str(item)


def _cell(value: Any) -> Any:
    """Text that a spreadsheet shows as it stands: an apostrophe before what would start a formula."""
    return f"'{value}" if isinstance(value, str) and value.startswith(FORMULA_STARTS) else value
