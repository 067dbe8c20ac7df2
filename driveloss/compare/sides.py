"""What a comparison sets side by side: every cylinder at the pressures it was turned at, and every loaded sweep."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace

import numpy as np

from driveloss.bench.records import Cylinder
from driveloss.breakdown.ask import Breakdown
from driveloss.compare.benches import Subject
from driveloss.compare.sweep_curves import Curve, sweep_curves
from driveloss.fit.calibration import EDGE
from driveloss.fit.checks import positive
from driveloss.fit.meters import CylinderDraws, stream
from driveloss.fit.readings import SAME_PRESSURE, pressure_groups
from driveloss.losses.no_load import no_load_flags
from driveloss.physics.arrays import Mask
from driveloss.physics.crank import mean_piston_speed
from driveloss.say.numbers import bar

SAME_SIZE = 1e-6  # relative
FREQUENCIES = 3


@dataclass(frozen=True, repr=False)
class Entry:
    """One column of the comparison: a cylinder at a mean pressure on a bench."""

    subject: Subject
    cylinder: str
    mean_pressure: float  # [Pa]
    low: float  # [Hz] where it was measured
    high: float  # [Hz]
    flags: tuple[str, ...] = ()
    file: str | None = None  # of a loaded sweep; None for no-load losses
    runs: int = 0
    curves: dict[str, Curve] = field(default_factory=dict)
    shows_file: bool = False  # where labels would be alike without

    def __repr__(self) -> str:
        return f"Entry({self.label!r})"

    @property
    def label(self) -> str:
        """Bench, cylinder, pressure and file, as far as they are needed to tell entries apart."""
        return " ".join(self._between_bench_and_file(f"{self.cylinder} at {bar(self.mean_pressure)} bar"))

    @property
    def lines(self) -> tuple[str, ...]:
        """The same one below the other."""
        return self._between_bench_and_file(self.cylinder, f"{bar(self.mean_pressure)} bar")

    def _between_bench_and_file(self, *words: str) -> tuple[str, ...]:
        bench = (f"{self.subject.name}:",) if self.subject.name else ()
        return (*bench, *words, *((f"({self.file})",) if self.shows_file else ()))

    @property
    def stated(self) -> Cylinder:
        """The cylinder as bench.toml has it."""
        return self.subject.calibration.rig.cylinders[self.cylinder]

    @property
    def drawn(self) -> CylinderDraws:
        """Its dimensions as they are drawn, (1 + draws,) each."""
        return self.subject.calibration.meters.cylinders[self.cylinder]

    def piston_speed(self, frequency: float) -> float:
        """Mean piston speed 2 S f [m/s] at a frequency [Hz]."""
        return float(mean_piston_speed(frequency, self.stated.stroke.value))

    def frequency_at(self, piston_speed: float) -> float:
        """The frequency [Hz] of a mean piston speed [m/s]."""
        return piston_speed / (2 * self.stated.stroke.value)

    def covers(self, frequency: float) -> bool:
        """Whether it was measured about a frequency [Hz]."""
        return self.low * (1 - EDGE) <= frequency <= self.high * (1 + EDGE)


def no_load_entries(subject: Subject) -> Iterable[Entry]:
    """One entry a cylinder and pressure of its no-load sweeps."""
    calibration = subject.calibration
    for name, span in calibration.ranges.items():
        low, high = max(span.low, calibration.drive_range.low), min(span.high, calibration.drive_range.high)
        for pressure in span.pressures:
            yield Entry(subject, name, pressure, low, high, no_load_flags(calibration, name, pressure))


def loaded_entries(subject: Subject) -> Iterable[Entry]:
    """One entry a loaded file and mean pressure, in the order of the files."""
    if not any(sweep.stage == "loaded" for sweep in subject.sweeps):
        return
    split = subject.breakdown
    rng = stream(subject.calibration.seed, "loaded curves")
    readings = split.readings
    for file in dict.fromkeys(readings.file):
        here = np.flatnonzero(readings.file == file)
        groups = pressure_groups(readings.mean_pressure[here])
        for group in np.unique(groups):
            mine = np.zeros(len(readings), dtype=bool)
            mine[here[groups == group]] = True
            yield _loaded_entry(subject, split, mine, rng)


def _loaded_entry(subject: Subject, split: Breakdown, mine: Mask, rng: np.random.Generator) -> Entry:
    runs = split.readings.only(mine)
    name, pressure = str(runs.cylinder[0]), float(runs.mean_pressure.mean())
    span = float(runs.frequency.min()), float(runs.frequency.max())
    flags = tuple(dict.fromkeys(code for i in np.flatnonzero(mine) for code in split.flags[i]))
    curves = sweep_curves(split, mine, rng)
    return Entry(subject, name, pressure, *span, flags, str(runs.file[0]), len(runs), curves)


def distinct(entries: Iterable[Entry]) -> tuple[Entry, ...]:
    """Entries with the file added to labels that would be alike."""
    entries = tuple(entries)
    labels = [entry.label for entry in entries]
    return tuple(replace(entry, shows_file=labels.count(entry.label) > 1) for entry in entries)


def same_seal(first: Entry, second: Entry) -> bool:
    """Whether one seal dragged in both, in the runs and in the no-load sweeps alike: at equal mean pressures."""
    if first.cylinder != second.cylinder or not first.subject.has_in_common(
        second.subject, f"cylinders.{first.cylinder}.seal"
    ):
        return False
    swept = [entry.subject.calibration.ranges[entry.cylinder].pressures for entry in (first, second)]
    pairs = ((first.mean_pressure, second.mean_pressure), (swept[0][0], swept[1][0]), (swept[0][-1], swept[1][-1]))
    return all(same_pressure(*pair) for pair in pairs)


def same_pressure(mine: float, other: float) -> bool:
    """Whether two mean pressures are alike. [Pa]"""
    return abs(mine - other) <= SAME_PRESSURE * mine


def chosen_frequencies(given: Iterable[float] | None, entries: tuple[Entry, ...]) -> tuple[tuple[float, ...], bool]:
    """The frequencies asked for, else three across what all entries have in common (across everything if nothing)."""
    if given is not None:
        return tuple(positive(frequency, "Hz", "frequency") for frequency in given), True
    low, high = max(e.low for e in entries), min(e.high for e in entries)
    common = low < high
    if not common:
        low, high = min(e.low for e in entries), max(e.high for e in entries)
    return tuple(float(f"{f:.3g}") for f in np.linspace(low, high, FREQUENCIES)), common


def common_speeds(entries: tuple[Entry, ...]) -> tuple[float, ...]:
    """Three mean piston speeds across those common to all; none where strokes are equal. [m/s]"""
    strokes = [entry.stated.stroke.value for entry in entries]
    if max(strokes) - min(strokes) <= SAME_SIZE * max(strokes):
        return ()
    low, high = max(e.piston_speed(e.low) for e in entries), min(e.piston_speed(e.high) for e in entries)
    return tuple(float(f"{v:.3g}") for v in np.linspace(low, high, FREQUENCIES)) if low < high else ()
