"""Small benches written by hand: a bench.toml and its sheets of readings, loaded as a user would."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from exact import stated_exactly

from driveloss.bench.load import load_bench
from driveloss.bench.records import Bench

HEAD = """schema = 1
title = "Test bench"
ambient_temperature = "20 degC"
ambient_pressure = "1 bar"
"""
CYLINDER = """[cylinders.one]
bore = "30 mm"
stroke = "36 mm"
"""
HARDLY_MOVES = CYLINDER.replace("36 mm", "0.1 mm")  # pumps no gas worth a digit through a port as wide as the bore


@dataclass(frozen=True)
class Sheet:
    """One sweep: what turns, the file's header, and rows of numbers or of numbers as text."""

    stage: str
    header: str
    rows: Sequence[Sequence[float | str]]
    keys: str = ""  # further lines of its [[sweeps]] table

    @property
    def text(self) -> str:
        rows = [",".join(cell if isinstance(cell, str) else repr(float(cell)) for cell in row) for row in self.rows]
        return "\n".join([self.header, *rows, ""])


def write_bench(
    folder: Path,
    sections: str,
    sheets: Iterable[Sheet],
    cylinder: str = CYLINDER,
    *,
    exactly: bool = True,
    unstated: Collection[str] = (),
) -> Bench:
    """Write the folder and load it. `sections`: TOML text of [motor] and whatever else, after the head.

    exactly: state all that is left out as perfect but the keys in `unstated`, see `stated_exactly`; else all of it is
    assumed with limits.
    """
    tables = []
    for number, sheet in enumerate(sheets, start=1):
        file = f"{number}-{sheet.stage}.csv"
        (folder / file).write_text(sheet.text, encoding="utf-8")
        name = 'cylinder = "one"\n' if sheet.stage in ("no-load", "blanked", "loaded") else ""
        tables.append(f'[[sweeps]]\nstage = "{sheet.stage}"\n{name}file = "{file}"\n{sheet.keys}')
    text = "\n".join([HEAD, sections, cylinder, *tables])
    text = stated_exactly(text, unstated=unstated) if exactly else text
    (folder / "bench.toml").write_text(text, encoding="utf-8")
    return load_bench(folder)


def same(row: Sequence[float | str], times: int = 3) -> list[Sequence[float | str]]:
    """One reading repeated: a rung needs three."""
    return [row] * times
