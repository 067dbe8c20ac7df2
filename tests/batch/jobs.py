"""Jobs for the engines: they stand in a module, as processes that start import them."""

import os
import signal
import sys
from pathlib import Path

from driveloss.batch.engines import THREADS


def square(number: int) -> int:
    if number < 0:
        raise ArithmeticError(f"{number} is below zero")
    return number * number


def dies_at_three(number: int) -> int:
    """As `square`, but for the number whose process is killed each time."""
    if number == 3:
        os.kill(os.getpid(), signal.SIGKILL)
    return square(number)


def dies_once(task: tuple[int, str]) -> int:
    """As `square`, but the process of the first 3 is killed; the mark that it leaves is a file."""
    number, mark = task
    if number == 3 and not Path(mark).exists():
        Path(mark).touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return square(number)


def threads(_: int) -> tuple[bool, dict[str, str | None]]:
    """Whether NumPy was loaded before the job, and what it is told of threads."""
    return "numpy" in sys.modules, {name: os.environ.get(name) for name in THREADS}
