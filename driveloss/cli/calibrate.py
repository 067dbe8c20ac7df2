"""`driveloss calibrate`: fit the ladder."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from driveloss.cli.command import command, option
from driveloss.cli.console import check_outputs, note
from driveloss.cli.options import BenchPath, FitOptions, JsonOption, all_option, figure_option, force_option, one_of
from driveloss.figures import OF_CALIBRATION, draw, file_content


@dataclass(frozen=True)
class Files:
    """What is written."""

    output: Path | None = option(
        "Where to save; calibration.json in the bench folder unless given.", "FILE", "--output", "-o"
    )
    figure: Path | None = figure_option()
    force: bool = force_option()
    everything: bool = all_option()
    drawing: str = one_of(OF_CALIBRATION, "What --figure draws.", "--draw")


@command
def calibrate(bench: BenchPath, files: Files, fit: FitOptions, output: JsonOption) -> None:
    """Fit the ladder of sweeps; print terms, quality and notes; save the calibration.

    Example: driveloss calibrate calib_data --figure ladder.png
    """
    from driveloss.bench.load import load_bench
    from driveloss.fit.store import to_text
    from driveloss.losses.tell import middle_line
    from driveloss.say.calibration import (
        calibration_answer,
        calibration_notes,
        calibration_tables,
        finding_lines,
    )
    from driveloss.say.files import CALIBRATION, write_all

    loaded = load_bench(bench)
    target = files.output or loaded.folder / "calibration.json"
    check_outputs(loaded, {target: CALIBRATION}, figures=[files.figure] if files.figure else [], force=files.force)
    calibration = fit.calibrate(loaded)
    text, answer = to_text(calibration), calibration_answer(calibration, middle_line(calibration))
    contents = {target: text.encode()}
    if files.figure is not None:
        contents[files.figure] = file_content(draw(files.drawing, calibration), files.figure)
    write_all(contents)
    everything = files.everything
    tables = [*answer[:2], "", *calibration_tables(calibration)[2:]] if everything else answer
    output.print(tables, text)
    notes = calibration_notes(calibration) if everything else []
    note(*loaded.notices, *finding_lines(calibration), *notes, f"Saved {target}")
