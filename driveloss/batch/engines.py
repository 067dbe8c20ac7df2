"""Where jobs are done: in processes of this machine or on a Dask cluster, both through futures."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable, Generator, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, CancelledError, Executor, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from importlib import import_module
from multiprocessing import get_context, parent_process
from threading import Thread
from typing import Any, TypeVar

from driveloss.errors import InputError, MissingPackageError

THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")
KEPT = {"MALLOC_TRIM_THRESHOLD_": str(256 * 2**20), "MALLOC_MMAP_THRESHOLD_": str(32 * 2**20)}  # see `cli.command`
SETTINGS = dict.fromkeys(THREADS, "1") | KEPT
LEAST = 32  # jobs handed to a cluster however small it is, so that one that grows with its work may
AHEAD = 2  # jobs under way for each worker: it never waits, and no more than that are held in memory
PATIENCE = 20  # [s] for a scheduler to answer

Task = TypeVar("Task")
Result = TypeVar("Result")
Job = Callable[[Task], Result]
Done = tuple[Task, Result | BaseException]


def cores() -> int:
    """Cores that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def on_this_machine(job: Job[Task, Result], tasks: Iterable[Task], workers: int) -> Iterator[Done[Task, Result]]:
    """Each task with its result, or the error that its job raised, as they come, in `workers` processes.

    A process that dies takes the pool with it. What was under way is then done again one at a time, so that only the
    task that kills its process, twice, is given up.
    """
    waiting = iter(tasks)
    with _settings():
        while lost := (yield from _through_pool(job, waiting, workers, AHEAD * workers)):
            again = iter(lost)
            while dead := (yield from _through_pool(job, again, 1, 1)):
                yield dead[0], BrokenProcessPool("its process died twice: killed, or out of memory")


def _through_pool(
    job: Job[Task, Result], tasks: Iterator[Task], workers: int, most: int
) -> Generator[Done[Task, Result], None, list[Task]]:
    pool = ProcessPoolExecutor(workers, get_context("spawn"), _begin)
    try:
        return (yield from _through(pool, job, tasks, lambda: most))
    finally:
        pool.shutdown(cancel_futures=True)


def _begin() -> None:
    """In a new process: Ctrl-C is its parent's matter, and it ends when that is killed, rather than wait for ever."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    if parent := parent_process():
        parent.join()
        os._exit(1)


def _through(
    executor: Executor, job: Job[Task, Result], tasks: Iterator[Task], most: Callable[[], int]
) -> Generator[Done[Task, Result], None, list[Task]]:
    """Keep `most()` tasks under way; returns those that a dead process took with it."""
    under_way: dict[Future[Result], Task] = {}
    lost: list[Task] = []
    while True:
        free = most() - len(under_way)
        while not lost and free > 0 and (task := next(tasks, None)) is not None:
            free -= 1
            try:
                under_way[executor.submit(job, task)] = task
            except BrokenProcessPool:
                lost.append(task)
        if not under_way:
            return lost
        for future in wait(under_way, return_when=FIRST_COMPLETED).done:
            task, found = under_way.pop(future), _outcome(future)
            if isinstance(found, BrokenProcessPool):
                lost.append(task)
            else:
                yield task, found


def _outcome(future: Future[Result]) -> Result | BaseException:
    try:
        error = future.exception()
    except CancelledError as cancelled:
        return cancelled
    return future.result() if error is None else error


@contextmanager
def _settings() -> Iterator[None]:
    """Processes that start meanwhile load NumPy with one thread: cores go to benches, and leave digits alone.

    They hold on to the memory that arrays leave.
    """
    before = {name: os.environ.get(name) for name in SETTINGS}
    os.environ.update(SETTINGS)
    try:
        yield
    finally:
        for name, value in before.items():
            os.environ.pop(name)
            os.environ.update({} if value is None else {name: value})


def on_cluster(job: Job[Task, Result], tasks: Iterable[Task], address: str) -> Iterator[Done[Task, Result]]:
    """As `on_this_machine`, on the workers of a Dask scheduler, which itself gives a dead worker's tasks to others.

    Start its workers with one thread each, and with MALLOC_TRIM_THRESHOLD_=268435456, MALLOC_MMAP_THRESHOLD_=33554432
    in their environment: unless told, Dask has each array's memory handed back at once, and benches take some three
    times as long.
    Raises MissingPackageError without `distributed`, InputError where no scheduler answers.
    """
    with _client(address) as client:
        executor = client.get_executor(pure=False)
        yield from _through(executor, job, iter(tasks), lambda: max(AHEAD * sum(client.ncores().values()), LEAST))


@contextmanager
def _client(address: str) -> Iterator[Any]:
    try:
        distributed: Any = import_module("distributed")
    except ImportError as error:
        raise MissingPackageError(
            "--scheduler needs Dask's distributed, which is not installed: pip install 'driveloss[cluster]'"
        ) from error
    try:
        client = distributed.Client(address, timeout=PATIENCE, set_as_default=False)
    except (OSError, ValueError) as error:
        raise InputError(f"--scheduler: read '{address}', expected the address of a Dask scheduler: {error}") from error
    with client:
        yield client
