"""`driveloss witnesses`: every way to the same watt side by side."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from driveloss.cli.command import command
from driveloss.cli.console import check_outputs, note
from driveloss.cli.options import BenchPath, CurveOptions, OutputOptions, figure_option, force_option


@dataclass(frozen=True)
class Extras:
    """Where the figure goes."""

    figure: Path | None = figure_option()
    force: bool = force_option()


@command
def witnesses(bench: BenchPath, curves: CurveOptions, extras: Extras, output: OutputOptions) -> None:
    """Lay what the ladder, recordings of the pressure and run-downs say of the same watts side by side.

    Example: driveloss witnesses calib_data --figure witnesses.png
    """
    from driveloss.bench.load import load_bench
    from driveloss.breakdown.ask import breakdown
    from driveloss.say.calibration import finding_lines
    from driveloss.witnesses.ask import witnesses as ask
    from driveloss.witnesses.constants import constants_way

    loaded = load_bench(bench)
    check_outputs(loaded, figures=[extras.figure] if extras.figure else [], force=extras.force)
    fitted = curves.calibrate(loaded)
    split = breakdown(fitted, loaded.sweeps, loaded.recordings, loaded.rundowns)
    answer = ask(split, constants_way(loaded, split))
    if extras.figure is not None:
        from driveloss.figures import draw, save

        save(draw("witnesses", answer), extras.figure)
    output.show(answer)
    note(*loaded.notices, *finding_lines(fitted))
