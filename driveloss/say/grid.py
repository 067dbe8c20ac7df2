"""A sheet drawn as lines of text: a table where it fits, else a block for each row; numbers are never broken.

Where ± stands, behind its number or below it, is decided once for a table.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

from driveloss.say.sheet import Sheet
from driveloss.say.wrap import HYPHENS, STOPS, columns, pieces, wrapped

NARROW = 72  # columns: below it a table stands only where nothing but its heads is wrapped
GAPS = (2, 1)  # between columns, the first that fits
LONG_WORD = re.compile(r"(?<=[^ ]{6}-)(?=[^ ]{6})")  # of a head, such as a file's name: goes on below its hyphen
INDENT = 2


@dataclass(frozen=True)
class _Column:
    """One column: its head, its cells, and where it may be broken."""

    head: str
    cells: tuple[str, ...]
    is_words: bool
    breaks: re.Pattern[str] | None

    @property
    def natural(self) -> int:
        """Its width with each line as it is."""
        return max(columns(line) for text in (self.head, *self.cells) for line in text.split("\n"))

    @property
    def least(self) -> int:
        """The least width that breaks nothing which belongs together."""
        heads = (piece for line in self.head.split("\n") for piece in pieces(line, LONG_WORD))
        return max(self.cells_at_least, *(columns(piece.rstrip()) for piece in heads))

    @property
    def cells_at_least(self) -> int:
        """The same of its cells alone."""
        lines = [line for cell in self.cells for line in cell.split("\n")]
        if self.is_words:
            lines = [piece.rstrip() for line in lines for piece in pieces(line, self.breaks)]
        return max(map(columns, lines), default=0)

    @property
    def unbroken(self) -> int:
        """The least width at which only the head is wrapped."""
        return max(self.least, *(columns(line) for cell in self.cells for line in cell.split("\n")), 0)

    def stacked(self) -> _Column:
        """With each half-width below its value."""
        return self if self.is_words else replace(self, cells=tuple(cell.replace(" ±", "\n±") for cell in self.cells))

    def lines(self, text: str, width: int, *, is_head: bool = False) -> list[str]:
        """One text of the column as lines of its width."""
        found = wrapped(text, width, LONG_WORD if is_head else self.breaks if self.is_words else None)
        return [line + " " * (width - columns(line)) if self.is_words else _right(line, width) for line in found]


def _right(line: str, width: int) -> str:
    return " " * (width - columns(line)) + line


def drawn(sheet: Sheet, width: int) -> list[str]:
    """The sheet without its title, at most `width` columns wide; the lines of a table's head end with a rule."""
    laid_out = _columns_of(sheet)
    if width < NARROW:
        return _table(laid_out, width, lambda column: column.unbroken) or list(_blocks(sheet, width))
    ways = (laid_out, [column.stacked() for column in laid_out])
    tables = [table for way in ways if (table := _table(way, width, lambda column: column.least))]
    return min(tables, key=len) if tables else list(_blocks(sheet, width))


def _columns_of(sheet: Sheet) -> list[_Column]:
    cells = list(zip(*sheet.rows, strict=True)) or [()] * len(sheet.heads)
    return [
        _Column(head, of_column, head in sheet.left, STOPS if head in sheet.keys else HYPHENS)
        for head, of_column in zip(sheet.heads, cells, strict=True)
    ]


def _table(laid_out: list[_Column], width: int, least: Callable[[_Column], int]) -> list[str]:
    """Lines of a table; none where it does not fit."""
    for gap in GAPS:
        room = width - 1 - gap * (len(laid_out) - 1)
        widths = _shared(laid_out, room, least)
        if widths:
            return _lines_of_table(laid_out, widths, gap)
    return []


def _shared(laid_out: list[_Column], room: int, least: Callable[[_Column], int]) -> list[int]:
    """A width for each column: heads of numbers are wrapped first, then the widest words; none without room."""
    widths, floors = [column.natural for column in laid_out], [least(column) for column in laid_out]
    for words in (False, True):
        while sum(widths) > room:
            slack = [i for i, c in enumerate(laid_out) if c.is_words is words and widths[i] > floors[i]]
            if not slack:
                break
            widths[max(slack, key=lambda i: widths[i])] -= 1
    return widths if sum(widths) <= room else []


def _lines_of_table(laid_out: list[_Column], widths: list[int], gap: int) -> list[str]:
    heads = [column.lines(column.head, width, is_head=True) for column, width in zip(laid_out, widths, strict=True)]
    tallest = max(map(len, heads))
    heads = [[" " * width] * (tallest - len(lines)) + lines for lines, width in zip(heads, widths, strict=True)]
    lines = [*_row(heads, widths, gap), " " + "─" * (sum(widths) + gap * (len(widths) - 1))]
    for cells in zip(*(column.cells for column in laid_out), strict=True):
        of_row = [c.lines(cell, width) for c, cell, width in zip(laid_out, cells, widths, strict=True)]
        lines += _row(of_row, widths, gap)
    return lines


def _row(cells: list[list[str]], widths: list[int], gap: int) -> Iterator[str]:
    for i in range(max(map(len, cells))):
        shown = (lines[i] if i < len(lines) else " " * width for lines, width in zip(cells, widths, strict=True))
        yield (" " + (" " * gap).join(shown)).rstrip()


def _blocks(sheet: Sheet, width: int) -> Iterator[str]:
    """A block a row, opened by its first cell: what is short stands in a grid, one line for each longer text."""
    rows = [tuple(" ".join(cell.split("\n")) for cell in row) for row in sheet.rows]
    heads = [head.replace("\n", " ") for head in sheet.heads]
    spans = [max(columns(f"{head} {row[i]}") for row in rows) for i, head in enumerate(heads)]
    limit = max([spans[i] for i, head in enumerate(sheet.heads) if i and head not in sheet.left], default=0)
    opener = ""
    for row in rows:
        opener = row[0] or opener
        yield from wrapped(opener if sheet.heads[0] in sheet.left else f"{heads[0]} {opener}", width)
        told = [i for i in range(1, len(row)) if row[i]]
        short = [_spread(heads[i], row[i], limit) for i in told if spans[i] <= limit]
        yield from _packed(short, limit, width)
        for i in told:
            if spans[i] > limit:
                yield from (f"{'':{INDENT}}{line}" for line in wrapped(f"{heads[i]}: {row[i]}", width - INDENT, hang=2))


def _spread(head: str, cell: str, width: int) -> str:
    return head + _right(cell, width - columns(head))


def _packed(fields: list[str], size: int, width: int) -> Iterator[str]:
    """Fields of one size, as many side by side as fit."""
    count = max((width - INDENT + 2) // (size + 2), 1)
    for i in range(0, len(fields), count):
        yield " " * INDENT + "  ".join(fields[i : i + count])
