"""The test floor, done once for all tests."""

import pytest

from batch.floors import quickly, write_floor


@pytest.fixture(scope="session")
def floor(tmp_path_factory):
    return write_floor(tmp_path_factory.mktemp("floor"))


@pytest.fixture(scope="session")
def done(floor, tmp_path_factory):
    """The floor done by two workers, and the text of its results file."""
    results = tmp_path_factory.mktemp("results") / "results.jsonl"
    answer = quickly([floor], workers=2, results=results)
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
