"""`driveloss calibrate`: fit the ladder."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

from typer import Option

from driveloss.cli.command import command
from driveloss.cli.console import check_outputs, note
from driveloss.cli.options import BenchPath, FigureOption, FitOptions, JsonOption, one_of
from driveloss.figures import OF_CALIBRATION, draw, file_content


@dataclass(frozen=True)
class Files:
    """What is written."""

    output: Annotated[
        Path | None,
        Option(
            "--output", "-o", metavar="FILE", help="Where to save; calibration.json in the bench folder unless given."
        ),
    ] = None
    figure: FigureOption = None
    drawing: Annotated[str, one_of(OF_CALIBRATION, "--draw", "What --figure draws.")] = "ladder"


@command
def calibrate(bench: BenchPath, files: Files, fit: FitOptions, output: JsonOption) -> None:
    """Fit the ladder of sweeps; print terms, quality and notes; save the calibration.

    Example: driveloss calibrate calib_data --figure ladder.png
    """
    from driveloss.bench import load_bench
    from driveloss.fit.store import to_text
    from driveloss.say.calibration import calibration_notes, calibration_tables, finding_lines
    from driveloss.say.files import write_all

    loaded = load_bench(bench)
    target = files.output or loaded.folder / "calibration.json"
    check_outputs(loaded, target, figure=files.figure)
    calibration = fit.calibrate(loaded)
    text = to_text(calibration)
    contents = {target: text.encode()}
    if files.figure is not None:
        contents[files.figure] = file_content(draw(files.drawing, calibration), files.figure)
    tables = calibration_tables(calibration)
    write_all(contents)
    output.print(tables, text)
    note(*loaded.notices, *finding_lines(calibration), *calibration_notes(calibration), f"Saved {target}")
