"""Answers on a terminal, through rich: whole at any width."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterable
from typing import TYPE_CHECKING

from driveloss.bench.units import one_line
from driveloss.say.grid import drawn
from driveloss.say.sheet import Item, Sheet
from driveloss.say.wrap import wrapped

if TYPE_CHECKING:
    from rich.console import Console

PIPE_WIDTH = 100


def console(*, err: bool = False) -> Console:
    """A console on standard output or standard error; colours only on a terminal without NO_COLOR."""
    from rich.console import Console

    class Ours(Console):
        def on_broken_pipe(self) -> None:
            raise

    stream = sys.stderr if err else sys.stdout
    width = None if stream.isatty() or "COLUMNS" in os.environ else PIPE_WIDTH
    return Ours(file=stream, width=width, highlight=False, emoji=False, markup=False)


def print_all(target: Console, items: Iterable[Item]) -> None:
    """Print items in order: what fits no table becomes a block a row, and no number is torn from its ±."""
    for item in items:
        if isinstance(item, Sheet):
            _print(target, wrapped(item.title, target.width), style="bold")
            _print(target, ["", *drawn(item, target.width), ""])
        elif isinstance(item, str):
            _print(target, wrapped(item, target.width))
        else:
            _print(target, [line for point in item for line in wrapped(f"- {point}", target.width, hang=2)])


def _print(target: Console, lines: Iterable[str], style: str | None = None) -> None:
    for line in lines:
        target.print(one_line(line), style=style, no_wrap=True, overflow="ignore", crop=False)
