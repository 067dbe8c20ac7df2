"""Sheets drawn on a terminal through rich, whole at any width from 80 columns on."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterable
from typing import TYPE_CHECKING

from driveloss.say.sheet import Item, Sheet

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table

PIPE_WIDTH = 100


def console(*, err: bool = False) -> Console:
    """A console on standard output or standard error; colours only on a terminal without NO_COLOR."""
    from rich.console import Console

    stream = sys.stderr if err else sys.stdout
    width = None if stream.isatty() or "COLUMNS" in os.environ else PIPE_WIDTH
    return Console(file=stream, width=width, highlight=False, emoji=False, markup=False)


def print_all(target: Console, items: Iterable[Item]) -> None:
    """Print items in order; a sheet that is too wide puts each half-width under its value."""
    for item in items:
        if isinstance(item, Sheet):
            target.print(_table(item, stacked=_natural_width(item) > target.width))
            continue
        for line in [item] if isinstance(item, str) else (f"- {point}" for point in item):
            target.print(line)


def _natural_width(sheet: Sheet) -> int:
    """Columns that the sheet takes with every cell on one line."""
    columns = zip(sheet.heads, *sheet.rows, strict=True)
    return sum(max(len(line) for cell in column for line in cell.split("\n")) + 1 for column in columns) + 1


def _table(sheet: Sheet, *, stacked: bool = False) -> Table:
    from rich import box
    from rich.table import Table

    result = Table(title=sheet.title, box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0))
    result.title_justify, result.title_style = "left", "bold"
    for head in sheet.heads:
        result.add_column(head, justify="left" if head in sheet.left else "right", overflow="fold")
    numbers = [stacked and head not in sheet.left for head in sheet.heads]  # words may hold any sign
    for row in sheet.rows:
        result.add_row(*(cell.replace(" ±", "\n±") if n else cell for cell, n in zip(row, numbers, strict=True)))
    return result
