"""Options that several commands have, each written once; a record of them is a parameter of a `command`."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from typer import Argument, BadParameter, Option, echo
from typer.models import OptionInfo

from driveloss.cli.console import misread
from driveloss.errors import InputError
from driveloss.fit import DRAWS, FAMILIES, SEED

if TYPE_CHECKING:
    from driveloss.bench.records import Bench
    from driveloss.fit.calibration import Calibration
    from driveloss.say.answer import Answer
    from driveloss.say.sheet import Item

Row = dict[str, Any]


def one_of(words: Sequence[str], flag: str, about: str) -> OptionInfo:
    """An option that takes one of a few words, which help shows."""

    def chosen(value: str) -> str:
        if value in words:
            return value
        raise BadParameter(misread(value, words))

    found: OptionInfo = Option(flag, parser=chosen, metavar=f"[{'|'.join(words)}]", help=about)
    return found


BenchPath = Annotated[Path, Argument(metavar="BENCH", help="The bench folder, or its bench.toml.")]
CalibrationPath = Annotated[Path, Argument(metavar="CALIBRATION", help="A calibration.json.")]
CylinderOption = Annotated[list[str] | None, Option("--cylinder", help="Only this cylinder; repeatable.")]
FigureOption = Annotated[Path | None, Option("--figure", metavar="FILE", help="Draw to FILE: .png, .svg or .pdf.")]
SeedOption = Annotated[int, Option("--seed", min=0, help="Seed of the resampling.")]
KeepAllOption = Annotated[bool, Option("--keep-all", help="Keep readings that screening calls outliers.")]


@dataclass(frozen=True)
class FitOptions:
    """How a bench is calibrated."""

    family: Annotated[str, one_of(FAMILIES, "--family", "Loss curves to use.")] = FAMILIES[0]
    draws: Annotated[int, Option("--draws", min=200, max=100_000, help="Number of resamples.")] = DRAWS
    seed: SeedOption = SEED
    keep_all: KeepAllOption = False

    def calibrate(self, bench: Bench, *, compare: bool = True) -> Calibration:
        """The calibration of a bench; the other family is fitted beside it where `compare` is true."""
        from driveloss.fit.calibrate import calibrate

        return calibrate(bench, self.family, self.draws, self.seed, keep_all=self.keep_all, compare=compare)


@dataclass(frozen=True)
class CurveOptions(FitOptions):
    """Where the loss curves come from: a fit of the bench, or a file."""

    calibration: Annotated[
        Path | None,
        Option("--calibration", metavar="FILE", help="Use a saved calibration instead of fitting this bench's ladder."),
    ] = None

    def calibrate(self, bench: Bench, *, compare: bool = True) -> Calibration:
        """The saved calibration where one is named, else the bench's."""
        from driveloss.fit.store import read_calibration

        return read_calibration(self.calibration) if self.calibration else super().calibrate(bench, compare=compare)


@dataclass(frozen=True)
class JsonOption:
    """Tables for people; for scripts JSON on standard output, and the tables then on standard error."""

    as_json: Annotated[
        bool, Option("--json", help="Print JSON to standard output; tables then go to standard error.")
    ] = False

    def show(self, answer: Answer) -> None:
        """Print an answer."""
        self.print(answer.tables(), answer.to_dict(), answer.rows())

    def print(self, tables: Iterable[Item], data: Row | str, rows: Iterable[Row] = ()) -> None:
        """Print tables and what is for scripts: `data` (text: JSON as it stands) or, as CSV, `rows`."""
        from driveloss.say.terminal import console, print_all

        text = self._for_scripts(data, rows)
        if text is not None:
            echo(text, nl=False)
        print_all(console(err=text is not None), tables)

    def _for_scripts(self, data: Row | str, _rows: Iterable[Row]) -> str | None:
        from driveloss.say.json_form import to_json

        if not self.as_json:
            return None
        return data if isinstance(data, str) else f"{to_json(data)}\n"


@dataclass(frozen=True)
class OutputOptions(JsonOption):
    """As JsonOption, or CSV in its place."""

    as_csv: Annotated[bool, Option("--csv", help="Print CSV to standard output; tables then go to standard error.")] = (
        False
    )

    def __post_init__(self) -> None:
        if self.as_json and self.as_csv:
            raise InputError("--csv: read together with --json, expected one of them: both go to standard output")

    def _for_scripts(self, data: Row | str, rows: Iterable[Row]) -> str | None:
        from driveloss.say.csv_form import to_csv

        return to_csv(rows) if self.as_csv else super()._for_scripts(data, rows)
