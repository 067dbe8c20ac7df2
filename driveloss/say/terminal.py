"""Sheets drawn on a terminal through rich, whole at any width from 80 columns on."""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING

from driveloss.say.sheet import Item, Sheet

if TYPE_CHECKING:
    from rich.console import Console, JustifyMethod
    from rich.table import Table

PIPE_WIDTH = 100
WIDER_THAN_ANY = 10_000
LONG_WORD = re.compile(r"(\S{6,}?-)(?=\S{6,})")  # of a head, such as a file's name: goes on below behind a hyphen
KEY_WIDTH = 26  # of a key where there is no room for more; a longer one goes on below, behind a full stop


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
            target.print(item.title, style="bold")
            target.print(_table(item, stacked=_natural_width(target, item) > target.width))
            continue
        for line in [item] if isinstance(item, str) else (f"- {point}" for point in item):
            target.print(line)


def _natural_width(target: Console, sheet: Sheet) -> int:
    """Columns that the sheet takes with every cell on one line."""
    from rich.measure import Measurement

    return Measurement.get(target, target.options.update(max_width=WIDER_THAN_ANY), _table(sheet)).maximum


def _table(sheet: Sheet, *, stacked: bool = False) -> Table:
    from rich import box
    from rich.table import Table

    result = Table(box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0))
    for head in sheet.heads:
        shown = LONG_WORD.sub(r"\1\n", head) if stacked else head
        side: JustifyMethod = "left" if head in sheet.left else "right"
        result.add_column(shown, justify=side, overflow="fold", no_wrap=head in sheet.keys)
    narrowed = [_narrowed(sheet, head) if stacked else str for head in sheet.heads]
    for row in sheet.rows:
        result.add_row(*(narrow(cell) for cell, narrow in zip(row, narrowed, strict=True)))
    return result


def _narrowed(sheet: Sheet, head: str) -> Callable[[str], str]:
    """What makes the cells of a column narrower; words may hold any sign and are left alone."""
    if head in sheet.keys:
        return _broken
    return str if head in sheet.left else lambda cell: cell.replace(" ±", "\n±")


def _broken(keys: str) -> str:
    """Keys, one a line, gone on below behind a full stop or a space where they are long.

    >>> _broken("cylinders.narrow.open_port_diameter").split("\\n")
    ['cylinders.narrow.', 'open_port_diameter']
    """
    lines: list[str] = []
    for key in keys.split("\n"):
        lines.append("")
        for piece in re.findall(r"[^. ]+[. ]?", key):
            if lines[-1] and len(lines[-1]) + len(piece) > KEY_WIDTH:
                lines.append("")
            lines[-1] += piece
    return "\n".join(lines)
