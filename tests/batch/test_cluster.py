"""Beyond one machine: every result arrives, once, with the same digits, though a worker is killed midway."""

import json
import os
import subprocess
import sys
from importlib.util import find_spec
from pathlib import Path
from types import SimpleNamespace

import pytest

from batch.floors import GOOD, digits, quickly
from driveloss.errors import MissingPackageError

TESTS = Path(__file__).parents[1]


@pytest.mark.skipif(find_spec("distributed") is None, reason="needs the extra: pip install 'driveloss[cluster]'")
def test_a_killed_worker_of_a_cluster_loses_no_bench(floor, two, tmp_path):
    results = tmp_path / "results.jsonl"
    command = [sys.executable, "-m", "batch.on_cluster", floor, results]
    settings = {**os.environ, "PYTHONPATH": os.pathsep.join([str(TESTS), str(TESTS.parent)])}
    ran = subprocess.run(command, capture_output=True, text=True, env=settings, check=False, timeout=300)
    assert ran.returncode == 0, ran.stderr
    told = json.loads(ran.stdout.splitlines()[-1])
    assert len(told["killed"]) == 1
    there = SimpleNamespace(benches=told["rows"])
    assert digits(there) == digits(two)
    paths = [json.loads(line)["path"] for line in results.read_text().splitlines()]
    assert sorted(paths) == sorted(str(floor / name) for name in GOOD)


def test_without_the_package_it_is_named(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    (tmp_path / "bench.toml").touch()
    with pytest.raises(MissingPackageError, match=r"pip install 'driveloss\[cluster\]'"):
        quickly([tmp_path], scheduler="tcp://127.0.0.1:1")
