"""`driveloss calibrate`: fit the ladder."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from driveloss.cli.console import (
    BenchPath,
    DrawsOption,
    FamilyOption,
    FigureOption,
    JsonOption,
    KeepAllOption,
    SeedOption,
    bad_input_exits_2,
    choose,
    note,
    show,
    spare_inputs,
)

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from driveloss.fit.calibration import Calibration


def calibrate(
    bench: BenchPath,
    output: Annotated[
        Path | None,
        typer.Option(
            "--output",
            "-o",
            metavar="FILE",
            help="Where to save; calibration.json in the bench folder unless given.",
        ),
    ] = None,
    family: FamilyOption = "physical",
    figure: FigureOption = None,
    drawing: Annotated[str, typer.Option("--draw", help="What --figure draws: ladder or friction.")] = "ladder",
    draws: DrawsOption = 2000,
    seed: SeedOption = 20,
    keep_all: KeepAllOption = False,
    as_json: JsonOption = False,
) -> None:
    """Fit the ladder of sweeps; print terms, quality and notes; save the calibration.

    Example: driveloss calibrate calib_data --figure ladder.png
    """
    with bad_input_exits_2():
        from driveloss.bench import load_bench
        from driveloss.fit.calibrate import calibrate as fit
        from driveloss.fit.calibration import FAMILIES
        from driveloss.fit.store import to_text
        from driveloss.say.calibration import calibration_notes, calibration_tables, finding_lines
        from driveloss.say.files import write_all

        choose(drawing, ("ladder", "friction"), "--draw")
        loaded = load_bench(bench)
        calibration = fit(loaded, choose(family, FAMILIES, "--family"), draws, seed, keep_all=keep_all)
        text = to_text(calibration)
        target = output or loaded.folder / "calibration.json"
        spare_inputs(loaded, target, figure)
        files = {target: text.encode()}
        if figure is not None:
            from driveloss.figures import file_content

            files[figure] = file_content(_drawn(drawing, calibration), figure)
        write_all(files)
        show(calibration_tables(calibration), lambda: text.rstrip("\n"), as_json)
        note(*loaded.notices, *finding_lines(calibration), *calibration_notes(calibration), f"Saved {target}")


def _drawn(drawing: str, calibration: Calibration) -> Figure:
    """The figure that --draw names."""
    from driveloss.figures import friction_figure, ladder_figure

    if drawing == "friction":
        return friction_figure(calibration)
    evidence = calibration.evidence
    return ladder_figure(calibration, evidence.left_out if evidence else None)
