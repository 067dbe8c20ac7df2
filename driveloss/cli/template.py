"""`driveloss template`: a bench folder to fill in."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
from typer import Argument, Option

from driveloss.cli.command import command
from driveloss.cli.console import note
from driveloss.errors import InputError


@command
def template(
    folder: Annotated[Path, Argument(metavar="DIR", help="New or empty folder.")],
    more: Annotated[list[Path] | None, Argument(metavar="[FILE]...", help="Further files of --from.")] = None,
    *,
    files: Annotated[
        list[Path] | None,
        Option("--from", metavar="FILE...", help="Copy these files of readings, and guess what each of them is."),
    ] = None,
    demo: Annotated[bool, Option("--demo", help="Copy the invented demo bench, readings and all.")] = False,
) -> None:
    """Write a bench folder to fill in: bench.toml with comments, and an empty sheet for each sweep.

    Example: driveloss template my-bench --from motor-alone.csv wide-loaded.csv
    """
    from driveloss.bench.guesses import guessed_files
    from driveloss.bench.template import demo_files, template_files
    from driveloss.say.files import write_folder

    _check(files, more, demo=demo)
    told: list[str] = []
    if files:
        contents, told = guessed_files([*files, *(more or ())])
    else:
        contents = demo_files() if demo else template_files()
    for path in write_folder(folder, contents):
        typer.echo(path)
    work = "Check bench.toml and fill it in" if files else "Fill in bench.toml and the sheets"
    first = "" if demo else f"{work}, then run: "
    note(*told, f"{first}driveloss calibrate {folder}")


def _check(files: list[Path] | None, more: list[Path] | None, *, demo: bool) -> None:
    if more and not files:
        raise InputError(f"'{more[0]}': expected one DIR, and files of readings behind --from")
    if demo and files:
        raise InputError("--from: read together with --demo, expected one of them")
