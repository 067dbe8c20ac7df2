"""Benches side by side: what they share errs alike in both, what each met by itself does not.

A power meter that reads 0.3 % high before a seal change reads 0.3 % high after it, so that error must be the same
in the same column of both benches' draws. The scatter of their readings must not be: it does not cancel on a real
bench. So the errors of equal hardware are drawn from the same streams, and everything else from each bench's own.
What nobody states is common in the same way: what is assumed of one motor is the same on both benches.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache, partial
from operator import attrgetter

import numpy as np

from driveloss.bench.records import Aftercooler, Bench, Cylinder, Recording, Rig, Rundown, Sweep
from driveloss.bench.rules import keys_of
from driveloss.breakdown.ask import Breakdown, breakdown
from driveloss.errors import InputError
from driveloss.fit import DRAWS, SEED
from driveloss.fit.calibrate import calibrate
from driveloss.fit.calibration import Calibration
from driveloss.fit.contributions import Attribution
from driveloss.fit.meters import SOURCES, Sampler
from driveloss.fit.readings import by_rung, gather

IN_CRANK = tuple(rule.field for rule in keys_of(Rig) if rule.home == "crank")


def _crank(rig: Rig) -> object:
    return tuple(getattr(rig, name) for name in IN_CRANK)


def _gas_circuit(rig: Rig) -> object:
    return rig.cycle, rig.aftercooler


OF_RIG: dict[str, Callable[[Rig], object]] = {  # what must read alike; elsewhere the key of the same name
    "crank": _crank,
    "gas circuit": _gas_circuit,
}
OF_CYLINDER: dict[str, Callable[[Cylinder], object]] = {  # the same, in cylinders of equal names
    "seal": lambda c: (c.bore, c.stroke, c.seal),
    "port": lambda c: (c.bore, c.stroke, c.open_port_diameter, c.discharge_coefficient),
}
DRIVE = ("transmission", "crank")  # another motor is taken to come with its own
SILENT_GAS = ("none", Aftercooler())  # a gas circuit of which nothing is stated: taken to come with the motor, too


@dataclass(frozen=True)
class Shared:
    """What benches have in common, as far as somebody says so; None: what reads alike in bench.toml.

    meter: the instruments. motor: the motor, and with it transmission and crank where their tables read alike.
    """

    meter: bool | None = None
    motor: bool | None = None

    def is_common(self, one: Rig, other: Rig, origin: str) -> bool:
        """Whether an origin of errors ('motor', 'cylinders.wide.bore', see fit/meters) is the same hardware on both."""
        section, *path = origin.split(".")
        if path:
            return _same_cylinder(one, other, ".".join(path[:-1]), path[-1])
        said = {"meter": self.meter, "motor": self.motor}.get(section)
        if said is not None or not section:
            return bool(said)
        follows = section in DRIVE or (section == "gas circuit" and _gas_circuit(one) == SILENT_GAS)
        return reads_alike(one, other, section) and (not follows or self.is_common(one, other, "motor"))


def reads_alike(one: Rig, other: Rig, section: str) -> bool:
    """Whether two benches state the same of a table of bench.toml, be it nothing."""
    told = OF_RIG.get(section, attrgetter(section))
    return bool(told(one) == told(other))


def _same_cylinder(one: Rig, other: Rig, name: str, part: str) -> bool:
    """Whether a dimension, port or seal of cylinders of equal names is the same; a seal only where it is described."""
    mine, theirs = one.cylinders.get(name), other.cylinders.get(name)
    if mine is None or theirs is None or (part == "seal" and not mine.seal):
        return False
    told = OF_CYLINDER.get(part, attrgetter(part))
    return bool(told(mine) == told(theirs))


@dataclass(frozen=True, eq=False)
class Subject:
    """A calibrated bench with its sweeps. `name` tells it from the others, '' where it stands alone."""

    name: str
    calibration: Calibration
    sweeps: tuple[Sweep, ...]
    recordings: tuple[Recording, ...] = ()
    shared: Shared = Shared()  # what was said of it and the benches calibrated with it
    rundowns: tuple[Rundown, ...] = ()

    @cached_property
    def breakdown(self) -> Breakdown:
        """Its loaded runs, split. Raises InputError where there are none."""
        return breakdown(self.calibration, self.sweeps, self.recordings, self.rundowns)

    def has_in_common(self, other: Subject, origin: str) -> bool:
        """Whether an origin of errors is the same hardware on another bench that was calibrated with this one."""
        return self is other or self.shared.is_common(self.calibration.rig, other.calibration.rig, origin)

    @property
    def sees_refits(self) -> bool:
        """Whether any cylinder has two no-load sweeps at one pressure, which tell how far a sweep is off as a whole."""
        swept = gather(self.calibration.rig, self.sweeps, ("no-load",))
        return any(len(set(swept.file[rows])) > 1 for _, rows in by_rung(swept))


def calibrate_together(  # noqa: PLR0913 - what a user may ask for
    benches: Sequence[Bench],
    family: str = "physical",
    *,
    draws: int = DRAWS,
    seed: int = SEED,
    same_meter: bool | None = None,
    same_motor: bool | None = None,
    active: Collection[str] = SOURCES,
    keep_all: bool = False,
) -> tuple[Subject, ...]:
    """Calibrate each bench by itself, with its own scatter. keep_all: leave no outlier out.

    same_meter, same_motor: whether all benches have them in common, see `Shared`; unless given, benches do whose
    [meter], and whose [motor], read alike. Raises InputError for no bench, for one given twice, or for readings that
    cannot be explained.
    """
    subjects, shared = [], Shared(same_meter, same_motor)
    for number, (name, bench) in enumerate(zip(_names(benches), benches, strict=True)):
        salt = partial(_hardware, shared, [one.rig for one in benches], number)
        meters = Sampler(draws, seed, active, salt).meters(bench.rig)
        own = seed if number == 0 else int(np.random.SeedSequence([seed, number]).generate_state(1)[0])
        calibration = calibrate(
            bench, family, draws=draws, seed=own, active=active, keep_all=keep_all, compare=False, meters=meters
        )
        subjects.append(Subject(name, calibration, bench.sweeps, bench.recordings, shared, bench.rundowns))
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


def _hardware(shared: Shared, rigs: Sequence[Rig], number: int, origin: str) -> int:
    """Number of the first bench with the hardware that bench `number` has at an origin of errors: see `Sampler`."""
    return next(i for i in range(number + 1) if i == number or shared.is_common(rigs[i], rigs[number], origin))


@lru_cache(maxsize=32)
def attribution(first: Subject, second: Subject) -> Attribution:
    """What a difference between two subjects comes from; remembered, as the pairs of one bench are many."""
    return Attribution(first.calibration.meters, second.calibration.meters)
