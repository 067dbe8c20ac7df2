"""The program and its commands."""

from __future__ import annotations

import typer

from driveloss.cli.breakdown import breakdown
from driveloss.cli.calibrate import calibrate
from driveloss.cli.losses import losses
from driveloss.cli.template import template

app = typer.Typer(
    name="driveloss",
    help="Split the input power of a motor-driven piston machine into motor, linkage, seal and net pneumatic power.",
    rich_markup_mode=None,  # plain help starts twice as fast
    pretty_exceptions_enable=False,
    no_args_is_help=True,
)
for command in (template, calibrate, losses, breakdown):
    app.command()(command)


@app.callback()
def program(
    version: bool = typer.Option(False, "--version", help="Print the version and stop.", is_eager=True),
) -> None:
    """Split the input power of a motor-driven piston machine into motor, linkage, seal and net pneumatic power."""
    if version:
        from importlib.metadata import version as installed

        typer.echo(f"driveloss {installed('driveloss')}")
        raise typer.Exit


def run() -> None:
    """Run the command line."""
    app()
