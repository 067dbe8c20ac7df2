"""README's sessions are what the program prints: each block is run, `…` standing for lines left out."""

import os
import re
import shlex
import shutil

import pytest
import typer
from copies import open_copy
from golden import COLUMNS, differences

from cli.running import DEMO, ROOT, typed
from driveloss.cli.app import app

README = (ROOT / "README.md").read_text(encoding="utf-8")
SESSIONS = re.findall(r"```console\n\$ driveloss (.*?)\n(.*?)```", README, re.DOTALL)
SNIPPETS = re.findall(r"```python\n(.*?)```", README, re.DOTALL)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A place with the demo bench in it, calibrated, where the README's paths hold."""
    place = tmp_path_factory.mktemp("session")
    open_copy(DEMO, place / "calib_data", "calibration.json")
    assert typed("calibrate", place / "calib_data").code == 0
    return place


def parts(expected):
    """Runs of lines between the ellipses, trailing blanks off."""
    lines = [line.rstrip() for line in expected.rstrip("\n").split("\n")]
    return [block.strip("\n") for block in re.split(r"^…$", "\n".join(lines), flags=re.MULTILINE) if block.strip("\n")]


def missing(expected, printed):
    """Parts of a session that the output does not hold, in order."""
    lines, start, lost = [line.rstrip() for line in printed.split("\n")], 0, []
    for part in parts(expected):
        size = part.count("\n") + 1
        places = range(start, len(lines) - size + 1)
        found = next((i for i in places if not differences(part, "\n".join(lines[i : i + size]))), None)
        if found is None:
            lost.append(part)
        else:
            start = found + size
    return lost


def test_there_are_sessions():
    assert len(SESSIONS) >= 3 and SNIPPETS


@pytest.mark.usefixtures("fitted_once")
@pytest.mark.parametrize(("command", "expected"), SESSIONS, ids=[command for command, _ in SESSIONS])
def test_session_is_what_is_printed(command, expected, folder, monkeypatch):
    monkeypatch.chdir(folder)
    outcome = typed(*command.split(), columns=COLUMNS)
    assert outcome.code == 0, outcome.err
    assert missing(expected, outcome.out) == []


@pytest.mark.usefixtures("fitted_once")
def test_the_named_slip_is_what_calibrate_says(folder):
    outcome = typed("calibrate", folder / "calib_data", columns=400)
    told = re.search(r"```text\n(.*?)\n```", README, re.DOTALL)
    assert told is not None and missing(told[1], outcome.err) == []


def test_the_comparison_can_fail(folder):
    """A session with another number, or another word, is not what was printed."""
    outcome = typed("losses", folder / "calib_data" / "calibration.json", "--at", "7.5", columns=COLUMNS)
    wrong = " f [Hz]  Standby  Motor  Linkage    Steal  Total"
    assert missing(wrong, outcome.out) == [wrong]


@pytest.mark.usefixtures("fitted_once")
@pytest.mark.parametrize("snippet", SNIPPETS)
def test_the_library_snippet_runs(snippet, capsys, monkeypatch):
    monkeypatch.chdir(ROOT)
    exec(compile(snippet, os.fspath(ROOT / "README.md"), "exec"), {})
    assert re.fullmatch(r"\d\.\d\d W net, from \d\.\d\d to \d\.\d\d W\n", capsys.readouterr().out)


SHOWN = {command for command, _ in SESSIONS}
TABLE = re.findall(r"^\| `driveloss ([^`]+)` \|", README, re.MULTILINE)
EXAMPLES = [
    line.removeprefix("Example: driveloss ")
    for command in typer.main.get_command(app).commands.values()
    for line in (command.help or "").splitlines()
    if line.startswith("Example: ")
]


LAST = [one for one in EXAMPLES if one.startswith("report")]  # tests/report runs the like
FIRST = [one for one in EXAMPLES if one not in (*SHOWN, *LAST)]
AGAIN = [one for one in TABLE if one not in (*SHOWN, *EXAMPLES)]


@pytest.mark.usefixtures("fitted_once", "here")
@pytest.mark.parametrize("command", [*FIRST, *(pytest.param(one, marks=pytest.mark.long) for one in (*LAST, *AGAIN))])
def test_every_command_shown_does_what_is_asked(command, folder, tmp_path, monkeypatch):
    """The example in each command's help and, in a long run, README's table; the sessions are run above."""
    shutil.copytree(folder / "calib_data", tmp_path / "calib_data")
    shutil.copytree(folder / "calib_data", tmp_path / "testfloor" / "bench")
    for path in (folder / "calib_data").iterdir():
        shutil.copy(path, tmp_path)
    for name, sweep in (("new", "wide-no-load"), ("new-wide", "wide-no-load"), ("new-drive", "piston-disconnected")):
        shutil.copy(folder / "calib_data" / f"{sweep}.csv", tmp_path / f"{name}.csv")
    monkeypatch.chdir(tmp_path)
    outcome = typed(*shlex.split(command))
    assert outcome.code == 0, outcome.err


def test_every_command_has_an_example():
    assert len(EXAMPLES) == len(typer.main.get_command(app).commands) == len(TABLE)
