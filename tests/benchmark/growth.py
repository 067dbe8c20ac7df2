"""How does the time of each command grow with the bench, and how much memory does it take?

    PYTHONPATH=tests python -m benchmark.growth [--cylinders 2 6 10 20 50] [--rungs 2 6 20 60] [--only plan ...]

Benches of n cylinders, whose seals differ, then benches of one cylinder swept without load at n pressures. Each command
is a process of its own; counted is its processor time less that of the imports it cannot do without. `power` is the
exponent of that time between one count and the next: 1 is linear. Exit code 1 where it passes 1.3.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from math import log
from pathlib import Path

import numpy as np
from compare.machines import DRAGGING, FREQUENCIES, SHARED_GAIN, TRUTH, bench
from simulate import SealLaw, ladder

from benchmark.speed import PROGRAM, ROOT

STEEPEST = 1.3
FITTING, READING = "import lmfit, pint, typer", "import numpy, typer"
LIGHT = ("recheck", "losses")  # read a saved calibration, and fit nothing
LOADED = 3  # pressures at most at which a bench of many is run under load


@dataclass(frozen=True)
class Cost:
    """Of one process."""

    seconds: float  # processor time
    memory: float  # [MB] at its highest


def of_cylinders(folder: Path, count: int) -> Path:
    """A bench of `count` cylinders, a sweep without load and one under load each."""
    rng = np.random.default_rng(count)
    seals = [SealLaw(coulomb=12.0 * a, viscous=2.0 * b) for a, b in rng.uniform(0.6, 1.4, (count, 2))]
    cylinders = tuple(replace(DRAGGING, name=f"c{number}", seal=seal) for number, seal in enumerate(seals))
    truth = replace(TRUTH, cylinders=cylinders)
    bench(folder, truth, limits=SHARED_GAIN, sweeps=ladder(truth, FREQUENCIES, repeats=2))
    return folder


def of_rungs(folder: Path, count: int) -> Path:
    """A bench of one cylinder swept without load at `count` pressures, under load at a few of them."""
    pressed = replace(DRAGGING, name="c0", seal=SealLaw(coulomb=12.0, viscous=2.0, energised=2e-5))
    truth = replace(TRUTH, cylinders=(pressed,))
    every = ladder(truth, FREQUENCIES, np.linspace(1e5, 4e5, count), repeats=2)
    loaded = [sweep for sweep in every if sweep.stage == "loaded"]
    bench(folder, truth, limits=SHARED_GAIN, sweeps=tuple(s for s in every if s not in loaded[LOADED:]))
    return folder


def commands(folder: Path, saved: Path) -> dict[str, tuple[object, ...]]:
    """The words of each; `calibrate` first, since others go on from what it saves."""
    again = [f"no-load:{path.name.split('-')[0]}:{path}" for path in sorted(folder.glob("*-no-load-*.csv"))]
    return {
        "calibrate": ("calibrate", folder, "-o", saved, "--force"),
        "breakdown": ("breakdown", folder, "--budget"),
        "plan": ("plan", folder, "--at", 8, "--half-width", "0.5 W"),
        "recheck": ("recheck", saved, *again, "--mean-pressure", "1.01325 bar"),
        "compare": ("compare", folder),
        "whatif": ("whatif", folder),
        "predict": ("predict", folder, "--bore", "50 mm", "--at", 9, "--mean-pressure", "1.01325 bar"),
        "witnesses": ("witnesses", folder),
        "losses": ("losses", saved, "--at", 8),
        "report": ("report", folder, "-o", folder / "report.html", "--force"),
    }


def cost(code: str, words: Sequence[object] = ()) -> Cost:
    """Run one piece of code in a process of its own."""
    settings = {**os.environ, "PYTHONPATH": str(ROOT), "COLUMNS": "80", "OPENBLAS_NUM_THREADS": "1"}
    command = [sys.executable, "-c", code, *map(str, words)]
    with tempfile.TemporaryFile() as told:
        silent = [(os.POSIX_SPAWN_DUP2, told.fileno(), number) for number in (1, 2)]
        pid = os.posix_spawn(sys.executable, command, settings, file_actions=silent)
        _, status, used = os.wait4(pid, 0)
        if status:
            told.seek(0)
            raise SystemExit(f"{' '.join(map(str, words))}: {told.read().decode()[-2000:]}")
    return Cost(used.ru_utime + used.ru_stime, used.ru_maxrss / 1024)


def exponents(counts: Sequence[int], costs: Sequence[Cost], idle: float) -> list[float]:
    """Of the time beyond start-up `idle` [s], from each count to the next."""
    own = [max(cost.seconds - idle, 0.01) for cost in costs]
    return [log(b / a) / log(n / m) for (m, n), (a, b) in zip(pairwise(counts), pairwise(own), strict=True)]


def table(name: str, folders: dict[int, Path], only: Sequence[str]) -> bool:
    """Print a row a command; whether none is too steep."""
    start_up, met = {light: cost(READING if light else FITTING).seconds for light in (False, True)}, True
    print(f"{name:12}{''.join(f'{count:>10}' for count in folders)}   power", flush=True)
    for command in dict.fromkeys(("calibrate", *(only or commands(Path(), Path())))):
        costs = []
        for folder in folders.values():
            costs.append(cost(PROGRAM, commands(folder, folder / "calibration.json")[command]))
        idle = start_up[command in LIGHT]
        powers = exponents(list(folders), costs, idle)
        met = met and max(powers, default=0.0) <= STEEPEST
        verdict = "met" if max(powers, default=0.0) <= STEEPEST else "missed"
        times = "".join(f"{one.seconds - idle:8.1f} s" for one in costs)
        print(f"{command:12}{times}   {' '.join(f'{p:.2f}' for p in powers)}  {verdict}", flush=True)
        print(f"{'':12}{''.join(f'{one.memory:7.0f} MB' for one in costs)}", flush=True)
    return met


def main() -> int:
    """Write the benches, time every command, and return the exit code."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--cylinders", type=int, nargs="*", default=(2, 6, 10, 20, 50))
    parser.add_argument("--rungs", type=int, nargs="*", default=(2, 6, 20, 60))
    parser.add_argument("--only", nargs="*", choices=commands(Path(), Path()), default=())
    options = parser.parse_args()
    met = True
    with tempfile.TemporaryDirectory() as room:
        for name, make, counts in (
            ("cylinders", of_cylinders, options.cylinders),
            ("rungs", of_rungs, options.rungs),
        ):
            folders = {count: make(Path(room) / f"{name}-{count}", count) for count in counts}
            met = met and (not counts or table(name, folders, options.only))
    return 0 if met else 1


if __name__ == "__main__":
    sys.exit(main())
