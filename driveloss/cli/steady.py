"""`driveloss steady`: a recorder's log to steady readings."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from typer import Argument

from driveloss.cli.command import command, option
from driveloss.cli.console import misread, note, progress
from driveloss.cli.options import OutputOptions, figure_option, force_option, switch
from driveloss.errors import InputError

if TYPE_CHECKING:
    from driveloss.fit.estimate import Estimate
    from driveloss.steady.ask import Steady
    from driveloss.steady.plateaus import Terms


@dataclass(frozen=True)
class Wanted:
    """What counts as steady, and what is known of the log."""

    drift: str = option("Most that power and speed may change over a plateau.", "SHARE", default="0.5 %")
    shortest: str = option("Shortest plateau.", "TIME", default="1 min")
    time_constant: str | None = option('Of the ends, where it is known: "12.5 min +/- 1 min".', "TIME")
    averages: bool = switch("The log holds averages over its intervals, not single moments.", "--averages")
    ratio: float | None = option("Motor revolutions per crank revolution, where the log has the motor's speed.", "N")
    ambient_pressure: str | None = option('For gauge pressures in the log: "1.013 bar".', "P")

    def terms(self) -> Terms:
        """Limits as numbers."""
        from driveloss.bench.quantity import read_option
        from driveloss.steady.plateaus import Terms

        drift = read_option(self.drift, "drift", "--drift").value
        return Terms(drift, read_option(self.shortest, "duration", "--shortest").value)

    def known(self) -> Estimate | None:
        """The time constant as stated. [s]"""
        from driveloss.bench.quantity import read_option
        from driveloss.fit.estimate import Estimate

        if self.time_constant is None:
            return None
        read = read_option(self.time_constant, "duration", "--time-constant")
        return Estimate(read.value, read.limit / 3**0.5, read.value - read.limit, read.value + read.limit)

    def ambient(self) -> float | None:
        """Ambient pressure as stated. [Pa]"""
        from driveloss.bench.quantity import read_option

        text = self.ambient_pressure
        return None if text is None else read_option(text, "ambient_pressure", "--ambient-pressure").value


@dataclass(frozen=True)
class Results:
    """What is written, and the entry for bench.toml."""

    output: Path | None = option("Write the readings to FILE, a sweep for bench.toml.", "FILE", "--output", "-o")
    stage: str | None = option("What was running: the stage in bench.toml.", "STAGE")
    cylinder: str | None = option("Which cylinder ran.", "NAME")
    mean_pressure: str | None = option('Where the log has no such column: "2 bar".', "P")
    figure: Path | None = figure_option()
    force: bool = force_option()

    def check(self, logs: list[Path]) -> None:
        """Refuse before the work what cannot be. Raises InputError, OutputError."""
        from driveloss.bench.quantity import read_option
        from driveloss.bench.records import CYLINDER_STAGES, STAGES, Quantity
        from driveloss.figures import file_ending
        from driveloss.say.files import FIGURE, SWEEP, check_ours, check_targets

        if self.stage is not None and self.stage not in STAGES:
            raise InputError(f"--stage: {misread(self.stage, STAGES)}")
        if self.stage is not None and (self.stage in CYLINDER_STAGES) != (self.cylinder is not None):
            expected = "a name" if self.stage in CYLINDER_STAGES else "none"
            raise InputError(f"--cylinder: expected {expected} at stage '{self.stage}', read '{self.cylinder or ''}'")
        if self.mean_pressure is not None:
            read_option(self.mean_pressure, "mean_pressure", "--mean-pressure", Quantity(101325.0))
        targets = [path for path in (self.output, self.figure) if path is not None]
        for target in targets:
            if target.resolve() in {log.resolve() for log in logs}:
                raise InputError(f"{target}: is one of the logs, expected another name to write to")
        if self.figure is not None:
            file_ending(self.figure)
        check_targets(targets)
        if not self.force:
            check_ours({path: SWEEP if path is self.output else FIGURE for path in targets})

    def write(self, answer: Steady) -> None:
        """Write what was asked for, all or nothing; the sweep only where there is a reading."""
        from driveloss.say.files import write_all

        files = {}
        if self.output is not None and answer.readings:
            files[self.output] = answer.sweep_csv.encode()
        if self.figure is not None:
            from driveloss.figures import draw, file_content

            files[self.figure] = file_content(draw("log", answer), self.figure)
        write_all(files)

    def entry(self) -> list[str]:
        """The table to paste into bench.toml, where the stage is told."""
        from driveloss.steady.sweep_file import sweeps_entry

        if self.stage is None:
            return []
        file = "readings.csv" if self.output is None else self.output.name
        return [sweeps_entry(self.stage, self.cylinder, file, self.mean_pressure)]


@command
def steady(
    logs: Annotated[list[Path], Argument(metavar="LOG...", help="CSV files of a recorder, with a time column.")],
    wanted: Wanted,
    results: Results,
    output: OutputOptions,
) -> None:
    """Turn a recorder's log into steady readings, the ends' temperatures carried on to where they settle.

    Example: driveloss steady log.csv -o steady-loaded.csv --stage loaded --cylinder wide --mean-pressure "2 bar"
    """
    from driveloss.bench.logs import read_log
    from driveloss.steady.ask import steady as ask

    if wanted.ratio is not None and not wanted.ratio > 0:
        raise InputError(f"--ratio: expected a number above zero, read {wanted.ratio:g}")
    terms, known, ambient = wanted.terms(), wanted.known(), wanted.ambient()
    results.check(logs)
    needs_frequency = results.stage != "standby"
    with progress("Reading the log"):
        read = [read_log(path, ambient, wanted.ratio, needs_frequency=needs_frequency) for path in logs]
        answer = ask(read, terms, known, averages=wanted.averages)
    results.write(answer)
    output.show(answer)
    note(*answer.notices, *(results.entry() if answer.readings else ()))
    if not answer.readings:
        found = max(answer.rejected, key=lambda one: one.stretch.duration)
        stretch = found.stretch
        minutes = f"minutes {stretch.start / 60:.1f} to {stretch.end / 60:.1f}"
        raise InputError(f"{stretch.log.file}: expected a steady stretch, found none. {minutes}: {found.reason}")
