"""`driveloss compare`: seals, bores, pressures and benches side by side."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

from typer import Argument

from driveloss.cli.command import command, option
from driveloss.cli.console import note, progress
from driveloss.cli.options import FitOptions, OutputOptions, all_option


@dataclass(frozen=True)
class Common:
    """What to compare at, and what the benches share."""

    at: list[float] | None = option("Frequency; repeatable. Three across the common range unless given.", "HZ")
    net: float | None = option("Net power to compare at; middle of the overlap unless given.", "W")
    drop: float | None = option("Drop below ambient to compare at; as --net.", "K")
    same_meter: bool | None = option(
        "One meter on all benches, or not; unless told, those share it whose [meter] reads alike.",
        None,
        "--same-meter/--other-meter",
    )
    same_motor: bool | None = option(
        "One motor on all benches, or not, with its drive; unless told, those share it whose [motor] reads alike.",
        None,
        "--same-motor/--other-motor",
    )


@dataclass(frozen=True)
class View:
    """How much is told."""

    everything: bool = all_option()


@command
def compare(
    benches: Annotated[
        list[Path], Argument(metavar="BENCH...", help="Bench folders, or their bench.toml; one or more.")
    ],
    common: Common,
    view: View,
    fit: FitOptions,
    output: OutputOptions,
) -> None:
    """Put seals, bores, pressures and benches side by side, and say which is better and whether that can be told.

    Example: driveloss compare calib_data --at 6 --at 9 --drop 20
    """
    from driveloss.bench.load import load_bench
    from driveloss.compare.ask import compare as ask
    from driveloss.compare.benches import calibrate_together
    from driveloss.compare.tell import comparison_notes, short_notes
    from driveloss.say.calibration import finding_lines
    from driveloss.say.flags import flag_lines

    loaded = [load_bench(bench) for bench in benches]
    with progress("Calibrating and comparing"):
        subjects = calibrate_together(
            loaded,
            fit.family,
            draws=fit.draws,
            seed=fit.seed,
            same_meter=common.same_meter,
            same_motor=common.same_motor,
            keep_all=fit.keep_all,
        )
        answer = ask(subjects, common.at or None, net=common.net, drop=common.drop)
    output.show(answer, everything=view.everything)
    flags = [flag for row in answer.losses for flag in row.flags]
    flags += [flag for entry in answer.loaded for flag in entry.flags]
    told = comparison_notes if view.everything else short_notes
    notices = (notice for bench in loaded for notice in bench.notices)
    found = (line for subject in subjects for line in finding_lines(subject.calibration))
    note(*notices, *found, *told(answer), *flag_lines(flags, lettered=False))
