"""Benches side by side: what they share errs alike in both, what each met by itself does not.

A power meter that reads 0.3 % high before a seal change reads 0.3 % high after it, so that error must be the same
in the same column of both benches' draws. The scatter of their readings must not be: with one seed for both it
would cancel in the difference, which it does not do on a real bench. So each bench is calibrated with a seed of its
own, and in a difference the second bench's effect of the shared errors is exchanged for that of the first one's.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from driveloss.bench.records import Bench, FloatArray, Sweep
from driveloss.errors import InputError
from driveloss.fit.calibrate import calibrate
from driveloss.fit.calibration import DRAWS, SEED, Calibration
from driveloss.fit.meters import SOURCES

SHARED = {  # section of bench.toml -> the draws that belong to it
    "meter": (
        *("power_gain", "power_zero", "voltage_gain", "voltage_zero", "current_gain", "current_zero"),
        *("pressure_gain", "pressure_zero", "temperature_shift", "frequency_gain", "frequency_zero"),
    ),
    "motor": ("resistance", "torque_constant", "form_factor", "incremental_efficiency"),
    "transmission": ("ratio", "efficiency"),
    "aftercooler": ("seal_heat_share",),
}


@dataclass(frozen=True)
class Subject:
    """A calibrated bench with its sweeps. `name` tells it from the others, '' where it stands alone."""

    name: str
    calibration: Calibration
    sweeps: tuple[Sweep, ...]
    notices: tuple[str, ...] = ()
    independent: bool = False  # nothing is shared with another bench, however alike they read


def calibrate_together(
    benches: Sequence[Bench],
    family: str = "physical",
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
        own = seed if number == 0 else int(np.random.SeedSequence([seed, number]).generate_state(1)[0])
        calibration = calibrate(bench, family, draws, own, active, keep_all, compare=False)
        subjects.append(Subject(name, calibration, bench.sweeps, bench.notices, independent))
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


def shared_sections(first: Subject, second: Subject) -> tuple[str, ...]:
    """Sections of bench.toml that read the same in both, and so count as the same hardware."""
    if first is second or first.independent or second.independent:
        return ()
    one, other = first.calibration.rig, second.calibration.rig
    return tuple(section for section in SHARED if getattr(one, section) == getattr(other, section))


def shared_draws(first: Subject, second: Subject) -> list[tuple[FloatArray, FloatArray]]:
    """Draws of the same error in both, (1 + draws,) each: of equal sections, and of equally named cylinders."""
    one, other = first.calibration, second.calibration
    names = [name for section in shared_sections(first, second) for name in SHARED[section]]
    pairs = [(getattr(one.inputs, name), getattr(other.inputs, name)) for name in names]
    if first is second or first.independent or second.independent:
        return pairs
    for name in sorted(one.rig.cylinders.keys() & other.rig.cylinders.keys()):
        ours, theirs = one.rig.cylinders[name], other.rig.cylinders[name]
        here, there = one.inputs.cylinders[name], other.inputs.cylinders[name]
        pairs += [(here[key], there[key]) for key in here if getattr(ours, key) == getattr(theirs, key)]
    return pairs


def with_shared_errors(
    first: Subject, second: Subject, draws: FloatArray, more: Iterable[tuple[FloatArray, FloatArray]] = ()
) -> FloatArray:
    """The second bench's draws (1 + draws,) as they would be with the first one's shared errors in the same column.

    The effect of each error is found by regression on the draws themselves, so it is taken as linear; limits of
    error of a few per cent are. The best estimate, where no error is at work, stays as it is.
    more: further errors that are the same in both, as pairs of draws.
    """
    pairs = [*shared_draws(first, second), *more]
    varying = [(ours, theirs) for ours, theirs in pairs if np.ptp(theirs) > 0 and np.ptp(ours) > 0]
    if first is second or not varying:
        return draws
    mine = np.array([theirs - theirs[0] for _, theirs in varying]).T
    wanted = np.array([ours - ours[0] for ours, _ in varying]).T
    scale = mine[1:].std(axis=0)
    centred = mine[1:] - mine[1:].mean(axis=0)
    effect = np.linalg.lstsq(centred / scale, draws[1:] - draws[1:].mean(), rcond=None)[0]
    return np.asarray(draws + (wanted - mine) / scale @ effect)
