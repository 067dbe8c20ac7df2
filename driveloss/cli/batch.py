"""`driveloss batch`: many benches, one row each."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from time import perf_counter
from typing import TYPE_CHECKING, Annotated

from typer import Argument, Exit

from driveloss.cli.command import command, option
from driveloss.cli.console import note, progress
from driveloss.cli.options import FitOptions, OutputOptions, force_option
from driveloss.errors import InputError

if TYPE_CHECKING:
    from driveloss.batch.ask import Progress

DEPTH = 3  # as in driveloss/batch/find.py, which help does not load


@dataclass(frozen=True)
class Where:
    """Which benches, and what does them."""

    depth: int = option("How many folders deep to look for benches; links are not followed.", default=DEPTH, min=0)
    workers: int | None = option("Processes on this machine; as many as cores unless given.", "N", min=1)
    scheduler: str | None = option("Address of a Dask scheduler whose workers do it instead.", "ADDRESS")


@dataclass(frozen=True)
class Kept:
    """What is written."""

    results: Path | None = option(
        "Append each bench that is done to FILE, JSON lines, and do none again that it holds.", "FILE"
    )
    output: Path | None = option("Write the summary as a page that sorts.", "FILE", "--output", "-o")
    force: bool = force_option()

    def check(self) -> None:
        """Refuse before the work what cannot be written. Raises InputError, OutputError."""
        from driveloss.say.files import PAGE, check_ours, check_targets

        if self.output is not None and self.output.suffix not in (".html", ".htm"):
            raise InputError(f"--output: expected a name that ends in .html, read '{self.output}'")
        check_targets(path for path in (self.results, self.output) if path is not None)
        if self.output is not None and not self.force:
            check_ours({self.output: PAGE})


@command
def batch(
    folders: Annotated[
        list[Path], Argument(metavar="FOLDER...", help="Bench folders, or folders that hold bench folders.")
    ],
    where: Where,
    kept: Kept,
    fit: FitOptions,
    output: OutputOptions,
) -> None:
    """Do many benches on all cores, or on a cluster, and tell each in one row; exit code 1 where one fails.

    Example: driveloss batch testfloor --results done.jsonl -o summary.html
    """
    from driveloss.batch.ask import batch as ask
    from driveloss.batch.tell import batch_lines
    from driveloss.say.flags import flag_lines

    kept.check()
    with progress("Looking for benches") as tell:
        answer = ask(folders, **asdict(where), results=kept.results, **asdict(fit), tell=_clock(tell))
    if kept.output is not None:
        from driveloss.batch.page import summary_page
        from driveloss.say.files import write_all

        write_all({kept.output: summary_page(answer).encode()})
    output.print(answer.tables(), batch_lines(answer), answer.rows(), answer.columns)
    note(*flag_lines(flag for row in answer.done for flag in row["flags"]))
    if answer.failed:
        raise Exit(1)


def _clock(tell: Callable[[str], None]) -> Callable[[Progress], None]:
    """Says how far it has come, and how long the rest will take if it goes on like that."""
    start = perf_counter()

    def told(at: Progress) -> None:
        rest = (perf_counter() - start) / at.worked * (at.total - len(at.rows))
        left = f"about {rest / 60:.0f} min left" if rest > 90 else f"about {rest:.0f} s left"
        tell(f"{len(at.rows)} of {at.total} benches, {left}")

    return told
