"""`driveloss breakdown`: every loaded reading split into its parts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated

from typer import Option

from driveloss.cli.command import command
from driveloss.cli.console import check_outputs, note, progress
from driveloss.cli.options import BenchPath, CurveOptions, FigureOption, OutputOptions, one_of
from driveloss.figures import OF_BREAKDOWN

if TYPE_CHECKING:
    from driveloss.breakdown.ask import Breakdown
    from driveloss.breakdown.budget import Share


@dataclass(frozen=True)
class Drawing:
    """Which figure is drawn, and where to."""

    figure: FigureOption = None
    drawing: Annotated[str, one_of(OF_BREAKDOWN, "--draw", "What --figure draws.")] = "parts"
    run: Annotated[
        int | None, Option("--run", min=1, help="Which run --draw flow shows, counted from 1; else the best net.")
    ] = None

    @property
    def needs_budget(self) -> bool:
        """Whether the sources of error are drawn."""
        return self.figure is not None and self.drawing == "budget"

    def write(self, answer: Breakdown, shares: Sequence[Share]) -> None:
        """Write the figure, if one was asked for."""
        if self.figure is not None:
            from driveloss.figures import draw, save
            from driveloss.figures.runs import Split

            save(draw(self.drawing, Split(answer, None if self.run is None else self.run - 1, shares)), self.figure)


@command
def breakdown(
    bench: BenchPath,
    curves: CurveOptions,
    drawing: Drawing,
    *,
    with_budget: Annotated[
        bool, Option("--budget", help="Say how many watts of each net interval come from which source.")
    ] = False,
    output: OutputOptions,
) -> None:
    """Split every loaded reading into its parts, with ceilings and the heat at the aftercooler.

    Example: driveloss breakdown calib_data --figure parts.png
    """
    from driveloss.bench import load_bench
    from driveloss.breakdown.ask import breakdown as ask
    from driveloss.breakdown.budget import budget
    from driveloss.breakdown.tell import CAUTION, breakdown_data, breakdown_tables, budget_tables
    from driveloss.say.calibration import finding_lines
    from driveloss.say.flags import flag_lines

    loaded = load_bench(bench)
    check_outputs(loaded, figure=drawing.figure)
    fitted = curves.calibrate(loaded)
    answer = ask(fitted, loaded.sweeps)
    with progress("Weighing the sources of error"):
        shares = budget(answer) if with_budget or drawing.needs_budget else ()
    told = shares if with_budget else ()
    tables = [*breakdown_tables(answer), *budget_tables(answer, told)]
    data = breakdown_data(answer, told)
    drawing.write(answer, shares)
    output.print(tables, data, data["runs"])
    flags = (flag for run in answer.runs for flag in run.flags)
    note(*loaded.notices, *finding_lines(fitted), *flag_lines(flags), CAUTION)
