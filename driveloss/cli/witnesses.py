"""`driveloss witnesses`: every way to the same watt side by side."""

from __future__ import annotations

from driveloss.cli.command import command
from driveloss.cli.console import note
from driveloss.cli.options import BenchPath, CurveOptions, OutputOptions


@command
def witnesses(bench: BenchPath, curves: CurveOptions, output: OutputOptions) -> None:
    """Lay what subtraction and recordings of the pressure say of the same runs side by side.

    Example: driveloss witnesses calib_data
    """
    from driveloss.bench.load import load_bench
    from driveloss.breakdown.ask import breakdown
    from driveloss.say.calibration import finding_lines
    from driveloss.witnesses.ask import witnesses as ask
    from driveloss.witnesses.tell import witnesses_data, witnesses_tables

    loaded = load_bench(bench)
    fitted = curves.calibrate(loaded)
    answer = ask(breakdown(fitted, loaded.sweeps, loaded.recordings))
    data = witnesses_data(answer)
    output.print(witnesses_tables(answer), data, data["rows"])
    note(*loaded.notices, *finding_lines(fitted))
