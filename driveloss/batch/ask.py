"""Many benches: each is found, done or known from before, and gets one row of a summary."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, ClassVar

from driveloss.batch.engines import cores, on_cluster, on_this_machine
from driveloss.batch.find import DEPTH, find_benches, gather
from driveloss.batch.results import Results
from driveloss.batch.run import BEST, Row, Settings, Task, failed, task, work
from driveloss.errors import InputError
from driveloss.fit import DRAWS, FAMILIES, SEED
from driveloss.say.answer import Answer
from driveloss.say.csv_form import spread
from driveloss.say.quantities import QUANTITIES

IN_CSV = (
    *("path", "title", "cylinders", "runs", "file", "row", "cylinder", "frequency_Hz", "mean_pressure_Pa"),
    *spread(*(QUANTITIES[key].json_key for key in BEST)),
    *("seal_frequency_Hz", "seal_mean_pressure_Pa", *spread("lip_force_N_per_m")),
    *("doubt", "doubt_half_width_W", "findings", "flags", "error", "seconds", "seed", "sha256", "program"),
)


@dataclass(frozen=True, repr=False)
class Batch(Answer):
    """One row a bench, in the order in which they were found: the data of a JSON line of `driveloss batch --json`."""

    benches: tuple[Row, ...]
    known: int = 0  # how many were done before
    told_by: ClassVar[str] = "driveloss.batch.tell:batch"
    lists: ClassVar[tuple[str, ...]] = ("benches",)
    columns: ClassVar[tuple[str, ...]] = IN_CSV

    @property
    def failed(self) -> tuple[Row, ...]:
        """The rows of benches that could not be done; `error` says why."""
        return tuple(row for row in self.benches if row["error"] is not None)

    @property
    def done(self) -> tuple[Row, ...]:
        """The rows of all others."""
        return tuple(row for row in self.benches if row["error"] is None)

    def rows(self) -> list[Row]:
        """One flat row a bench; where it has several cylinders, what is told of each stands in their order."""
        rows: list[Row] = self._telling("rows")
        return rows

    def __repr__(self) -> str:
        return f"Batch({len(self.benches)} benches, {len(self.failed)} failed)"


@dataclass
class Progress:
    """How far a batch has come."""

    total: int
    known: int = 0
    worked: int = 0
    rows: dict[str, Row] = field(default_factory=dict)


def batch(  # noqa: PLR0913 - what a user may ask for
    folders: Iterable[Path | str],
    *,
    workers: int | None = None,
    scheduler: str | None = None,
    results: Path | str | None = None,
    depth: int = DEPTH,
    family: str = FAMILIES[0],
    draws: int = DRAWS,
    seed: int = SEED,
    keep_all: bool = False,
    tell: Callable[[Progress], Any] = lambda _: None,
) -> Batch:
    """Do every bench among `folders` and up to `depth` folders below them; one that fails does not stop the others.

    workers: processes on this machine, as many as cores unless given; a script needs `if __name__ == "__main__"`.
    scheduler: address of a Dask scheduler instead. results: a file of JSON lines; what it holds from the same files,
    settings and version of the program is not done again, and what is done is appended. tell: called after each bench.
    Raises InputError for a folder without benches and for a results file of another kind.
    """
    found = find_benches(map(Path, folders), depth)
    if workers is not None and (workers < 1 or scheduler is not None):
        reason = "--scheduler has its own" if scheduler is not None else "1 or more"
        raise InputError(f"--workers: read {workers}, expected {'none, since ' if scheduler else ''}{reason}")
    book, at = Results(None if results is None else Path(results)), Progress(len(found))
    tasks = _tasks(found, Settings(family, draws, seed, keep_all), book, at)
    done = on_cluster(work, tasks, scheduler) if scheduler else on_this_machine(work, tasks, workers or cores())
    for bench, outcome in done:
        row = outcome if isinstance(outcome, dict) else failed(bench.path, _in_words(outcome))
        if row["error"] is None:
            book.add(row)
        at.rows[bench.path], at.worked = row, at.worked + 1
        tell(at)
    return Batch(tuple(at.rows[str(bench)] for bench in found), at.known)


def _tasks(found: Iterable[Path], settings: Settings, book: Results, at: Progress) -> Iterator[Task]:
    """What is to be done; read when its turn comes, so that few benches are in memory at a time."""
    for bench in found:
        try:
            one = task(bench, gather(bench), settings)
        except InputError as error:
            at.rows[str(bench)] = failed(str(bench), str(error))
            continue
        row = book.find(one)
        if row is None:
            yield one
        else:
            at.rows[str(bench)], at.known = row, at.known + 1


def _in_words(error: BaseException) -> str:
    """Why a worker did not come back with a row."""
    return f"{type(error).__name__}: {error}" if str(error) else type(error).__name__
