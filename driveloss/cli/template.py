"""`driveloss template`: a bench folder to fill in."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
from typer import Argument, Option

from driveloss.cli.command import command
from driveloss.cli.console import note


@command
def template(
    folder: Annotated[Path, Argument(metavar="DIR", help="New or empty folder.")],
    *,
    demo: Annotated[bool, Option("--demo", help="Copy the invented demo bench, readings and all.")] = False,
) -> None:
    """Write a bench folder to fill in: bench.toml with comments, and an empty sheet for each sweep.

    Example: driveloss template my-bench
    """
    from driveloss.bench.template import demo_files, template_files
    from driveloss.say.files import write_folder

    for path in write_folder(folder, demo_files() if demo else template_files()):
        typer.echo(path)
    first = "" if demo else "Fill in bench.toml and the sheets, then run: "
    note(f"{first}driveloss calibrate {folder}")
