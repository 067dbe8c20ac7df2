"""A test floor: small simulated benches of one cylinder, by the name of their folder."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from functools import partial
from pathlib import Path

import pytest
from compare.machines import DRAGGING, FREQUENCIES, TRUTH, bench
from simulate import Limits, ladder

import driveloss
from driveloss.batch import ask

QUICK = {"draws": 200}
ONE = replace(TRUTH, cylinders=(DRAGGING,))
GOOD = ("first", "rig/second", "rig/deeper/third", "fourth")
TIMED = ("seconds",)  # what differs from one time to the next
quickly = partial(driveloss.batch, **QUICK)


def write_floor(folder: Path) -> Path:
    """The good benches, each with noise of its own."""
    for seed, name in enumerate(GOOD, start=1):
        bench(folder / name, ONE, seed, Limits(power_gain=0.005), sweeps=ladder(ONE, FREQUENCIES[::2], repeats=2))
    return folder


@contextmanager
def in_this_process() -> Iterator[None]:
    """Benches are done without any other process."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(ask, "on_this_machine", lambda job, tasks, _: ((one, job(one)) for one in tasks))
        yield


def spoil(folder: Path) -> Path:
    """A bench whose bore is in metres where millimetres were meant."""
    toml = folder / "bench.toml"
    head, _, rest = toml.read_text().partition("bore = ")
    assert rest
    toml.write_text(f'{head}bore = "36 m"{rest[rest.index(chr(10)) :]}')
    return folder


def digits(answer) -> dict[str, dict]:
    """The rows by path without what may differ between two times."""
    return {row["path"]: {key: value for key, value in row.items() if key not in TIMED} for row in answer.benches}
