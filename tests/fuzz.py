"""Input that nobody would write: `python -m fuzz --cases 100000`, and a share of it in test_fuzz.py.

Whatever is changed in bench.toml, readings, recordings, run-downs, logs, a saved calibration (signed again or not) or
a command line, the program answers or refuses with one message that names the place, soon, within bounds of memory, and
writes nothing when it refuses. With `--guided CHECK`, and atheris installed, coverage guides what one reader is given.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import re
import resource
import shutil
import sys
import tempfile
import traceback
from collections.abc import Callable
from copy import deepcopy
from dataclasses import dataclass
from os import chdir, listdir
from pathlib import Path
from random import Random
from time import perf_counter, process_time
from types import FunctionType
from typing import Any

import typer.main
from cli.running import DEMO, typed
from copies import open_copy

from driveloss.batch.find import gather
from driveloss.batch.run import Settings, task, work
from driveloss.bench.columns import read_sweep
from driveloss.bench.guesses import guessed_files
from driveloss.bench.load import load_bench
from driveloss.bench.logs import read_log
from driveloss.bench.recordings import read_recording
from driveloss.bench.rundowns import read_rundown
from driveloss.bench.toml import read_config
from driveloss.cli.app import app
from driveloss.errors import InputError
from driveloss.fit import FAMILIES
from driveloss.fit.calibrate import calibrate
from driveloss.fit.store import from_text, to_text
from driveloss.losses.ask import losses

LONGEST, ANSWERED = 5.0, 30.0  # [s] of a processor, until a refusal, and for a fit with all that is told of it
MOST_MEMORY = 500_000  # [kB] as Linux tells it
HUGE = 1e300  # a whole number above it is no float
LOG, LINES = "log.csv", 200  # that are kept of long files
QUICK = ("--draws", "200")
# fmt: off
NASTY = [
    "", "nan", "inf", "-inf", "-1", "0", "1e308", "1e-320", "-0.0", "1e999", "9" * 400, "0x" + "f" * 5000, "1_0", "1,5",
    "\x1b[31m", "\x9b2J", "\u202e", "\x00", "\ufeff", "\u2212", "\u00b5m", "\ud7ff", "\U0001f600", " " * 5000, "\r",
    "\n", "dB", "octave", "dBm", "degC", "degF", "bar gauge", "psi", "rpm", "smoots", "V/(rad/s)", "mm**9", "1/m", "%",
    "kHz", "'", '"', '"""', "[[", "]", "[", "=", ",", ";", "\t", "#", ".", "a." * 60, "+/-", "±", "+/- 200 %",
    "+/- -1 mm", "../../x", "a" * 300, "true", "1979-05-27", "[]", "{}", "[1, 2]", "none", "loaded", "no-load", "wide",
    "é" * 200, "frequency [kHz]", "speed [rpm]", "power [mW]", "power [dBm]", "torque [N*m]", "pressure [bar gauge]",
    "time [h]", "motor speed [rpm]", "voltage [V]", "current [A]", "index", "volume [cm^3]", "crank angle [deg]",
    "note", "time",
]
SCALARS = [
    None, True, -1, 0, 1, 10**400, -1e-9, 1e300, 2.5, float("nan"), float("inf"), "", "nan", "inf", "wide", [], {},
    [[]], {"constant": -1}, {"constant": "nan"}, {"constant": 0}, {"constant": 1e300}, {"doubles": "!"}, "x" * 5000,
    "\x1b[2J",
]
VALUES = [
    "7", "2 bar", "1 W", "200", "0", "wide", "narrow", "loaded", "no-load", "out.json", "out.html", "out.png", "out",
    "no-load:wide:bench/wide-no-load.csv", "standby:bench/standby.csv", "standby:", ":", "--", "-",
    *(text for text in NASTY if "\0" not in text),  # which no argument can hold
]
# fmt: on
FACTORS = (-1.0, 0.0, 1e-6, 0.01, 0.1, 0.5, 0.9, 1.1, 2.0, 10.0, 1000.0, 1e9)
NUMBER = re.compile(r"(?<![\w.-])\d+(?:\.\d+)?(?![\w.-])")


def changed(text: str, by: Random) -> str:
    """Text with a few changes made one after the other."""
    for _ in range(by.randint(1, 4)):
        text = _changed(text, by)
    return text


def _changed(text: str, by: Random) -> str:
    kind, new = by.choice(["token", "line", "cut", "insert", "double", "drop", "swap", "number"]), by.choice(NASTY)
    at, lines = by.randrange(len(text) + 1), text.split("\n")
    i, j = by.randrange(len(lines)), by.randrange(len(lines))
    if kind == "cut":
        return text[:at]
    if kind == "insert":
        return text[:at] + new + text[at:]
    if kind == "number":
        return rescaled(text, by)
    if kind == "token":
        start = max(text.rfind(mark, 0, at) for mark in ' ",\n') + 1
        end = min([place for mark in ' ",\n' if (place := text.find(mark, at)) >= 0], default=len(text))
        return text[:start] + new + text[end:]
    if kind == "swap":
        lines[i], lines[j] = lines[j], lines[i]
    else:
        lines[i : i + 1] = {"line": [new], "double": [lines[i], lines[i]], "drop": []}[kind]
    return "\n".join(lines)


def rescaled(text: str, by: Random) -> str:
    """One of its numbers times a factor: what is refused the least, and leads the furthest."""
    if not (found := list(NUMBER.finditer(text))):
        return text
    one = by.choice(found)
    return f"{text[: one.start()]}{float(one[0]) * by.choice(FACTORS):.6g}{text[one.end() :]}"


def encoded(text: str, by: Random) -> bytes:
    """Mostly UTF-8."""
    encoding = by.choice([*["utf-8"] * 20, "utf-8-sig", "utf-16", "utf-16-le", "cp1252", "latin-1"])
    return text.encode(encoding, "surrogatepass" if encoding.startswith("utf") else "replace")


@dataclass
class Room:
    """A bench, a log and a saved calibration to spoil, and what answers them; cwd is a folder below it."""

    folder: Path
    is_timed: bool = True

    def __post_init__(self) -> None:
        self.bench = self.folder / "bench"
        open_copy(DEMO, self.bench, "calibration.json", "report.html")
        config = read_config(self.bench / "bench.toml")
        ambient, ratio = config.rig.ambient_pressure.value, config.rig.transmission.turns.value
        self.sweeps = {one.file: lambda p, one=one: read_sweep(p, one, ambient, ratio) for one in config.sweeps}
        self.recordings = {one.file: lambda p, one=one: read_recording(p, one, ambient) for one in config.recordings}
        self.rundowns = {one.file: lambda p, one=one: read_rundown(p, one, config.rig) for one in config.rundowns}
        for name in (*self.recordings, LOG):
            lines = (self.bench / name).read_text(encoding="utf-8").split("\n")
            (self.bench / name).write_text("\n".join(lines[:LINES]) + "\n", encoding="utf-8")
        self.texts = {file.name: file.read_text(encoding="utf-8") for file in self.bench.iterdir()}
        bench = load_bench(self.bench)  # all is well before anything is spoilt
        self.calibrations = [to_text(calibrate(bench, family, draws=10, compare=False)) for family in FAMILIES]
        self.saved = self.folder / "saved.json"
        self.saved.write_text(self.calibrations[0], encoding="utf-8")
        self.cwd = self.folder / "deep" / "down"
        self.cwd.mkdir(parents=True)
        chdir(self.cwd)

    def toml(self, by: Random) -> None:
        if by.random() < 0.02:  # a key that is gone may be missed where a file of readings lacks the column as well
            self.read("bench.toml", load_bench, by, *self.sweeps)
        else:
            self.read("bench.toml", read_config, by)

    def readings(self, by: Random) -> None:
        name = by.choice([*self.sweeps])
        self.read(name, self.sweeps[name], by)

    def recording(self, by: Random) -> None:
        name = by.choice([*self.recordings])
        self.read(name, self.recordings[name], by)

    def rundown(self, by: Random) -> None:
        name = by.choice([*self.rundowns])
        self.read(name, self.rundowns[name], by)

    def log(self, by: Random) -> None:
        self.read(LOG, lambda path: read_log(path, 101325.0, 3.2), by)

    def guess(self, by: Random) -> None:
        self.read(by.choice([*self.sweeps, *self.recordings, *self.rundowns, LOG]), lambda p: guessed_files([p]), by)

    def calibration(self, by: Random) -> None:
        data = json.loads(by.choice(self.calibrations))
        del data["checksum"]
        for _ in range(by.randint(1, 2)):
            _put(data, by)
        body = json.dumps(data, separators=(",", ":"))[1:]
        digest = hashlib.sha256(body.encode()).hexdigest() if by.random() < 0.9 else "0" * 64
        text = f'{{"checksum":"{digest}",\n{body}\n'
        self.refused_or_right(lambda: losses(from_text(text, "calibration.json"), [7.0]), "calibration.json")

    def batch(self, by: Random) -> None:
        """One bench of a batch: its row tells what is wrong, never a fault of the program."""
        name = by.choice([*self.texts])
        spoilt = self.folder / "many" / by.choice(["a", "b c", "ünï"])
        shutil.copytree(self.bench, spoilt)
        (spoilt / name).write_bytes(encoded(changed(self.texts[name], by), by))

        def ask() -> None:
            row = work(task(spoilt, gather(spoilt), Settings(draws=200)))
            assert not (row["error"] or "").startswith("a fault of the program"), row["error"]

        try:
            self.refused_or_right(ask, spoilt.name, name)
        finally:
            shutil.rmtree(spoilt.parent)

    def whole(self, by: Random) -> None:
        """Numbers that may still be read, and what the questions make of them."""
        name = by.choice(["bench.toml", "bench.toml", *self.sweeps, *self.recordings, *self.rundowns])
        text = self.texts[name]
        for _ in range(by.randint(1, 3)):
            text = rescaled(text, by) if by.random() < 0.8 else _changed(text, by)
        (self.bench / name).write_text(text, encoding="utf-8", errors="replace")
        question = by.choice(["calibrate", "breakdown", "witnesses", "whatif", "compare", "report", "predict"])
        more = ["--like", "wide", "--at", "8", "--bore", "50 mm"] if question == "predict" else []
        try:
            self.typed_well([question, str(self.bench), "--json", *more, *QUICK], answer=True)
        finally:
            (self.bench / name).write_text(self.texts[name], encoding="utf-8")

    def command_line(self, by: Random) -> None:
        commands = typer.main.get_command(app).commands  # type: ignore[attr-defined]
        name = by.choice([*commands])
        options = [word for one in commands[name].params for word in one.opts if word.startswith("-")]
        options = [word for word in options if word not in ("--scheduler", "--demo", "--sheets")]
        words = [name]
        for _ in range(by.randint(0, 2)):
            real = [str(self.saved), str(self.bench / LOG), *([] if by.random() < 0.9 else [str(self.bench)])]
            words.append(by.choice(VALUES if name == "batch" or by.random() < 0.4 else real))
        for _ in range(by.randint(0, 4)):
            words += [by.choice(options), *[by.choice(VALUES)][: by.random() < 0.8]]
        self.typed_well(words)

    def read(self, name: str, read: Callable[[Path], object], by: Random, *more: str) -> None:
        """Spoil one file, and read it."""
        file = self.bench / name
        file.write_bytes(encoded(changed(self.texts[name], by), by))
        try:
            self.refused_or_right(lambda: read(file), name, "bench.toml", *more)
        finally:
            file.write_text(self.texts[name], encoding="utf-8")

    def typed_well(self, words: list[str], *, answer: bool = False) -> None:
        before, start = self.everything(), process_time()
        outcome = typed(*words)
        assert outcome.code in (0, 2), outcome
        assert "Traceback" not in outcome.err
        assert outcome.code == 0 or outcome.err.strip()
        assert not set("\x1b\x9b\u202e") & set(outcome.out + outcome.err)
        if outcome.code:
            assert self.everything() == before
        elif answer:
            assert outcome.json
        for made in self.everything() - before:
            shutil.rmtree(made) if made.is_dir() else made.unlink(missing_ok=True)
        self.check_cost(start, LONGEST if outcome.code else ANSWERED)

    def everything(self) -> set[Path]:
        folders = (self.bench, self.folder, self.cwd.parent, self.cwd)
        return {folder / name for folder in folders for name in listdir(folder)}  # noqa: PTH208 - thrice as fast

    def refused_or_right(self, ask: Callable[[], object], *names: str) -> None:
        """Nothing but an answer, or one message that names the file; nothing is written."""
        before, start = self.everything(), process_time()
        try:
            ask()
        except InputError as error:
            message = str(error)
            assert any(name in message for name in names), message
            assert not set("\x1b\x9b\u202e\n") & set(message), message
        assert self.everything() == before
        self.check_cost(start)

    def check_cost(self, start: float, longest: float = LONGEST) -> None:
        if self.is_timed:
            assert process_time() - start < longest
            assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss < MOST_MEMORY


def _put(data: Any, by: Random) -> None:
    """Put something else somewhere into tables and lists, or change a number."""
    while True:
        keys = list(data) if isinstance(data, dict) else list(range(len(data)))
        key = by.choice(keys)
        if not isinstance(data[key], (dict, list)) or not data[key] or by.random() < 0.1:
            break
        data = data[key]
    if isinstance(data[key], (int, float)) and abs(data[key]) < HUGE and by.random() < 0.5:
        data[key] *= by.choice(FACTORS)
    elif isinstance(data, dict) and by.random() < 0.1:
        del data[key]
    else:
        data[key] = deepcopy(by.choice(SCALARS))


SHARES = {  # of a thousand cases
    **{"toml": 200, "readings": 280, "recording": 80, "rundown": 110, "log": 140, "guess": 60},
    **{"calibration": 80, "command_line": 48, "batch": 1, "whole": 1},
}


def run(room: Room, name: str, number: int, seed: int) -> None:
    """One case of a check, the same for the same number and seed."""
    try:
        getattr(room, name)(Random(f"{name} {seed} {number}"))
    except BaseException as error:
        error.add_note(f"again by: python -m fuzz --only {name} --seed {seed} --first {number} --cases 1")
        raise


def guided(room: Room, name: str, cases: int) -> None:
    """Let atheris find bytes for the first file of a reader that lead to code not yet reached."""
    import atheris

    files = {"toml": {"bench.toml": read_config}, "readings": room.sweeps, "recording": room.recordings}
    files |= {"rundown": room.rundowns, "log": {LOG: read_log}}
    file, read = next(iter(files[name].items()))
    corpus = room.folder / "corpus"
    corpus.mkdir()
    (corpus / "0").write_text(room.texts[file], encoding="utf-8")

    def one(data: bytes) -> None:
        (room.bench / file).write_bytes(data)
        room.refused_or_right(lambda: read(room.bench / file), file)

    modules = [module for called, module in sys.modules.items() if called.startswith("driveloss.bench")]
    classes = [one for module in modules for one in vars(module).values() if isinstance(one, type)]
    inside = {one for holder in (*modules, *classes) for one in vars(holder).values() if isinstance(one, FunctionType)}
    for function in inside:
        atheris.instrument_func(function)
    atheris.Setup(["fuzz", f"-runs={cases}", "-max_len=8000", str(corpus)], one)
    atheris.Fuzz()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=3000)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--only", choices=[*SHARES])
    parser.add_argument("--guided", metavar="CHECK")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        room = Room(Path(folder))
        if given.guided:
            return guided(room, given.guided, given.cases)
        wrong = 0
        for name, share in {given.only: 1000}.items() if given.only else SHARES.items():
            start, count = perf_counter(), given.cases * share // 1000
            for number in range(given.first, given.first + count):
                try:
                    run(room, name, number, given.seed)
                except Exception:
                    traceback.print_exc()
                    wrong += 1
            memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000
            print(f"{name}: {count} cases in {perf_counter() - start:.0f} s, {memory:.0f} MB at most", flush=True)
    sys.exit(f"{wrong} cases went wrong" if wrong else 0)


if __name__ == "__main__":
    main()
