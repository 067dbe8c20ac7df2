"""Answers as CSV for a spreadsheet: the same columns whatever the data, and no text of the user's becomes a formula."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import chain, islice
from typing import Any

FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")
PARTS = ("u", "low", "high")
_UNIT = re.compile(r"_(?:[A-Z][A-Za-z]?|m|s|deg)(?:_per_[A-Za-z]+)?$")
AS_READ = ("mean_pressure_Pa", "frequency_Hz")  # set or read: no more digits than any instrument has
DIGITS = 7
LINES = 1000  # of a piece of text


def spread(*keys: str) -> tuple[str, ...]:
    """The four columns of each quantity: value, standard uncertainty, ends of the 95 % interval; the unit stays last.

    >>> spread("net_W")
    ('net_W', 'net_u_W', 'net_low_W', 'net_high_W')
    """
    return tuple(name for key in keys for name in (key, *(_of_part(key, part) for part in PARTS)))


def _of_part(key: str, part: str) -> str:
    unit = _UNIT.search(key)
    place = unit.start() if unit else len(key)
    return f"{key[:place]}_{part}{key[place:]}"


def to_csv(rows: Iterable[Mapping[str, Any]], columns: Sequence[str] = ()) -> str:
    """Rows of the JSON form as CSV text; a list is joined by semicolons, what is not determinable is an empty cell.

    columns: all that there are, in their order; those of the rows unless given.
    >>> print(to_csv([{"file": "=1+1", "net_W": {"value": 1.5, "u": 0.1, "low": 1.3, "high": 1.7}}]).strip())
    file,net_W,net_u_W,net_low_W,net_high_W
    '=1+1,1.5,0.1,1.3,1.7
    """
    return "".join(csv_pieces(rows, columns))


def csv_pieces(rows: Iterable[Mapping[str, Any]], columns: Sequence[str] = ()) -> Iterator[str]:
    """What `to_csv` gives, piece by piece: where columns are given, no more rows than those of one are held."""
    if not columns:
        rows = flat(rows)
        columns = list(rows[0] if rows else ())
    return csv_lines((map(safe, _in_order(row, columns)) for row in rows), columns)


def csv_lines(lines: Iterable[Iterable[Any]], columns: Sequence[str]) -> Iterator[str]:
    """CSV text of lines of cells in the order of the columns, a thousand lines a piece; words are to be `safe`."""
    every = chain([columns], lines)
    while block := list(islice(every, LINES)):
        out = io.StringIO()
        csv.writer(out, lineterminator="\n").writerows(block)
        yield out.getvalue()


def _in_order(row: Mapping[str, Any], columns: Sequence[str]) -> list[Any]:
    """The cells of a row, empty where it has none. Raises ValueError for an entry that is none of the columns."""
    line = _flat(row)
    if unknown := line.keys() - {*columns}:
        raise ValueError(f"entries without a column: {', '.join(sorted(unknown))}")
    return [line.get(name) for name in columns]


def flat(rows: Iterable[Mapping[str, Any]], columns: Sequence[str] = ()) -> list[dict[str, Any]]:
    """Rows without anything inside anything, each with every column: a quantity becomes four entries, a list one text.

    Raises ValueError for an entry that is none of the columns.
    """
    lines = [_flat(row) for row in rows]
    columns = columns or list(dict.fromkeys(name for line in lines for name in line))
    return [dict(zip(columns, _in_order(line, columns), strict=True)) for line in lines]


def _flat(row: Mapping[str, Any]) -> dict[str, Any]:
    cells: dict[str, Any] = {}
    for key, value in row.items():
        if isinstance(value, Mapping) and "value" in value:
            cells |= zip(spread(key), (value["value"], *(value[part] for part in PARTS)), strict=True)
        elif isinstance(value, Mapping):
            cells[key] = "; ".join(f"{name}: {_word(item)}" for name, item in value.items())
        elif isinstance(value, (list, tuple)):
            cells[key] = "; ".join(_word(item) for item in value)
        else:
            cells[key] = as_read(value) if key in AS_READ and value is not None else value
    return cells


def as_read(value: float) -> float:
    """A setting or a reading without the digits that come of a change of unit."""
    return float(f"{value:.{DIGITS}g}")


def _word(item: Any) -> str:
    if isinstance(item, Mapping):
        return " ".join(f"{value:.4g}" if isinstance(value, float) else str(value) for value in item.values())
    return str(item)


def safe(value: Any) -> Any:
    """Text that a spreadsheet shows as it stands: an apostrophe before what would start a formula."""
    return f"'{value}" if isinstance(value, str) and value.startswith(FORMULA_STARTS) else value
