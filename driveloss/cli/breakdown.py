"""`driveloss breakdown`: every loaded reading split into its parts."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from driveloss.cli.console import (
    BenchPath,
    CsvOption,
    DrawsOption,
    FamilyOption,
    FigureOption,
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


def breakdown(
    bench: BenchPath,
    calibration: Annotated[
        Path | None,
        typer.Option(
            "--calibration",
            metavar="FILE",
            help="Use a saved calibration instead of fitting this bench's ladder.",
        ),
    ] = None,
    family: FamilyOption = "physical",
    figure: FigureOption = None,
    draws: DrawsOption = 2000,
    seed: SeedOption = 20,
    keep_all: KeepAllOption = False,
    with_budget: Annotated[
        bool, typer.Option("--budget", help="Say how many watts of each net interval come from which source.")
    ] = False,
    as_json: JsonOption = False,
    as_csv: CsvOption = False,
) -> None:
    """Split every loaded reading into its parts, with ceilings and the heat at the aftercooler.

    Example: driveloss breakdown calib_data --figure parts.png
    """
    with bad_input_exits_2():
        from driveloss.analysis.breakdown import breakdown as ask
        from driveloss.analysis.budget import budget
        from driveloss.bench import load_bench
        from driveloss.fit.calibrate import calibrate
        from driveloss.fit.calibration import FAMILIES
        from driveloss.fit.store import read_calibration
        from driveloss.show.plain import breakdown_data, to_json
        from driveloss.show.tables import CAUTION, breakdown_tables, budget_tables, finding_lines, flag_lines

        one_format(as_json, as_csv)
        loaded = load_bench(bench)
        if calibration is None:
            fitted = calibrate(loaded, choose(family, FAMILIES, "--family"), draws, seed, keep_all=keep_all)
        else:
            fitted = read_calibration(calibration)
        answer = ask(fitted, loaded.sweeps)
        with progress("Weighing the sources of error"):
            shares = budget(loaded, fitted) if with_budget else ()
        if figure is not None:
            from driveloss.show.figures import breakdown_figure, save

            save(breakdown_figure(answer), figure)
        tables = [*breakdown_tables(answer), *budget_tables(answer, shares)]
        data = breakdown_data(answer, shares)
        show(tables, lambda: to_json(data), as_json, (lambda: data["runs"]) if as_csv else None)
        flags = (flag for run in answer.runs for flag in run.flags)
        note(*loaded.notices, *finding_lines(fitted), *flag_lines(flags), CAUTION)
