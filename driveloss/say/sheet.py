"""What answers are told in: tables, paragraphs and lists, as every command prints and the page shows them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from html import escape

ASSUMED = "Not stated in bench.toml, so assumed within limits"


@dataclass(frozen=True)
class Sheet:
    """A table as text: `left` names the columns of words, the others hold numbers and are set right.

    keys: columns of words that break after a full stop alone, such as keys of bench.toml.
    """

    title: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    left: tuple[str, ...] = ()
    keys: tuple[str, ...] = ()

    def _html(self) -> str:
        sides = ["left" if head in self.left else "right" for head in self.heads]

        def row(tag: str, cells: Iterable[str]) -> str:
            pairs = zip(sides, cells, strict=True)
            return "".join(f'<{tag} style="text-align: {side}">{_lines(cell)}</{tag}>' for side, cell in pairs)

        rows = "".join(f"<tr>{row('td', cells)}</tr>" for cells in self.rows)
        head = f"<caption>{_lines(self.title)}</caption><tr>{row('th', self.heads)}</tr>"
        return f"<table>{head}{rows}</table>"


Item = Sheet | str | tuple[str, ...]  # a table, a paragraph, the points of a list


def html(items: Iterable[Item]) -> str:
    """Items as HTML, whatever signs they hold.

    >>> html(["a < b", ("one", "two")])
    '<p>a &lt; b</p><ul><li>one</li><li>two</li></ul>'
    """
    return "".join(_item(item) for item in items if item)


def _item(item: Item) -> str:
    if isinstance(item, Sheet):
        return item._html()
    if isinstance(item, str):
        return f"<p>{_lines(item)}</p>"
    return f"<ul>{''.join(f'<li>{_lines(point)}</li>' for point in item)}</ul>"


def _lines(text: str) -> str:
    return "<br>".join(escape(line) for line in text.split("\n"))


def listed(texts: Iterable[str]) -> str:
    """Words in a row.

    >>> listed(["a", "b", "c"])
    'a, b and c'
    """
    *first, last = list(texts) or ["none"]
    return f"{', '.join(first)} and {last}" if first else last
