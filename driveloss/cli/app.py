"""The program and its commands."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from importlib import import_module
from typing import Annotated, Any

import typer
from typer.core import TyperGroup

COMMANDS = {  # each is called as its file here and the function in it
    "template": "Write a bench folder to fill in.",
    "steady": "Turn a recorder's log into steady readings.",
    "plan": "Say which frequencies to measure, and how often.",
    "calibrate": "Fit the ladder of sweeps and save the calibration.",
    "recheck": "Test new readings against a calibration.",
    "losses": "Losses at any frequency, from a calibration.",
    "breakdown": "Split every loaded reading into its parts.",
    "witnesses": "Lay every way to the same watt side by side.",
    "compare": "Put seals, bores and pressures side by side.",
    "whatif": "Say what each change would gain.",
    "predict": "Predict a bore, pressure or frequency not tried.",
    "report": "Write one HTML page with tables and figures.",
    "batch": "Do many benches, and tell each in one row.",
}
PLAIN: dict[str, Any] = {"rich_markup_mode": None, "pretty_exceptions_enable": False}  # plain help starts twice as fast


class OnCall(Mapping[str, Any]):
    """The commands by name, each imported when it is asked for: none waits for the others."""

    def __init__(self) -> None:
        self.asked: dict[str, Any] = {}

    def __getitem__(self, name: str) -> Any:
        if name not in COMMANDS:
            raise KeyError(name)
        if name not in self.asked:
            alone = typer.Typer(add_completion=False, **PLAIN)
            alone.command()(getattr(import_module(f"driveloss.cli.{name}"), name))
            self.asked[name] = typer.main.get_command(alone)
        return self.asked[name]

    def __iter__(self) -> Iterator[str]:
        return iter(COMMANDS)

    def __len__(self) -> int:
        return len(COMMANDS)


# newer typer brings its own copy of what it stands on, so that the class is found from one that both show
COMMAND_LINE_ERROR: Any = next(kind for kind in typer.BadParameter.__mro__ if kind.__name__ == "ClickException")


@contextmanager
def printable_errors() -> Iterator[None]:
    """Let no word of a wrong command line reach the terminal as more than text."""
    try:
        yield
    except COMMAND_LINE_ERROR as error:
        from driveloss.bench.units import one_line

        error.message = one_line(error.message)
        raise


class Commands(TyperGroup):
    """All commands; help of the program needs no more of them than `COMMANDS` says."""

    def __init__(self, **settings: Any) -> None:
        super().__init__(**settings)
        self.commands: Any = OnCall()

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Without words, help and exit code 2: what typer does by itself went with its version."""
        if not args and not ctx.resilient_parsing:
            typer.echo(ctx.get_help(), err=True)
            raise typer.Exit(2)
        return super().parse_args(ctx, args)

    def list_commands(self, ctx: Any) -> list[str]:
        """Names in the order of the work."""
        return list(COMMANDS)

    def make_context(self, *words: Any, **more: Any) -> Any:
        """Read the program's own words."""
        with printable_errors():
            return super().make_context(*words, **more)

    def invoke(self, ctx: Any) -> Any:
        """Read a command's words, and run it."""
        with printable_errors():
            return super().invoke(ctx)

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """One line each."""
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


app = typer.Typer(name="driveloss", cls=Commands, **PLAIN)


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
