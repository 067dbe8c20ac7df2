"""Does `recheck` call unchanged machines changed as often as it says, however many rungs are measured again?

Random simulated benches are written with every second set point of their tear-down read once more in files of their
own; the ladder is calibrated without these, and rechecked with one, two, three and all of their rungs. In tests/:

    python -m benchmark.false_alarms --benches 400 --draws 400 [--first 0]
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from simulate import Protocol, random_bench, write_bench
from simulate.rig import perturb

import driveloss
from driveloss.bench.records import Sweep
from driveloss.errors import InputError
from driveloss.fit.calibration import Calibration

AGAIN = "again-"
RUNGS = {
    "one": ("no-load",),
    "two": ("piston-disconnected", "no-load"),
    "three": ("motor-alone", "piston-disconnected", "no-load"),
}


def with_readings_again(protocol: Protocol) -> Protocol:
    """The same bench with half of every rung read again, after the first tear-down."""
    again = [
        replace(s, file=AGAIN + s.file, frequencies=s.frequencies[::2]) for s in protocol.sweeps if s.stage != "loaded"
    ]
    return replace(protocol, sweeps=(*protocol.sweeps, *again))


def rechecked(seed: int, draws: int) -> tuple[Calibration, list[Sweep]] | None:
    """A random bench calibrated, and its readings again; None where it is refused."""
    rng = np.random.default_rng([91, seed])
    stated, protocol = random_bench(rng)
    protocol = with_readings_again(protocol)
    with tempfile.TemporaryDirectory() as folder:
        write_bench(Path(folder), perturb(stated, protocol.limits, rng), protocol, rng, stated=stated)
        try:
            bench = driveloss.load_bench(folder)
            ladder = [s for s in bench.sweeps if not s.file.startswith(AGAIN)]
            calibration = driveloss.calibrate(replace(bench, sweeps=tuple(ladder)), draws=draws, compare=False)
        except InputError:
            return None
    return calibration, [s for s in bench.sweeps if s.file.startswith(AGAIN)]


def choices(again: Sequence[Sweep]) -> Iterator[tuple[str, list[Sweep]]]:
    """Rungs to recheck with: of the first no-load sweep, and below it, as many as there are; and all of them."""
    first = next(s for s in again if s.stage == "no-load")
    for name, stages in RUNGS.items():
        chosen = [s for s in again if s.stage in stages and (s.stage != "no-load" or s is first)]
        if len(chosen) == len(stages):
            yield name, chosen
    yield "all", list(again)


def main(arguments: Sequence[str] | None = None) -> None:
    """Print the share of rechecks with a false alarm, and those that call a calibration no longer valid."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--benches", type=int, default=400)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--draws", type=int, default=400)
    options = parser.parse_args(arguments)
    alarms: dict[str, list[tuple[bool, bool]]] = {}
    for seed in range(options.first, options.first + options.benches):
        found = rechecked(seed, options.draws)
        for name, sweeps in choices(found[1]) if found else ():
            answer = driveloss.recheck(found[0], sweeps)
            changed = any(c.verdict == "changed" for c in answer.changes)
            alarms.setdefault(name, []).append((changed, answer.still_valid is False))
    print("rungs  rechecks  called changed [%]  called no longer valid [%]")
    for name, rows in alarms.items():
        changed, invalid = 100 * np.mean(rows, axis=0)
        print(f"{name:6} {len(rows):8} {changed:19.1f} {invalid:27.1f}")


if __name__ == "__main__":
    main()
