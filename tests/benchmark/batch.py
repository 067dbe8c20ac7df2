"""How does the time of a batch grow with the benches, and which engine pays where?

    PYTHONPATH=tests python -m benchmark.batch [--benches 10 100 1000] [--draws 2000] [--engines one cores cluster]

Ratios, since a bench takes what the machine gives. `growth`: time over that of the first count, over the ratio of the
counts; 1 is linear, below 1 the start-up is shared by more. `linear`: time of one process over n times that of n
workers; 1 is ideal, and other work on the same cores lowers it. `busy`: time spent inside benches over n times the
whole, what is left are start-up and waiting. `cpu`: processor time of all processes a bench, start-up included, which
tells what more workers cost even where others use the cores; the rest needs a quiet machine.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass
from pathlib import Path
from time import perf_counter
from typing import Any

from batch.floors import ONE
from compare.machines import FREQUENCIES, bench
from simulate import Limits, ladder

import driveloss
from driveloss.batch.engines import cores

COUNTS = (10, 30)  # quick enough to look now and then; 10 to 1000 tells more


@dataclass(frozen=True)
class Engine:
    """What does the benches: a context that gives the options of `driveloss.batch`, and its workers."""

    start: Callable[[], AbstractContextManager[dict[str, Any]]]
    workers: int


class Cluster:
    """A Dask cluster of this machine, one thread a worker."""

    def __enter__(self) -> dict[str, Any]:
        from distributed import LocalCluster

        os.environ.setdefault("MALLOC_TRIM_THRESHOLD_", "268435456")  # see engines.on_cluster
        os.environ.setdefault("MALLOC_MMAP_THRESHOLD_", "33554432")
        self.cluster = LocalCluster(n_workers=cores(), threads_per_worker=1, dashboard_address=None)
        return {"scheduler": self.cluster.scheduler_address}

    def __exit__(self, *_: object) -> None:
        self.cluster.close()


ENGINES = {
    "one": Engine(lambda: nullcontext({"workers": 1}), 1),
    "cores": Engine(lambda: nullcontext({"workers": cores()}), cores()),
    "cluster": Engine(Cluster, cores()),
}


@dataclass(frozen=True)
class Timed:
    """One batch: the whole with the engine's start-up, what its benches took by themselves, processor time. [s]"""

    whole: float
    inside: float
    cpu: float


def write(folder: Path, count: int) -> list[Path]:
    """Small benches of one cylinder, each with noise of its own."""
    folders = [folder / f"{number:04}" for number in range(count)]
    for seed, one in enumerate(folders):
        bench(one, ONE, seed, Limits(power_gain=0.005), sweeps=ladder(ONE, FREQUENCIES, repeats=2))
    return folders


def time(engine: Engine, folders: Sequence[Path], draws: int) -> Timed:
    """Do the benches once."""
    start, before = perf_counter(), processor_time()
    with engine.start() as options:
        answer = driveloss.batch(folders, draws=draws, **options)
        whole = perf_counter() - start
    cpu = processor_time() - before  # once the engine has ended: processes count when they have
    if answer.failed:
        raise SystemExit(f"{answer.failed[0]['path']}: {answer.failed[0]['error']}")
    return Timed(whole, sum(row["seconds"] for row in answer.benches), cpu)


def processor_time() -> float:
    """Of this process and of those that it started and that ended. [s]"""
    return sum(os.times()[:4])


def known_again(folders: Sequence[Path], draws: int) -> tuple[float, float]:
    """Time to find that every bench is done already, and to do them. [s]"""
    with tempfile.TemporaryDirectory() as room:
        took = []
        for _ in range(2):
            start = perf_counter()
            driveloss.batch(folders, draws=draws, results=Path(room) / "results.jsonl")
            took.append(perf_counter() - start)
    return took[1], took[0]


def main() -> None:
    """Time every engine on every count, and print ratios."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--benches", type=int, nargs="+", default=COUNTS)
    parser.add_argument("--draws", type=int, default=2000)
    parser.add_argument("--engines", nargs="+", choices=ENGINES, default=list(ENGINES))
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        every = write(Path(folder), max(options.benches))
        print(f"{'engine':10}{'benches':>8}{'s':>8}{'s/bench':>9}{'growth':>8}{'linear':>8}{'busy':>6}{'cpu':>7}")
        ones: dict[int, float] = {}
        for name in options.engines:
            engine, first = ENGINES[name], None
            for count in options.benches:
                timed = time(engine, every[:count], options.draws)
                first = first or timed.whole / count
                ones |= {count: timed.whole} if name == "one" else {}
                linear = ones[count] / timed.whole / engine.workers if count in ones else float("nan")
                busy = timed.inside / timed.whole / engine.workers
                ratios = f"{timed.whole / count / first:8.2f}{linear:8.2f}{busy:6.2f}{timed.cpu / count:7.2f}"
                print(f"{name:10}{count:8}{timed.whole:8.1f}{timed.whole / count:9.2f}{ratios}", flush=True)
        again, before = known_again(every[: min(options.benches)], options.draws)
        print(f"known already: {again / before:.1%} of the time that they took to do")


if __name__ == "__main__":
    sys.exit(main())
