"""The summary as one self-contained page: a table that sorts, with intervals drawn below their numbers."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from importlib.resources import files
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from driveloss.batch.ask import Batch
from driveloss.batch.run import BEST, Row
from driveloss.batch.tell import LIP, TITLE, counted, doubt, place, shown
from driveloss.report.markup import cell, script_hash
from driveloss.say.flags import flag_letters, flag_lines
from driveloss.say.numbers import HALF_WIDTHS
from driveloss.say.quantities import QUANTITIES, Reported

DRAWN = ("pneumatic", "efficiency_ceiling", "lip_force")
Quantity = dict[str, Any] | None


@dataclass(frozen=True)
class Line:
    """A line of a cell: text and, in percent of a scale common to the column, the ends of an interval and its value."""

    text: str
    mark: tuple[float, float, float] | None = None


@dataclass(frozen=True)
class Entry:
    """A cell; `key`: what its column is sorted by, None last."""

    key: float | str | None
    lines: tuple[Line, ...]


@dataclass(frozen=True)
class Column:
    """A head and a cell a bench."""

    head: str
    entries: list[Entry]
    is_words: bool = False


def summary_page(answer: Batch) -> str:
    """The whole page as HTML: no network, no other file, readable without its script."""
    loader = PackageLoader("driveloss", "batch")
    environment = Environment(loader=loader, autoescape=True, undefined=StrictUndefined, trim_blocks=True)
    environment.filters["cell"] = cell
    script, columns = _resource("batch", "sort.js"), _columns(answer.done)
    return environment.get_template("summary.html.j2").render(
        title=TITLE,
        counted=counted(answer),
        half_widths=HALF_WIDTHS,
        columns=columns,
        rows=list(zip(*(column.entries for column in columns), strict=True)),
        failed=[(row["path"], row["error"]) for row in answer.failed],
        flags=flag_lines(flag for row in answer.done for flag in row["flags"]),
        style=Markup(_resource("report", "style.css")),
        script=Markup(script),
        script_hash=script_hash(script),
    )


def _resource(package: str, name: str) -> str:
    return files(f"driveloss.{package}").joinpath(name).read_text(encoding="utf-8")


def _columns(rows: Iterable[Row]) -> list[Column]:
    rows = list(rows)
    return [
        _words("Bench", [row["path"] for row in rows]),
        _words("Title", [row["title"] for row in rows]),
        _words("Best run", [place(row) for row in rows]),
        *(_numbers(QUANTITIES[key], [[("", row[QUANTITIES[key].json_key])] for row in rows]) for key in BEST),
        _numbers(LIP, [[(seal["cylinder"], seal[LIP.json_key]) for seal in row["seals"]] for row in rows]),
        _words("Main doubt", [doubt(row) for row in rows]),
        Column("Findings", [Entry(row["findings"], (Line(str(row["findings"])),)) for row in rows]),
        _words("Flags", [flag_letters(row["flags"]) for row in rows]),
    ]


def _words(head: str, texts: Iterable[str]) -> Column:
    return Column(head, [Entry(text or None, (Line(text),)) for text in texts], is_words=True)


def _numbers(what: Reported, cells: list[list[tuple[str, Quantity]]]) -> Column:
    """Each cell holds quantities by the name of a cylinder, told where there are several; sorted by the largest."""
    known = [quantity for named in cells for _, quantity in named if quantity is not None]
    low = min((quantity["low"] for quantity in known), default=0.0)
    span = max((quantity["high"] for quantity in known), default=0.0) - low

    def line(name: str, quantity: Quantity) -> Line:
        text = name + shown(what.key, quantity)
        if quantity is None or what.key not in DRAWN or not span > 0:
            return Line(text)
        first, middle, last = (100 * (quantity[part] - low) / span for part in ("low", "value", "high"))
        return Line(text, (first, middle, last))

    def entry(named: list[tuple[str, Quantity]]) -> Entry:
        lines = tuple(line(f"{name}: " if len(named) > 1 else "", quantity) for name, quantity in named)
        return Entry(max((quantity["value"] for _, quantity in named if quantity), default=None), lines)

    return Column(what.column, [entry(named) for named in cells])
