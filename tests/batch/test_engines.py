"""Jobs come back once each, whatever dies meanwhile."""

import os
import signal
from pathlib import Path

import pytest
from cli.running import python

from batch.jobs import dies_at_three, dies_once, square, threads
from driveloss.batch.engines import AHEAD, THREADS, on_cluster, on_this_machine
from driveloss.errors import InputError


def test_every_task_comes_back_once():
    found = list(on_this_machine(square, range(9), 2))
    assert sorted(found) == [(n, n * n) for n in range(9)]


def test_no_tasks_are_no_work():
    assert list(on_this_machine(square, [], 2)) == []


def test_an_error_is_handed_back_with_its_task():
    found = dict(on_this_machine(square, [2, -1, 3], 2))
    assert (found[2], found[3]) == (4, 9)
    assert repr(found[-1]) == "ArithmeticError('-1 is below zero')"


def test_tasks_are_taken_as_they_are_needed():
    """However many there are, no more of them are in memory than are under way."""
    taken = []
    found = on_this_machine(square, (taken.append(n) or n for n in range(50)), 2)
    next(found)
    assert len(taken) <= AHEAD * 2
    assert len(list(found)) == 49 and len(taken) == 50


def test_a_process_that_is_killed_loses_nothing(tmp_path):
    mark = str(tmp_path / "mark")
    found = {task[0]: result for task, result in on_this_machine(dies_once, [(n, mark) for n in range(12)], 2)}
    assert found == {n: n * n for n in range(12)}
    assert (tmp_path / "mark").exists()


def test_a_task_that_kills_its_process_each_time_is_given_up_alone():
    found = dict(on_this_machine(dies_at_three, range(12), 2))
    assert str(found.pop(3)) == "its process died twice: killed, or out of memory"
    assert found == {n: n * n for n in range(12) if n != 3}


KILLED_AT_ONCE = """
import os, signal, sys
sys.path.insert(0, sys.argv[1])
from batch.jobs import square
from driveloss.batch.engines import on_this_machine
for done in on_this_machine(square, range(100), 2):
    os.kill(os.getpid(), signal.SIGKILL)
"""


def test_processes_end_with_a_parent_that_is_killed():
    """Standard output, which they have from it, is closed once the last of them is gone: else this waits in vain."""
    assert python(KILLED_AT_ONCE, Path(__file__).parents[1]).code == -signal.SIGKILL


def test_each_process_has_one_thread_and_this_one_keeps_its_own(monkeypatch):
    monkeypatch.setenv(THREADS[0], "7")
    monkeypatch.delenv(THREADS[1], raising=False)
    ((_, (early, told)),) = on_this_machine(threads, [0], 1)
    assert not early and told == dict.fromkeys(THREADS, "1")
    assert os.environ[THREADS[0]] == "7" and THREADS[1] not in os.environ


def test_an_address_where_no_scheduler_is():
    pytest.importorskip("distributed", reason="needs the optional extra: pip install 'driveloss[cluster]'")
    with pytest.raises(InputError, match="--scheduler: read 'nonsense://x', expected the address of a Dask scheduler"):
        list(on_cluster(square, [1], "nonsense://x"))
