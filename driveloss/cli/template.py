"""`driveloss template`: a bench folder to fill in."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from driveloss.cli.console import bad_input_exits_2, note


def template(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="New or empty folder.")],
    demo: Annotated[bool, typer.Option("--demo", help="Copy the invented demo bench, readings and all.")] = False,
) -> None:
    """Write a bench folder to fill in: bench.toml with comments, and an empty sheet for each sweep.

    Example: driveloss template my-bench
    """
    with bad_input_exits_2():
        from driveloss.bench import write_demo, write_template

        for path in write_demo(folder) if demo else write_template(folder):
            typer.echo(path)
        first = "" if demo else "Fill in bench.toml and the sheets, then run: "
        note(f"{first}driveloss calibrate {folder}")
