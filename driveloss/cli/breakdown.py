"""`driveloss breakdown`: every loaded reading split into its parts."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

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
    spare_inputs,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.figure import Figure

    from driveloss.breakdown.ask import Breakdown
    from driveloss.breakdown.budget import Share

DRAWINGS = ("parts", "flow", "ceilings", "temperatures", "budget")


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
    drawing: Annotated[
        str, typer.Option("--draw", help="What --figure draws: parts, flow, ceilings, temperatures or budget.")
    ] = "parts",
    run: Annotated[
        int | None, typer.Option("--run", min=1, help="Which run --draw flow shows, counted from 1; else the best net.")
    ] = None,
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
        from driveloss.bench import load_bench
        from driveloss.breakdown.ask import breakdown as ask
        from driveloss.breakdown.budget import budget
        from driveloss.breakdown.tell import CAUTION, breakdown_data, breakdown_tables, budget_tables
        from driveloss.fit.calibrate import calibrate
        from driveloss.fit.calibration import FAMILIES
        from driveloss.fit.store import read_calibration
        from driveloss.say.calibration import finding_lines
        from driveloss.say.flags import flag_lines
        from driveloss.say.json_form import to_json

        one_format(as_json, as_csv)
        choose(drawing, DRAWINGS, "--draw")
        loaded = load_bench(bench)
        spare_inputs(loaded, figure)
        if calibration is None:
            fitted = calibrate(loaded, choose(family, FAMILIES, "--family"), draws, seed, keep_all=keep_all)
        else:
            fitted = read_calibration(calibration)
        answer = ask(fitted, loaded.sweeps)
        with progress("Weighing the sources of error"):
            wanted = with_budget or (figure is not None and drawing == "budget")
            shares = budget(loaded, fitted) if wanted else ()
        if figure is not None:
            from driveloss.figures import save

            save(_drawn(drawing, answer, shares, run), figure)
        tables = [*breakdown_tables(answer), *budget_tables(answer, shares if with_budget else ())]
        data = breakdown_data(answer, shares if with_budget else ())
        show(tables, lambda: to_json(data), as_json, (lambda: data["runs"]) if as_csv else None)
        flags = (flag for run in answer.runs for flag in run.flags)
        note(*loaded.notices, *finding_lines(fitted), *flag_lines(flags), CAUTION)


def _drawn(drawing: str, answer: Breakdown, shares: Sequence[Share], run: int | None) -> Figure:
    """The figure that --draw names."""
    from driveloss import figures

    if drawing == "flow":
        return figures.power_flow_figure(answer, answer.best_run if run is None else run - 1)
    if drawing == "budget":
        from statistics import median

        return figures.budget_figure([(share.source, median(share.half_width.tolist())) for share in shares])
    plain = {
        "parts": figures.breakdown_figure,
        "ceilings": figures.ceilings_figure,
        "temperatures": figures.temperature_drop_figure,
    }
    return plain[drawing](answer)
