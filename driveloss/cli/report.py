"""`driveloss report`: one self-contained page."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from driveloss.cli.console import (
    BenchPath,
    DrawsOption,
    FamilyOption,
    JsonOption,
    KeepAllOption,
    SeedOption,
    bad_input_exits_2,
    choose,
    note,
    spare_inputs,
)

if TYPE_CHECKING:
    from driveloss.report.page import Report


def report(
    bench: BenchPath,
    output: Annotated[
        Path | None,
        typer.Option(
            "--output",
            "-o",
            metavar="FILE",
            help="Where to write; report.html in the bench folder unless given.",
        ),
    ] = None,
    family: FamilyOption = "physical",
    draws: DrawsOption = 2000,
    seed: SeedOption = 20,
    keep_all: KeepAllOption = False,
    as_json: JsonOption = False,
) -> None:
    """Write one self-contained HTML page with every answer, table and figure of a bench.

    Example: driveloss report calib_data --output report.html
    """
    with bad_input_exits_2():
        from driveloss.fit.calibration import FAMILIES
        from driveloss.report.page import report_page
        from driveloss.say.files import write_text
        from driveloss.say.json_form import to_json
        from driveloss.say.terminal import console

        with console(err=True).status("Reading the bench") as status:  # seen on a terminal only
            family = choose(family, FAMILIES, "--family")
            report = _gathered(bench, family, draws, seed, keep_all, status.update)
            status.update("Drawing the page")
            page = report_page(report)
        target = output or report.bench.folder / "report.html"
        spare_inputs(report.bench, target)
        write_text(target, page)
        if as_json:
            typer.echo(to_json(_data(report)))
        note(*report.bench.notices, f"Saved {target}")


def _gathered(bench: Path, family: str, draws: int, seed: int, keep_all: bool, tell: Any) -> Report:
    """Every answer that the page shows."""
    from driveloss.bench import load_bench
    from driveloss.breakdown.ask import breakdown
    from driveloss.breakdown.budget import budget
    from driveloss.compare.ask import compare
    from driveloss.compare.benches import Subject
    from driveloss.fit.calibrate import calibrate
    from driveloss.report.page import Report

    loaded = load_bench(bench)
    tell("Fitting the ladder")
    calibration = calibrate(loaded, family, draws, seed, keep_all=keep_all)
    tell("Comparing")
    comparison = compare([Subject("", calibration, loaded.sweeps)]) if calibration.ranges else None
    if not any(sweep.stage == "loaded" for sweep in loaded.sweeps):
        return Report(loaded, calibration, comparison=comparison)
    tell("Splitting the loaded runs")
    answer = breakdown(calibration, loaded.sweeps)
    tell("Weighing the sources of error")
    return Report(loaded, calibration, answer, budget(loaded, calibration), comparison)


def _data(report: Report) -> dict[str, Any]:
    from driveloss.breakdown.tell import breakdown_data
    from driveloss.fit.estimate import COVERAGE

    if report.answer is None:
        return {"schema": "driveloss.breakdown/1", "coverage": COVERAGE, "runs": []}
    return breakdown_data(report.answer, report.shares)
