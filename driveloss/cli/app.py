"""The program and its commands."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated

import typer

from driveloss.cli.batch import batch
from driveloss.cli.breakdown import breakdown
from driveloss.cli.calibrate import calibrate
from driveloss.cli.compare import compare
from driveloss.cli.losses import losses
from driveloss.cli.plan import plan
from driveloss.cli.predict import predict
from driveloss.cli.recheck import recheck
from driveloss.cli.report import report
from driveloss.cli.steady import steady
from driveloss.cli.template import template
from driveloss.cli.whatif import whatif
from driveloss.cli.witnesses import witnesses

app = typer.Typer(
    name="driveloss",
    rich_markup_mode=None,  # plain help starts twice as fast
    pretty_exceptions_enable=False,
    no_args_is_help=True,
)
COMMANDS: dict[Callable[..., None], str] = {
    template: "Write a bench folder to fill in.",
    steady: "Turn a recorder's log into steady readings.",
    plan: "Say which frequencies to measure, and how often.",
    calibrate: "Fit the ladder of sweeps and save the calibration.",
    recheck: "Test new readings against a calibration.",
    losses: "Losses at any frequency, from a calibration.",
    breakdown: "Split every loaded reading into its parts.",
    witnesses: "Lay every way to the same watt side by side.",
    compare: "Put seals, bores and pressures side by side.",
    whatif: "Say what each change would gain.",
    predict: "Predict a bore, pressure or frequency not tried.",
    report: "Write one HTML page with tables and figures.",
    batch: "Do many benches, and tell each in one row.",
}
for command, in_short in COMMANDS.items():
    app.command(short_help=in_short)(command)


def print_version(*, wanted: bool) -> None:
    """Print the version and stop."""
    if wanted:
        from driveloss import __version__

        typer.echo(f"driveloss {__version__}")
        raise typer.Exit


@app.callback()
def program(
    *,
    version: Annotated[
        bool, typer.Option("--version", help="Print the version and stop.", callback=print_version, is_eager=True)
    ] = False,
) -> None:
    """Split the input power of a motor-driven piston machine into motor, linkage, seal and net pneumatic power."""
