"""Options that several commands have, each written once; a record of them is a parameter of a `command`."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from typer import Argument, BadParameter, echo

from driveloss.cli.command import option
from driveloss.cli.console import misread
from driveloss.errors import InputError
from driveloss.fit import DRAWS, FAMILIES, SEED

if TYPE_CHECKING:
    from driveloss.bench.records import Bench
    from driveloss.fit.calibration import Calibration
    from driveloss.say.answer import Answer
    from driveloss.say.sheet import Item

Row = dict[str, Any]


def one_of(words: Sequence[str], about: str, *flags: str, repeats: bool = False) -> Any:
    """An option that takes one of a few words, which help shows; the first unless told, none where it `repeats`."""

    def chosen(value: str) -> str:
        if value in words:
            return value
        raise BadParameter(misread(value, words))

    return option(about, f"[{'|'.join(words)}]", *flags, default=None if repeats else words[0], parser=chosen)


def switch(about: str, flag: str) -> Any:
    """An option without a value, off unless it is there."""
    return option(about, None, flag, default=False)


def power(text: str | None, flag: str) -> float | None:
    """What an option states, such as "1 W". [W]"""
    from driveloss.bench.quantity import read_option

    return None if text is None else read_option(text, "power", flag).value


BenchPath = Annotated[Path, Argument(metavar="BENCH", help="The bench folder, or its bench.toml.")]
CalibrationPath = Annotated[Path, Argument(metavar="CALIBRATION", help="A calibration.json.")]
cylinder_option = partial(option, "Only this cylinder; repeatable.")
figure_option = partial(option, "Draw to FILE: .png, .svg or .pdf.", "FILE")
force_option = partial(switch, "Write over files that are something else.", "--force")
seed_option = partial(option, "Seed of the resampling.", default=SEED, min=0)
all_option = partial(switch, "Print every table, not the answer alone.", "--all")
keep_all_option = partial(switch, "Keep readings that screening calls outliers.", "--keep-all")


@dataclass(frozen=True)
class FitOptions:
    """How a bench is calibrated."""

    family: str = one_of(FAMILIES, "Loss curves to use.")
    draws: int = option("Number of resamples.", default=DRAWS, min=200, max=100_000)
    seed: int = seed_option()
    keep_all: bool = keep_all_option()

    def calibrate(self, bench: Bench, *, compare: bool = True) -> Calibration:
        """The calibration of a bench; the other family is fitted beside it where `compare` is true."""
        from driveloss.fit.calibrate import calibrate

        return calibrate(bench, self.family, draws=self.draws, seed=self.seed, keep_all=self.keep_all, compare=compare)


@dataclass(frozen=True)
class CurveOptions(FitOptions):
    """Where the loss curves come from: a fit of the bench, or a file."""

    calibration: Path | None = option("Use a saved calibration instead of fitting this bench's ladder.", "FILE")

    def calibrate(self, bench: Bench, *, compare: bool = True) -> Calibration:
        """The saved calibration where one is named, else the bench's."""
        from driveloss.fit.store import read_calibration

        return read_calibration(self.calibration) if self.calibration else super().calibrate(bench, compare=compare)


@dataclass(frozen=True)
class JsonOption:
    """Tables for people; for scripts JSON on standard output, and the tables then on standard error."""

    as_json: bool = switch("Print JSON to standard output; tables then go to standard error.", "--json")

    def show(self, answer: Answer, *, everything: bool = False) -> None:
        """Print an answer; at length where `everything` is true."""
        pieces = self._pieces(answer)
        self._write(pieces)
        self._print(answer.tables(everything=everything), pieces)

    def print(
        self, tables: Iterable[Item], data: Row | str, rows: Iterable[Row] = (), columns: Sequence[str] = ()
    ) -> None:
        """Print tables and what is for scripts: `data` (text: JSON as it stands) or, as CSV, `rows` in `columns`."""
        pieces = self._for_scripts(data, rows, columns)
        self._write(pieces)
        self._print(tables, pieces)

    def _write(self, pieces: Iterable[str] | None) -> None:
        for piece in pieces or ():
            echo(piece, nl=False)

    def _print(self, tables: Iterable[Item], pieces: Iterable[str] | None) -> None:
        from driveloss.say.terminal import print_all, screen

        print_all(screen(err=pieces is not None), tables)

    def _pieces(self, answer: Answer) -> Iterable[str] | None:
        return chain(answer.json(), "\n") if self.as_json else None

    def _for_scripts(self, data: Row | str, _rows: Iterable[Row], _columns: Sequence[str]) -> Iterable[str] | None:
        from driveloss.say.json_form import json_pieces

        if not self.as_json:
            return None
        return [data] if isinstance(data, str) else chain(json_pieces(data), "\n")


@dataclass(frozen=True)
class OutputOptions(JsonOption):
    """As JsonOption, or CSV in its place."""

    as_csv: bool = switch("Print CSV to standard output; tables then go to standard error.", "--csv")

    def __post_init__(self) -> None:
        if self.as_json and self.as_csv:
            raise InputError("--csv: read together with --json, expected one of them: both go to standard output")

    def _pieces(self, answer: Answer) -> Iterable[str] | None:
        return answer.csv() if self.as_csv else super()._pieces(answer)

    def _for_scripts(self, data: Row | str, rows: Iterable[Row], columns: Sequence[str]) -> Iterable[str] | None:
        from driveloss.say.csv_form import csv_pieces

        return csv_pieces(rows, columns) if self.as_csv else super()._for_scripts(data, rows, columns)
