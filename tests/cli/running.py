"""Runs of the program as a user types them: in this process, or in a fresh one."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from dataclasses import dataclass
from inspect import signature
from pathlib import Path
from typing import Any

from typer.testing import CliRunner

from driveloss.cli.app import app

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "calib_data"
QUICK = ("--draws", "200")  # enough where only the shape of the answer is looked at


@dataclass(frozen=True)
class Outcome:
    """What a user sees."""

    code: int
    out: str
    err: str

    @property
    def json(self) -> Any:
        return json.loads(self.out, parse_constant=_refuse)


# older runners lay standard error among the output unless told not to
APART = {"mix_stderr": False} if "mix_stderr" in signature(CliRunner.__init__).parameters else {}
RUNNER = CliRunner(**APART)  # for all tests that look at what an app says


def _refuse(word: str) -> None:
    raise AssertionError(f"{word} is no JSON")


def typed(*words: object, columns: int = 100) -> Outcome:
    """Run `driveloss` with these words in this process; anything but a clean exit is raised here."""
    result = RUNNER.invoke(app, [str(word) for word in words], env={"COLUMNS": str(columns)})
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return Outcome(result.exit_code, result.stdout, result.stderr)


def fresh(*words: object, **environment: str) -> Outcome:
    """Run `driveloss` with these words in a process of its own."""
    return python("from driveloss.cli import main; main()", *words, **environment)


def python(code: str, *words: object, **environment: str) -> Outcome:
    """Run a line of Python in a process of its own."""
    command = [sys.executable, "-c", code, *map(str, words)]
    settings = {**os.environ, "PYTHONPATH": str(ROOT), "COLUMNS": "100", **environment}
    done = subprocess.run(command, capture_output=True, text=True, env=settings, cwd=ROOT, check=False, timeout=120)
    return Outcome(done.returncode, done.stdout, done.stderr)
