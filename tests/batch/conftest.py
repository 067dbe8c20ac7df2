"""The test floor, done once for all tests."""

import os
import signal
from multiprocessing import active_children

import pytest

from batch.floors import quickly, write_floor


@pytest.fixture(scope="session")
def floor(tmp_path_factory):
    return write_floor(tmp_path_factory.mktemp("floor"))


@pytest.fixture(scope="session")
def done(floor, tmp_path_factory):
    """The floor done by two workers, of which one was killed midway, and the text of its results file."""
    results, killed = tmp_path_factory.mktemp("results") / "results.jsonl", []

    def kill(_):
        if not killed:
            killed.extend(child.pid for child in active_children())
            os.kill(killed[0], signal.SIGKILL)

    answer = quickly([floor], workers=2, results=results, tell=kill)
    assert killed
    return answer, results.read_text(encoding="utf-8")


@pytest.fixture(scope="session")
def two(done):
    return done[0]


@pytest.fixture
def results(done, tmp_path):
    """A results file that holds every bench of the floor."""
    path = tmp_path / "results.jsonl"
    path.write_text(done[1], encoding="utf-8")
    return path
