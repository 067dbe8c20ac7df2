"""Standard output and error as shells and pipes hand them over (POSIX.1-2017, 2.8.2, signal.h)."""

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from cli.running import QUICK, ROOT, python, typed

MAIN = "from driveloss.cli import main; main()"
STEERS = "\x1b\x9b\u202e"  # colours, a control of one character, the direction of writing
MUCH = "--from 2 --to 9 --step 0.05 --json"  # more than a pipe or a buffer holds
LONG = pytest.mark.long
SIGINT_EXIT, SIGTERM_EXIT = 130, 143  # 128 and the signal's number, as the shell has it


def shell(line, *words, encoding="utf-8", **environment):
    """A line of sh in which $P stands for the program; its exit code, output and errors."""
    program = f"{sys.executable} -c '{MAIN}'"
    settings = {**os.environ, "PYTHONPATH": str(ROOT), **environment}
    done = subprocess.run(
        ["sh", "-c", line.replace("$P", program), "sh", *map(str, words)],
        capture_output=True,
        encoding=encoding,
        env=settings,
        check=False,
        timeout=120,
    )
    return done.returncode, done.stdout, done.stderr


@pytest.mark.parametrize(
    "encoding", ["cp437", "ascii", *(pytest.param(one, marks=LONG) for one in ("cp1252", "latin-1"))]
)
def test_an_encoding_without_our_signs_gets_plain_ones(encoding, calibration):
    code, out, err = shell('$P losses "$1" --at 7', calibration, encoding=encoding, PYTHONIOENCODING=encoding)
    assert (code, err) == (0, "")
    assert "Drive alone: losses [W]" in out
    assert ("+/-" if encoding == "ascii" else "±") in out


def test_a_reader_that_has_enough_is_no_error(calibration):
    code, out, err = shell('($P losses "$1" --from 2 --to 9 --step 0.05; echo $? >&2) | head -1', calibration)
    assert (code, len(out.splitlines()), err) == (0, 1, "0\n")


@pytest.mark.parametrize("closed", [">&-", "2>&-", ">&- 2>&-"])
def test_closed_streams_do_no_harm(closed, calibration):
    assert shell(f'$P losses "$1" --at 7 {closed}', calibration)[0] == 0


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is full")
@pytest.mark.parametrize(
    ("words", "unbuffered"),
    [("--at 7", ""), (MUCH, "1"), *(pytest.param(*one, marks=LONG) for one in (("--at 7", "1"), (MUCH, "")))],
)
def test_a_full_disk_is_told(words, unbuffered, calibration):
    code, _, err = shell(f'$P losses "$1" {words} >/dev/full', calibration, PYTHONUNBUFFERED=unbuffered)
    assert (code, err) == (2, "driveloss: standard output: cannot be written: No space left on device\n")


@pytest.fixture
def hearing():
    """Lets children hear Ctrl-C even where the tests run in the background of a shell, which has it ignored there."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)


TELLING = (
    """
import os
from importlib import import_module
fit = import_module("driveloss.fit.calibrate")
build = fit.build_ladder

def telling(bench):
    os.write(2, b"at work\\n")
    return build(bench)

fit.build_ladder = telling
"""
    + MAIN
)


@pytest.mark.usefixtures("hearing")
@pytest.mark.parametrize(("number", "code"), [(signal.SIGINT, SIGINT_EXIT), (signal.SIGTERM, SIGTERM_EXIT)])
def test_a_signal_ends_in_one_line_and_leaves_nothing(number, code, bench):
    before = sorted(bench.iterdir())
    command = [sys.executable, "-c", TELLING, "calibrate", str(bench), "--draws", "100000"]
    with subprocess.Popen(command, stdout=-1, stderr=-1, env={**os.environ, "PYTHONPATH": str(ROOT)}) as running:
        assert running.stderr.readline() == b"at work\n"
        time.sleep(0.2)  # into the fit, which takes longer
        running.send_signal(number)
        out, err = running.communicate(timeout=60)
    assert (running.returncode, out) == (code, b"")
    assert err in (b"", b"driveloss: stopped\n")
    assert sorted(bench.iterdir()) == before


DEAF = """
import signal, sys, time
from driveloss.cli.streams import emptied, make_ready

class Deaf:
    def __del__(self):
        signal.raise_signal(int(sys.argv[1]))

make_ready()
with emptied():
    del [Deaf()][0]
    time.sleep(60)
"""


@pytest.mark.usefixtures("hearing")
@pytest.mark.parametrize(
    ("number", "code", "told"),
    [(signal.SIGINT, SIGINT_EXIT, "driveloss: stopped\n"), (signal.SIGTERM, SIGTERM_EXIT, "")],
)
def test_a_signal_in_a_finaliser_is_not_lost(number, code, told):
    outcome = python(DEAF, int(number))
    assert (outcome.code, outcome.err) == (code, told)


@pytest.mark.parametrize(
    "words", [("losses", "a", "W"), ("compare", "--family", "W"), ("W",), ("--W",), ("losses", "--at", "W")]
)
def test_wrong_words_do_not_steer_a_terminal(words):
    outcome = typed(*(word.replace("W", f"r{STEERS}d") for word in words))
    assert (outcome.code, outcome.out) == (2, "")
    assert not set(STEERS) & set(outcome.err)
    assert "rd" in outcome.err.replace(r"\x1b\x9b", "").replace(r"\u202e", "")


def test_what_would_steer_a_terminal_is_left_out(bench):
    toml = bench / "bench.toml"
    toml.write_text(toml.read_text().replace('title = "', r'title = "\u001b[31m\u009b\u202e', 1))
    outcome = typed("calibrate", bench, *QUICK)
    assert outcome.code == 0
    assert not set(STEERS) & set(outcome.out + outcome.err + (bench / "calibration.json").read_text())
