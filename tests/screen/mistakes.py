"""Mistakes made in a bench folder that was written without them."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

from screen.benches import read_lines


def restate(folder: Path, key: str, change: Callable[[float], float]) -> bool:
    """Change the number of a key in bench.toml, limits and unit kept; whether it is there."""
    file = folder / "bench.toml"
    text = file.read_text(encoding="utf-8")
    found = re.search(rf'^{key} = "?(-?[\d.e+-]+)', text, re.MULTILINE)
    if found is None:
        return False
    start, end = found.span(1)
    file.write_text(text[:start] + f"{change(float(found[1])):.6g}" + text[end:], encoding="utf-8")
    return True


def rewrite(file: Path, column: str, change: Callable[[float], float]) -> bool:
    """Change every number of a column, by the start of its name; whether it is there."""
    lines = read_lines(file)
    heads = lines[0].split(",")
    place = next((i for i, head in enumerate(heads) if head.startswith(column)), None)
    if place is None:
        return False
    for number, line in enumerate(lines[1:], start=1):
        if line:
            cells = line.split(",")
            decimals = len(cells[place].partition(".")[2])
            cells[place] = f"{change(float(cells[place])):.{decimals}f}"
            lines[number] = ",".join(cells)
    file.write_text("\n".join(lines), encoding="utf-8")
    return True


def exchange_columns(file: Path, one: str, other: str) -> bool:
    """Exchange two headers, by the start of their names; whether both are there."""
    lines = read_lines(file)
    heads = lines[0].split(",")
    places = [next((i for i, head in enumerate(heads) if head.startswith(name)), None) for name in (one, other)]
    if places[0] is None or places[1] is None:
        return False
    heads[places[0]], heads[places[1]] = heads[places[1]], heads[places[0]]
    file.write_text("\n".join([",".join(heads), *lines[1:]]), encoding="utf-8")
    return True


def exchange_files(one: Path, other: Path) -> None:
    texts = one.read_bytes(), other.read_bytes()
    other.write_bytes(texts[0])
    one.write_bytes(texts[1])


def fahrenheit(celsius: float) -> float:
    return 1.8 * celsius + 32
