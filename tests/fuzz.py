"""Input that nobody would write: `python -m fuzz --cases 100000`, and a few hundred cases in test_fuzz.py.

Whatever is changed in bench.toml, readings, recordings, logs, a saved calibration (signed again or not) or a command
line, the program answers or refuses with one message that names the place, soon, and writes nothing when it refuses.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import re
import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path
from time import perf_counter
from typing import Any

from cli.running import DEMO, typed
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st

from driveloss.bench.load import load_bench
from driveloss.bench.logs import read_log
from driveloss.errors import InputError
from driveloss.fit.calibrate import calibrate
from driveloss.fit.store import from_text, to_text
from driveloss.losses.ask import losses

LONGEST = 5.0  # [s]
RECORDING, SWEEP, LOG = "wide-recording.csv", "wide-loaded.csv", "log.csv"
LINES = 400  # that are kept of long files
NASTY = [
    *("", "nan", "inf", "-inf", "-1", "0", "1e308", "1e-320", "-0.0", "1e999", "9" * 400, "0x" + "f" * 5000, "1_0"),
    *(
        "\x1b[31m",
        "\x9b2J",
        "\u202e",
        "\x00",
        "\ufeff",
        "\u2212",
        "\u00b5m",
        "\ud7ff",
        "\U0001f600",
        " " * 5000,
        "\r",
        "\n",
    ),
    *("dB", "octave", "dBm", "degC", "degF", "bar gauge", "psi", "rpm", "smoots", "V/(rad/s)", "mm**9", "1/m", "%"),
    *("'", '"', '"""', "[[", "]", "[", "=", ",", ";", "\t", "#", ".", "a." * 60, "+/-", "±", "+/- 200 %", "+/- -1 mm"),
    *("../../x", "/tmp/x", "a" * 300, "true", "1979-05-27", "[]", "{}", "[1, 2]", "none", "loaded", "no-load", "wide"),
]
WORDS = [
    *(
        "calibrate",
        "losses",
        "breakdown",
        "compare",
        "predict",
        "plan",
        "recheck",
        "steady",
        "report",
        "whatif",
        "batch",
    ),
    *(
        "--at",
        "--from",
        "--to",
        "--step",
        "--json",
        "--csv",
        "--all",
        "--draws",
        "--seed",
        "--cylinder",
        "--half-width",
    ),
    *("--mean-pressure", "--output", "--figure", "--draw", "--sheets", "--run", "--family", "--stage", "--bore", "-o"),
    *("nowhere", "nowhere/bench.toml", "no-load:wide:x.csv", "standby:", ":", "--", "-", "7", "2 bar", "1 W", "200"),
    *NASTY,
]
place, piece = st.floats(0, 1, exclude_max=True), st.sampled_from(NASTY)
change = st.tuples(st.sampled_from(["token", "line", "cut", "insert", "double", "drop", "swap"]), place, place, piece)
changes = st.lists(change, min_size=1, max_size=4)
Change = tuple[str, float, float, str]


def changed(text: str, made: list[Change]) -> str:
    """Text with changes made one after the other."""
    for kind, where, other, new in made:
        text = _changed(text, kind, where, other, new)
    return text


def _changed(text: str, kind: str, where: float, other: float, new: str) -> str:
    at, lines = int(where * len(text)), text.split("\n")
    i, j = int(where * len(lines)), int(other * len(lines))
    if kind == "cut":
        return text[:at]
    if kind == "insert":
        return text[:at] + new + text[at:]
    if kind == "token":
        start, end = max(text.rfind(mark, 0, at) for mark in ' ",\n') + 1, at
        while end < len(text) and text[end] not in ' ",\n':
            end += 1
        return text[:start] + new + text[end:]
    if kind == "swap":
        lines[i], lines[j] = lines[j], lines[i]
    else:
        lines[i : i + 1] = {"line": [new], "double": [lines[i], lines[i]], "drop": []}[kind]
    return "\n".join(lines)


class Room:
    """A bench, a log and a saved calibration to spoil, and what answers them."""

    def __init__(self, folder: Path) -> None:
        self.bench = folder / "bench"
        shutil.copytree(DEMO, self.bench, ignore=shutil.ignore_patterns("calibration.json", "report.html"))
        for name in (RECORDING, LOG):
            self._shorten(self.bench / name)
        self.texts = {file.name: file.read_text(encoding="utf-8") for file in self.bench.iterdir()}
        self.calibration = to_text(calibrate(load_bench(self.bench), draws=200))
        load_bench(self.bench), read_log(self.bench / LOG)  # all is well before anything is spoilt

    def _shorten(self, file: Path) -> None:
        lines = file.read_text(encoding="utf-8").split("\n")
        file.write_text("\n".join(lines[:LINES]) + "\n", encoding="utf-8")

    def spoilt_file(self, name: str, made: list[Change], read: Callable[[Path], object]) -> None:
        file = self.bench / name
        file.write_bytes(changed(self.texts[name], made).encode("utf-8", "surrogatepass"))
        before = sorted(self.bench.rglob("*"))
        refused_or_right(lambda: read(self.bench), name)
        assert sorted(self.bench.rglob("*")) == before
        file.write_text(self.texts[name], encoding="utf-8")

    def spoilt_calibration(self, path: list[float], new: Any, *, is_signed: bool) -> None:
        data = json.loads(self.calibration)
        del data["checksum"]
        _put(data, path, new)
        body = json.dumps(data, separators=(",", ":"))[1:]
        digest = hashlib.sha256(body.encode()).hexdigest() if is_signed else "0" * 64
        text = f'{{"checksum":"{digest}",\n{body}\n'
        refused_or_right(lambda: losses(from_text(text, "calibration.json"), [7.0]), "calibration.json")

    def spoilt_line(self, words: list[str]) -> None:
        before = sorted(Path.cwd().rglob("*"))
        start = perf_counter()
        outcome = typed(*words)
        assert outcome.code in (0, 2), (words, outcome)
        assert "Traceback" not in outcome.err
        assert perf_counter() - start < LONGEST, words
        assert sorted(Path.cwd().rglob("*")) == before, words


def _put(data: Any, path: list[float], new: Any) -> None:
    """Put something else where a path of fractions leads to in tables and lists."""
    for share in path:
        keys = list(data) if isinstance(data, dict) else range(len(data))
        key = list(keys)[int(share * len(keys))]
        if share == path[-1] or not isinstance(data[key], (dict, list)) or not data[key]:
            data[key] = new
            return
        data = data[key]


def refused_or_right(ask: Callable[[], object], name: str) -> None:
    """Nothing but an answer, or one message that names the file; soon."""
    start = perf_counter()
    try:
        ask()
    except InputError as error:
        message = str(error)
        assert re.search(rf"{re.escape(name)}|\.toml|\.csv", message), message
        assert "\x1b" not in message
    assert perf_counter() - start < LONGEST


SCALARS = st.one_of(
    st.sampled_from(
        [None, True, -1, 0, 1, 10**400, "", "nan", "inf", "wide", [], {}, {"constant": -1}, {"doubles": "!"}, [[]]]
    ),
    st.floats(),
    st.integers(),
    st.text(max_size=5),
)


def checks(room: Room) -> dict[str, Callable[..., None]]:
    """What is spoilt, and how, each a test of one case."""

    @given(changes)
    def toml(made: list[Change]) -> None:
        room.spoilt_file("bench.toml", made, load_bench)

    @given(changes)
    def readings(made: list[Change]) -> None:
        room.spoilt_file(SWEEP, made, load_bench)

    @given(changes)
    def recording(made: list[Change]) -> None:
        room.spoilt_file(RECORDING, made, load_bench)

    @given(changes)
    def log(made: list[Change]) -> None:
        room.spoilt_file(LOG, made, lambda folder: read_log(folder / LOG))

    @given(st.lists(place, min_size=1, max_size=6), SCALARS, st.sampled_from([True, True, True, False]))
    def calibration(path: list[float], new: Any, is_signed: bool) -> None:
        room.spoilt_calibration(path, new, is_signed=is_signed)

    @given(st.lists(st.sampled_from(WORDS), min_size=1, max_size=6))
    def command_line(words: list[str]) -> None:
        room.spoilt_line(words)

    return {f.__name__: f for f in (toml, readings, recording, log, calibration, command_line)}


def run(check: Callable[..., None], cases: int, number: int) -> None:
    """So many cases, the same ones for the same number."""
    how = settings(
        max_examples=cases,
        deadline=None,
        database=None,
        phases=(Phase.generate, Phase.shrink),
        suppress_health_check=list(HealthCheck),
    )
    seed(number)(how(check))()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=3000)
    parser.add_argument("--seed", type=int, default=0)
    given_ = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        every = checks(Room(Path(folder)))
        for name, check in every.items():
            start = perf_counter()
            run(check, given_.cases // len(every), given_.seed)
            print(f"{name}: {given_.cases // len(every)} cases in {perf_counter() - start:.0f} s", flush=True)


if __name__ == "__main__":
    main()
