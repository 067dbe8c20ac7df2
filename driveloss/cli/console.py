"""What every command shares: where output goes, and how bad input ends."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from driveloss.bench.records import Bench
    from driveloss.say.sheet import Sheet

BenchPath = Annotated[Path, typer.Argument(metavar="BENCH", help="The bench folder, or its bench.toml.")]
JsonOption = Annotated[
    bool, typer.Option("--json", help="Print JSON to standard output; tables then go to standard error.")
]
CsvOption = Annotated[
    bool,
    typer.Option("--csv", help="Print CSV to standard output; tables then go to standard error."),
]
FigureOption = Annotated[
    Path | None, typer.Option("--figure", metavar="FILE", help="Draw to FILE: .png, .svg or .pdf.")
]
FamilyOption = Annotated[str, typer.Option("--family", help="Loss curves to use: physical or polynomial.")]
DrawsOption = Annotated[int, typer.Option("--draws", min=200, max=100_000, help="Number of resamples.")]
SeedOption = Annotated[int, typer.Option("--seed", min=0, help="Seed of the resampling.")]


KeepAllOption = Annotated[bool, typer.Option("--keep-all", help="Keep readings that screening calls outliers.")]


@contextmanager
def bad_input_exits_2() -> Iterator[None]:
    """Turn an error that the user can mend into one message on standard error and exit code 2."""
    from driveloss.errors import InputError, OutputError

    try:
        yield
    except (InputError, OutputError) as error:
        typer.echo(f"driveloss: {error}", err=True)
        raise typer.Exit(2) from error
    except BrokenPipeError:  # the reader of a pipe had enough
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        raise typer.Exit(0) from None


def spare_inputs(bench: Bench, *targets: Path | None) -> None:
    """Refuse to write over what the bench was read from. Raises InputError."""
    from driveloss.errors import InputError

    inputs = {(bench.folder / name).resolve() for name in ("bench.toml", *(sweep.file for sweep in bench.sweeps))}
    for target in targets:
        if target is not None and target.resolve() in inputs:
            raise InputError(f"{target}: is one of the bench's own files, expected another name to write to")


def show(
    tables: Iterable[Sheet | str],
    data: Callable[[], str],
    as_json: bool,
    rows: Callable[[], Iterable[Mapping[str, Any]]] | None = None,
) -> None:
    """Print tables; for scripts JSON, or CSV of `rows()`, to standard output and the tables to standard error."""
    from driveloss.say.terminal import console, print_all

    if as_json:
        typer.echo(data())
    elif rows is not None:
        from driveloss.say.csv_form import to_csv

        typer.echo(to_csv(rows()), nl=False)
    print_all(console(err=as_json or rows is not None), tables)


def one_format(as_json: bool, as_csv: bool) -> None:
    """Refuse two formats on one standard output. Raises InputError."""
    if as_json and as_csv:
        from driveloss.errors import InputError

        raise InputError("--csv: read together with --json, expected one of them: both go to standard output")


@contextmanager
def progress(what: str) -> Iterator[None]:
    """Say what takes long, on a terminal only: nothing reaches a pipe or a file."""
    from driveloss.say.terminal import console

    with console(err=True).status(what):
        yield


def note(*lines: str) -> None:
    """Print lines for people to standard error, wrapped."""
    from driveloss.say.terminal import console, print_all

    print_all(console(err=True), lines)


def choose(value: str, allowed: Iterable[str], option: str) -> str:
    """Check a word against those allowed. Raises InputError that suggests the nearest one."""
    from difflib import get_close_matches

    from driveloss.errors import InputError

    words = list(allowed)
    if value in words:
        return value
    near = get_close_matches(value, words, n=1)
    hint = f"; did you mean '{near[0]}'?" if near else ""
    raise InputError(f"{option}: read '{value}', expected one of {', '.join(words)}{hint}")
