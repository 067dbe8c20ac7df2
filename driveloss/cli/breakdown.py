"""`driveloss breakdown`: every loaded reading split into its parts."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from driveloss.cli.command import command, option
from driveloss.cli.console import check_outputs, note, progress
from driveloss.cli.options import (
    BenchPath,
    CurveOptions,
    OutputOptions,
    all_option,
    force_option,
    one_of,
    switch,
)
from driveloss.figures import OF_BREAKDOWN

if TYPE_CHECKING:
    from driveloss.breakdown.ask import Breakdown
    from driveloss.breakdown.budget import Shares


@dataclass(frozen=True)
class Extras:
    """Which figure is drawn, and where to; whether the sources of error are told."""

    figure: Path | None = option("Draw to FILE: .png, .svg or .pdf; into a folder, everything.", "FILE")
    force: bool = force_option()
    drawings: list[str] | None = one_of(OF_BREAKDOWN, "What --figure draws; repeatable.", "--draw", repeats=True)
    run: int | None = option("Which run --draw flow shows, counted from 1; else the best net.", min=1)
    everything: bool = all_option()
    budget: bool = switch("Say how many watts of each net interval come from which source.", "--budget")

    @property
    def needs_shares(self) -> bool:
        """Whether the sources of error are told or drawn."""
        return self.budget or "budget" in self.targets.values()

    @property
    def targets(self) -> dict[Path, str]:
        """Files to write, and what each shows: one file, one a drawing named after it, or a folder of them."""
        if self.figure is None:
            return {}
        if self.figure.is_dir():
            return {self.figure / f"{name}.svg": name for name in self.drawings or OF_BREAKDOWN}
        names = self.drawings or OF_BREAKDOWN[:1]
        if len(names) == 1:
            return {self.figure: names[0]}
        return {self.figure.with_stem(f"{self.figure.stem}-{name}"): name for name in names}

    def refuse_figures(self, runs: int) -> None:
        """Raises InputError where more runs are to be drawn than can be."""
        from driveloss.breakdown.ask import AT_ONCE
        from driveloss.errors import InputError

        if self.figure is not None:
            raise InputError(f"--figure: there are {runs} loaded readings, expected at most {AT_ONCE} to draw")

    def draw(self, answer: Breakdown, shares: Shares) -> None:
        """Write the figures that were asked for, all or none; of a whole folder, those that the bench has data for."""
        from driveloss.errors import InputError
        from driveloss.figures import draw, file_content
        from driveloss.figures.runs import Split
        from driveloss.say.files import write_all

        split, files = Split(answer, None if self.run is None else self.run - 1, shares), {}
        for path, name in self.targets.items():
            try:
                files[path] = file_content(draw(name, split), path)
            except InputError as error:
                if self.drawings or len(self.targets) == 1:
                    raise
                note(f"{name}: not drawn: {error}")
        write_all(files)


@command
def breakdown(bench: BenchPath, curves: CurveOptions, extras: Extras, output: OutputOptions) -> None:
    """Split every loaded reading into its parts, with ceilings and the heat at the aftercooler.

    Example: driveloss breakdown calib_data --figure parts.png
    """
    from driveloss.bench.load import load_bench
    from driveloss.breakdown.ask import AT_ONCE, in_blocks
    from driveloss.breakdown.ask import breakdown as ask
    from driveloss.breakdown.budget import budget
    from driveloss.breakdown.long import LongBreakdown
    from driveloss.breakdown.tell import CAUTION, breakdown_data, budget_tables
    from driveloss.say.calibration import finding_lines
    from driveloss.say.flags import flag_lines

    loaded = load_bench(bench)
    check_outputs(loaded, figures=extras.targets, force=extras.force)
    runs = sum(len(sweep) for sweep in loaded.sweeps if sweep.stage == "loaded")
    if runs > AT_ONCE:
        extras.refuse_figures(runs)
    fitted = curves.calibrate(loaded)
    if runs > AT_ONCE:
        blocks = in_blocks(fitted, loaded.sweeps, loaded.recordings, loaded.rundowns)
        long = LongBreakdown(blocks, with_budget=extras.budget)
        output.show(long, everything=extras.everything)
        note(*loaded.notices, *finding_lines(fitted), *flag_lines(long.flags), CAUTION)
        return
    answer = ask(fitted, loaded.sweeps, loaded.recordings, loaded.rundowns)
    with progress("Weighing the sources of error"):
        shares = budget(answer) if extras.needs_shares else {}
    told = shares if extras.budget else {}
    tables = [*answer.tables(everything=extras.everything), *budget_tables(answer, told)]
    data = breakdown_data(answer, told)
    extras.draw(answer, shares)
    output.print(tables, data, data["runs"], answer.columns)
    flags = (flag for run in answer.runs for flag in run.flags)
    note(*loaded.notices, *finding_lines(fitted), *flag_lines(flags), CAUTION)
