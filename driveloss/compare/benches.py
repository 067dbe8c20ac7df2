"""Benches side by side: what they share errs alike in both, what each met by itself does not.

A power meter that reads 0.3 % high before a seal change reads 0.3 % high after it, so that error must be the same
in the same column of both benches' draws. The scatter of their readings must not be: it does not cancel on a real
bench. So the errors of equal hardware are drawn from the same streams, and everything else from each bench's own.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from functools import lru_cache, partial

import numpy as np

from driveloss.bench.records import Bench, Rig, Sweep
from driveloss.errors import InputError
from driveloss.fit import DRAWS, SEED
from driveloss.fit.calibrate import calibrate
from driveloss.fit.calibration import Calibration
from driveloss.fit.contributions import Attribution
from driveloss.fit.meters import SOURCES, Sampler

SECTIONS = ("meter", "motor", "transmission", "aftercooler")  # of bench.toml: where they read alike, the same hardware


@dataclass(frozen=True, eq=False)
class Subject:
    """A calibrated bench with its sweeps. `name` tells it from the others, '' where it stands alone."""

    name: str
    calibration: Calibration
    sweeps: tuple[Sweep, ...]
    independent: bool = False  # nothing is shared with another bench, however alike they read


def calibrate_together(  # noqa: PLR0913 - what a user may ask for
    benches: Sequence[Bench],
    family: str = "physical",
    *,
    draws: int = DRAWS,
    seed: int = SEED,
    independent: bool = False,
    active: Collection[str] = SOURCES,
    keep_all: bool = False,
) -> tuple[Subject, ...]:
    """Calibrate each bench by itself, with its own scatter. keep_all: leave no outlier out.

    Raises InputError for no bench, for one given twice, or for readings that cannot be explained.
    """
    subjects = []
    for number, (name, bench) in enumerate(zip(_names(benches), benches, strict=True)):
        salt = partial(_hardware, [one.rig for one in benches], number, independent=independent)
        meters = Sampler(draws, seed, active, salt).meters(bench.rig)
        own = seed if number == 0 else int(np.random.SeedSequence([seed, number]).generate_state(1)[0])
        calibration = calibrate(
            bench, family, draws=draws, seed=own, active=active, keep_all=keep_all, compare=False, meters=meters
        )
        subjects.append(Subject(name, calibration, bench.sweeps, independent))
    return tuple(subjects)


def _names(benches: Sequence[Bench]) -> list[str]:
    """The folders' names, with their parents' where they would be alike; '' for a single bench."""
    folders = [bench.folder.resolve() for bench in benches]
    if not folders:
        raise InputError("nothing to compare: expected at least one bench")
    for number, folder in enumerate(folders):
        if folder in folders[:number]:
            raise InputError(f"{folder}: given twice, expected different benches")
    if len(folders) == 1:
        return [""]
    names, depth = [folder.name for folder in folders], 1
    while len(set(names)) < len(names):
        depth += 1
        names = ["/".join(folder.parts[-depth:]) for folder in folders]
    return names


def _hardware(rigs: Sequence[Rig], number: int, origin: str, *, independent: bool) -> int:
    """Number of the first bench with the hardware that bench `number` has at an origin of errors: see `Sampler`."""
    if independent or not origin:
        return number
    mine = _at(rigs[number], origin)
    return next(i for i, rig in enumerate(rigs) if i == number or _at(rig, origin) == mine)


def _at(rig: Rig, origin: str) -> object:
    """A section of bench.toml, or a dimension of a cylinder; None where there is no such cylinder."""
    section, *path = origin.split(".")
    if not path:
        return getattr(rig, section)
    cylinder = rig.cylinders.get(".".join(path[:-1]))
    return None if cylinder is None else getattr(cylinder, path[-1])


@lru_cache(maxsize=32)
def attribution(first: Subject, second: Subject) -> Attribution:
    """What a difference between two subjects comes from; remembered, as the pairs of one bench are many."""
    return Attribution(first.calibration.meters, second.calibration.meters)


def shared_sections(first: Subject, second: Subject) -> tuple[str, ...]:
    """Sections of bench.toml that read the same in both, and so count as the same hardware."""
    if first.independent or second.independent:
        return ()
    one, other = first.calibration.rig, second.calibration.rig
    return tuple(section for section in SECTIONS if getattr(one, section) == getattr(other, section))
