"""A table as text: what every command prints and the page shows."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Sheet:
    """A table as text: `left` names the columns of words, the others hold numbers and are set right."""

    title: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    left: tuple[str, ...] = ()
