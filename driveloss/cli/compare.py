"""`driveloss compare`: seals, bores, pressures and benches side by side."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from driveloss.cli.console import (
    CsvOption,
    DrawsOption,
    FamilyOption,
    JsonOption,
    KeepAllOption,
    SeedOption,
    bad_input_exits_2,
    choose,
    note,
    one_format,
    progress,
    show,
)


def compare(
    benches: Annotated[
        list[Path], typer.Argument(metavar="BENCH...", help="Bench folders, or their bench.toml; one or more.")
    ],
    at: Annotated[
        list[float] | None,
        typer.Option("--at", metavar="HZ", help="Frequency; repeatable. Three across the common range unless given."),
    ] = None,
    net: Annotated[
        float | None,
        typer.Option("--net", metavar="W", help="Net power to compare at; middle of the overlap unless given."),
    ] = None,
    drop: Annotated[
        float | None,
        typer.Option("--drop", metavar="K", help="Drop below ambient to compare at; as --net."),
    ] = None,
    independent: Annotated[
        bool, typer.Option("--independent", help="Benches share no instrument and no motor, however alike they read.")
    ] = False,
    family: FamilyOption = "physical",
    draws: DrawsOption = 2000,
    seed: SeedOption = 20,
    keep_all: KeepAllOption = False,
    as_json: JsonOption = False,
    as_csv: CsvOption = False,
) -> None:
    """Put seals, bores, pressures and benches side by side, and say which is better and whether that can be told.

    Example: driveloss compare calib_data --at 6 --at 9 --drop 20
    """
    with bad_input_exits_2():
        from driveloss.bench import load_bench
        from driveloss.compare.ask import compare as ask
        from driveloss.compare.benches import calibrate_together
        from driveloss.compare.data import comparison_data
        from driveloss.compare.tell import comparison_notes, comparison_tables
        from driveloss.fit.calibration import FAMILIES
        from driveloss.say.calibration import finding_lines
        from driveloss.say.flags import flag_lines
        from driveloss.say.json_form import to_json

        one_format(as_json, as_csv)
        loaded = [load_bench(bench) for bench in benches]
        with progress("Calibrating and comparing"):
            family = choose(family, FAMILIES, "--family")
            subjects = calibrate_together(loaded, family, draws, seed, independent, keep_all=keep_all)
            answer = ask(subjects, at or None, net, drop)
        data = comparison_data(answer)
        tables = ("losses", "loaded")
        rows = [{"table": table, **row} for table in tables for row in data[table]]
        show(comparison_tables(answer), lambda: to_json(data), as_json, (lambda: rows) if as_csv else None)
        flags = [flag for row in answer.losses for flag in row.flags]
        flags += [flag for entry in answer.loaded for flag in entry.flags]
        notices = (notice for bench in loaded for notice in bench.notices)
        found = (line for subject in subjects for line in finding_lines(subject.calibration))
        note(*notices, *found, *comparison_notes(answer), *flag_lines(flags, lettered=False))
