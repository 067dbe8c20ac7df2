"""Answers on a terminal: whole at any width."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TextIO

from driveloss.bench.units import one_line
from driveloss.say.grid import drawn
from driveloss.say.sheet import Item, Sheet
from driveloss.say.wrap import wrapped

PIPE_WIDTH = 100
NARROWEST = 80  # of a terminal that does not tell
BOLD, PLAIN = "\x1b[1m", "\x1b[0m"


@dataclass(frozen=True)
class Screen:
    """Where lines go: a stream, its width in columns, whether it sets titles bold."""

    stream: TextIO
    width: int
    sets_bold: bool = False

    def print(self, lines: Iterable[str], *, bold: bool = False) -> None:
        """Write lines, without what would steer a terminal."""
        before, behind = (BOLD, PLAIN) if bold and self.sets_bold else ("", "")
        self.stream.write("".join(f"{before}{one_line(line)}{behind}\n" for line in lines))


def screen(*, err: bool = False) -> Screen:
    """Standard output or standard error; bold only on a terminal without NO_COLOR."""
    stream = sys.stderr if err else sys.stdout
    bold = stream.isatty() and "NO_COLOR" not in os.environ and os.environ.get("TERM", "dumb") != "dumb"
    return Screen(stream, _width(stream), bold)


def _width(stream: TextIO) -> int:
    stated = os.environ.get("COLUMNS", "")
    if stated.isdecimal() and int(stated):
        return int(stated)
    return os.get_terminal_size(stream.fileno()).columns or NARROWEST if stream.isatty() else PIPE_WIDTH


def print_all(target: Screen, items: Iterable[Item]) -> None:
    """Print items in order: what fits no table becomes a block a row, and no number is torn from its ±."""
    for item in items:
        if isinstance(item, Sheet):
            target.print(wrapped(item.title, target.width), bold=True)
            target.print(["", *drawn(item, target.width), ""])
        elif isinstance(item, str):
            target.print(wrapped(item, target.width))
        else:
            target.print(line for point in item for line in wrapped(f"- {point}", target.width, hang=2))
        target.stream.flush()  # what goes to the other stream comes behind
