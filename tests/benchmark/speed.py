"""How quick is it? Ratios against what Python and the libraries cost by themselves, in one run on one machine.

    PYTHONPATH=tests python -m benchmark.speed [--repeats 7] [--only losses report] [--profile]

Each contender takes turns with its yardstick and the medians of processor time are divided, so a busy machine slows
both alike.
Run it where the linters are not installed: they may bring packages that slow the yardsticks. Exit code 1
where a target is missed. `--profile` adds the dearest imports and calls of each command.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from statistics import median
from time import perf_counter_ns
from typing import Any

import numpy as np

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "calib_data"
PROGRAM = "import sys; sys.argv[0] = 'driveloss'; from driveloss.cli import main; main()"
READINGS, RESAMPLES = 100, 1000
DEAREST = 15


@dataclass(frozen=True)
class Race:
    """A contender and its yardstick, each a call that does the work once; the target is a ratio of times."""

    name: str
    contender: Callable[[], object]
    yardstick: Callable[[], object]
    target: float

    def run(self, repeats: int) -> tuple[float, float]:
        """Median times of contender and yardstick, taking turns. [s]"""
        pairs = [(_seconds(self.contender), _seconds(self.yardstick)) for _ in range(repeats)]
        ours, theirs = zip(*pairs, strict=True)
        return median(ours), median(theirs)


def _seconds(work: Callable[[], object]) -> float:
    """Processor time of this process and of those that it started: others at work on the machine count less."""
    start = sum(os.times()[:4])
    work()
    return sum(os.times()[:4]) - start


def python(code: str, *words: object, flags: Sequence[str] = ()) -> subprocess.CompletedProcess[str]:
    """One piece of code in a process of its own."""
    command = [sys.executable, *flags, "-c", code, *map(str, words)]
    settings = {**os.environ, "PYTHONPATH": f"{ROOT}{os.pathsep}{ROOT / 'tests'}", "COLUMNS": "80"}
    return subprocess.run(command, env=settings, capture_output=True, text=True, check=True)


def commands(saved: Path) -> dict[str, tuple[object, ...]]:
    """The words of each command that is raced, on the demo bench."""
    room = saved.parent
    return {
        "help": ("--help",),
        "template": ("template", room / f"template-{perf_counter_ns()}"),
        "losses": ("losses", saved, "--at", "7.5"),
        "recheck": ("recheck", saved, f"no-load:wide:{DEMO / 'wide-no-load-after.csv'}"),
        "steady": ("steady", DEMO / "log.csv"),
        "saved breakdown": ("breakdown", DEMO, "--calibration", saved),
        "calibrate": ("calibrate", DEMO, "-o", room / "again.json"),
        "breakdown": ("breakdown", DEMO),
        "witnesses": ("witnesses", DEMO),
        "compare": ("compare", DEMO),
        "whatif": ("whatif", DEMO),
        "predict": ("predict", DEMO, "--like", "wide", "--bore", "50 mm", "--mean-pressure", "2 bar", "--at", "9"),
        "plan": ("plan", DEMO, "--at", "8", "--half-width", "0.3 W"),
        "batch": ("batch", DEMO, "--workers", "1"),
        "report": ("report", DEMO, "-o", room / "report.html"),
    }


NUMBERS, FITS = "import typer, numpy", "import typer, numpy, lmfit, pint"
YARDSTICKS = {  # the imports that a command cannot do without; `FITS` where none is named
    "help": "import typer",
    "template": NUMBERS,
    "losses": NUMBERS,
    "recheck": f"{NUMBERS}, pint",  # the headings of new readings have units
    "steady": f"{NUMBERS}, pint, scipy.linalg, scipy.ndimage, scipy.special",
    "saved breakdown": f"{NUMBERS}, scipy.optimize, pint",
    "report": f"{FITS}, jinja2; from benchmark.plain_figures import main; main()",
}
TARGETS = {"report": 1.5}  # times the yardstick; others 1.3


def start_up_races(saved: Path) -> list[Race]:
    """Each command against the imports that it cannot do without, the page also against bare figures."""
    return [
        Race(name, lambda name=name: python(PROGRAM, *commands(saved)[name]), _code(YARDSTICKS.get(name, FITS)), target)
        for name in commands(saved)
        for target in [TARGETS.get(name, 1.3)]
    ]


def _code(code: str) -> Callable[[], object]:
    return lambda: python(code)


def resampling_race() -> Race:
    """The joint fit's resampling against as many bare NNLS solves with as many readings and coefficients."""
    from scipy.optimize import nnls

    resample, design, readings = joint_fit()

    def bare() -> None:
        for j in range(RESAMPLES):
            nnls(design, readings[:, j])

    return Race(f"{RESAMPLES} resamples, {READINGS} readings / bare nnls", resample, bare, 10.0)


def joint_fit() -> tuple[Callable[[], object], np.ndarray, np.ndarray]:
    """Resampling of a joint fit of 100 readings; its weighted design (n, k) and as many noisy readings (n, draws)."""
    from driveloss.fit import SEED, physical
    from driveloss.fit import meters as sources

    ladder, inputs, standby = ladder_of_readings(READINGS)
    problem = physical.pose(ladder, inputs.as_stated(), standby[:1])
    sampler = sources.Sampler(RESAMPLES, SEED)

    def resample() -> object:
        return physical.fit_physical(ladder, inputs, standby, sampler)

    resample()  # its imports are the start-up races' matter
    return resample, *bare_problem(problem)


def bare_problem(problem: Any) -> tuple[np.ndarray, np.ndarray]:
    """What a draw solves at the least: all smooth laws and the chosen terms, the readings with their scatter."""
    best = problem.best.columns
    columns = [j for j, term in enumerate(problem.terms) if term.kind != "stribeck" or j in best]
    design, power = problem.design[:, columns] / problem.sigma[:, None], problem.power / problem.sigma
    scatter = np.sqrt(problem.best.rss / problem.n)
    noise = np.random.default_rng(1).standard_normal((problem.n, RESAMPLES))
    return design, power[:, None] + scatter * noise


def ladder_of_readings(count: int) -> tuple:
    """The demo bench's ladder with its first readings again at the end, `count` in all; its inputs and standby."""
    from dataclasses import replace

    from driveloss.bench.load import load_bench
    from driveloss.fit import SEED, ladder
    from driveloss.fit import meters as sources

    bench = load_bench(DEMO)
    full = ladder.build_ladder(bench)
    again = np.arange(count) % len(full.readings)
    inputs = sources.Sampler(RESAMPLES, SEED).meters(bench.rig)
    standby = np.full(inputs.size, full.standby.power.mean())
    return replace(full, readings=full.readings.only(np.sort(again))), inputs, standby


def table(races: Sequence[Race], repeats: int) -> tuple[str, bool]:
    """Ratios and verdicts as text, and whether every target was met."""
    lines, met = [f"{'':48}{'ours':>8}{'theirs':>8}{'ratio':>7}{'target':>7}"], True
    for race in races:
        ours, theirs = race.run(repeats)
        reached = ours <= race.target * theirs
        met = met and reached
        times = f"{ours * 1e3:6.0f}ms{theirs * 1e3:6.0f}ms{ours / theirs:7.2f}{race.target:7.1f}"
        lines.append(f"{race.name:48}{times}  {'met' if reached else 'missed'}")
    return "\n".join(lines), met


def dearest_imports(words: tuple[object, ...]) -> str:
    """The imports of one command that take longest by themselves."""
    rows = [line for line in python(PROGRAM, *words, flags=("-X", "importtime")).stderr.splitlines() if "|" in line]
    timed = [(int(cell), row.rsplit("|", 1)[1].strip()) for row in rows[1:] if (cell := _own(row)).isdigit()]
    return "\n".join(f"{t / 1e3:8.1f} ms  {name}" for t, name in sorted(timed, reverse=True)[:DEAREST])


def _own(row: str) -> str:
    return row.removeprefix("import time:").split("|")[0].strip()


def dearest_calls(words: tuple[object, ...]) -> str:
    """The functions of one command that take longest with all that they call."""
    code = f"""import cProfile, pstats, sys
sys.argv[0] = 'driveloss'
from driveloss.cli.app import app
spy = cProfile.Profile()
spy.runcall(app, standalone_mode=False)
pstats.Stats(spy, stream=sys.stderr).sort_stats('cumulative').print_stats('driveloss', {DEAREST})"""
    return python(code, *words).stderr.partition("Ordered by")[2]


def main() -> int:
    """Race, print, and return the exit code."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--repeats", type=int, default=7)
    parser.add_argument("--only", nargs="*", choices=commands(Path()), default=())
    parser.add_argument("--profile", action="store_true")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        saved = Path(folder) / "calibration.json"
        python(PROGRAM, "calibrate", DEMO, "-o", saved)
        races = [race for race in start_up_races(saved) if race.name in (options.only or race.name)]
        text, met = table([*races, *([] if options.only else [resampling_race()])], options.repeats)
        print(text)
        for name, words in commands(saved).items() if options.profile else ():
            print(f"\n{name}: imports\n{dearest_imports(words)}\n{name}: calls\n{dearest_calls(words)}")
    return 0 if met else 1


if __name__ == "__main__":
    sys.exit(main())
