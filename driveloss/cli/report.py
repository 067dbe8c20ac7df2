"""`driveloss report`: one self-contained page."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from driveloss.cli.command import command, option
from driveloss.cli.console import check_outputs, note, progress
from driveloss.cli.options import BenchPath, FitOptions, JsonOption, force_option

if TYPE_CHECKING:
    from driveloss.bench.records import Bench
    from driveloss.report.page import Report


@dataclass(frozen=True)
class Page:
    """Where the page goes."""

    output: Path | None = option(
        "Where to write; report.html in the bench folder unless given.", "FILE", "--output", "-o"
    )
    force: bool = force_option()


@command
def report(bench: BenchPath, page: Page, fit: FitOptions, output: JsonOption) -> None:
    """Write one self-contained HTML page with every answer, table and figure of a bench.

    Example: driveloss report calib_data --output report.html
    """
    from driveloss.bench.load import load_bench
    from driveloss.report.page import report_page
    from driveloss.say.files import PAGE, write_all

    with progress("Reading the bench") as tell:
        loaded = load_bench(bench)
        target = page.output or loaded.folder / "report.html"
        check_outputs(loaded, {target: PAGE}, force=page.force)
        report = _gathered(loaded, fit, tell)
        tell("Drawing the page")
        text = report_page(report)
    data = _data(report)
    write_all({target: text.encode()})
    output.print((), data)
    note(*loaded.notices, f"Saved {target}")


def _gathered(bench: Bench, fit: FitOptions, tell: Callable[[str], None]) -> Report:
    """Every answer that the page shows."""
    from driveloss.breakdown.budget import budget
    from driveloss.compare.ask import compare
    from driveloss.compare.benches import Subject
    from driveloss.report.page import Report
    from driveloss.witnesses.constants import constants_way

    tell("Fitting the ladder")
    calibration = fit.calibrate(bench)
    tell("Splitting the loaded runs and comparing")
    subject = Subject("", calibration, bench.sweeps, bench.recordings, rundowns=bench.rundowns)
    comparison = compare([subject]) if calibration.ranges else None
    if not any(sweep.stage == "loaded" for sweep in bench.sweeps):
        return Report(bench, calibration, comparison=comparison)
    tell("Weighing the sources of error")
    answer = subject.breakdown
    return Report(bench, calibration, answer, budget(answer), comparison, constants_way(bench, answer))


def _data(report: Report) -> dict[str, Any]:
    from driveloss.breakdown.tell import breakdown_data
    from driveloss.fit.estimate import COVERAGE

    if report.answer is None:
        return {"schema": "driveloss.breakdown/1", "coverage": COVERAGE, "runs": []}
    return breakdown_data(report.answer, report.shares)
