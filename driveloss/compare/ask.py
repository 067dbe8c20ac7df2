"""Cylinders, seals, pressures and benches side by side: losses, loaded runs, and what their differences say.

All draws of one bench, and of benches calibrated together, are joint: a column holds the same error of the same
meter everywhere. Differences are therefore taken draw by draw, and what both sides share cancels by itself.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import combinations
from typing import ClassVar

import numpy as np

from driveloss.bench.records import Bench, FloatArray
from driveloss.compare.benches import Subject, attribution, calibrate_together
from driveloss.compare.sides import (
    SAME_SIZE,
    Entry,
    chosen_frequencies,
    common_speeds,
    distinct,
    inside,
    loaded_entries,
    no_load_entries,
)
from driveloss.compare.verdict import NO_COMMON_GROUND, OPEN, Verdict, judge
from driveloss.errors import InputError
from driveloss.fit.checks import positive
from driveloss.fit.estimate import COVERAGE, Estimate, estimate
from driveloss.losses.ask import no_load_draws, no_load_flags
from driveloss.physics import ceilings, seal
from driveloss.physics.crank import mean_piston_speed
from driveloss.say.answer import Answer
from driveloss.say.flags import FLAGS

FRICTION_QUESTIONS = {  # and the quantity that should be small
    "seal-power": "seal",
    "lip-force": "lip_force",
    "friction-mep": "friction_mean_effective_pressure",
}


@dataclass(frozen=True, repr=False)
class Standing:
    """One entry at one frequency. `draws` by name, (1 + draws,) each, SI; nan where not determinable."""

    entry: Entry
    frequency: float  # [Hz]
    draws: dict[str, FloatArray]
    flags: tuple[str, ...]

    def __repr__(self) -> str:
        return f"Standing({self.entry.label!r}, {self.frequency:g} Hz)"

    @property
    def piston_speed(self) -> float:
        """Mean piston speed 2 S f [m/s]."""
        return float(mean_piston_speed(self.frequency, self.entry.stroke))

    @cached_property
    def parts(self) -> dict[str, Estimate | None]:
        """Estimates by name."""
        meters = self.entry.subject.calibration.meters
        return {name: estimate(draws, meters) for name, draws in self.draws.items()}


@dataclass(frozen=True, repr=False)
class Difference:
    """First less second of something that should be small, at an equal level of something else."""

    question: str  # 'seal-power', 'lip-force', 'friction-mep', 'input-at-net', 'input-at-drop'
    equal: str  # 'frequency' [Hz], 'piston speed' [m/s], 'net power' [W], 'drop' [K]
    first: Entry
    second: Entry
    level: float | None  # None without common ground
    draws: FloatArray | None  # (1 + draws,)
    first_value: Estimate | None
    second_value: Estimate | None
    difference: Estimate | None
    verdict: Verdict
    spans: tuple[tuple[float, float], tuple[float, float]] | None = None  # what each covers of the equal thing
    obstacle: str | None = None  # why there is no difference
    frequencies: tuple[float, float] | None = None  # [Hz] where each is at that level

    def __repr__(self) -> str:
        return f"Difference({self.question}, {self.first.label!r} less {self.second.label!r}: {self.verdict.word})"

    @property
    def of(self) -> str:
        """The quantity that should be small."""
        return FRICTION_QUESTIONS.get(self.question, "input")


@dataclass(frozen=True, repr=False)
class Comparison(Answer):
    """Everything side by side. Rows at equal piston speed are there where strokes differ."""

    subjects: tuple[Subject, ...]
    no_load: tuple[Entry, ...]
    loaded: tuple[Entry, ...]
    frequencies: tuple[float, ...]
    losses: tuple[Standing, ...]
    losses_at_speed: tuple[Standing, ...]
    loaded_rows: tuple[Standing, ...]
    differences: tuple[Difference, ...]
    common_range: bool  # whether the default frequencies lie in every entry's range
    coverage: float = COVERAGE
    told_by: ClassVar[str] = "driveloss.compare.tell:comparison"
    lists: ClassVar[tuple[str, ...]] = ("losses", "loaded")

    def __repr__(self) -> str:
        return f"Comparison({len(self.no_load)} seals without load, {len(self.loaded)} loaded sweeps)"


def compare(
    benches: Sequence[Bench | Subject],
    frequencies: Iterable[float] | None = None,
    net: float | None = None,
    drop: float | None = None,
    independent: bool = False,
) -> Comparison:
    """Put every cylinder and every loaded sweep side by side.

    benches: calibrated together with the defaults, or Subjects that `calibrate_together` made. frequencies [Hz]:
    three across the range common to all unless given. net [W], drop [K] below ambient: levels to compare input power
    at, the middle of what both of a pair cover unless given. independent: as for `calibrate_together`.
    Raises InputError for a frequency or level that makes no sense, or a bench that cannot be calibrated.
    """
    subjects = _subjects(benches, independent)
    no_load = tuple(entry for subject in subjects for entry in no_load_entries(subject))
    loaded = distinct(tuple(entry for subject in subjects for entry in loaded_entries(subject)))
    at, common = chosen_frequencies(frequencies, (*no_load, *loaded))
    _check_levels(net, drop)
    losses = tuple(_loss_row(entry, f) for f in at for entry in no_load)
    at_speed = tuple(_loss_row(entry, v / (2 * entry.stroke)) for v in common_speeds(no_load) for entry in no_load)
    differences = (
        *_friction_differences(losses, "frequency", len(no_load)),
        *_friction_differences(at_speed, "piston speed", len(no_load)),
        *(_input_difference("input-at-net", a, b, net) for a, b in combinations(loaded, 2)),
        *(_input_difference("input-at-drop", a, b, drop) for a, b in combinations(loaded, 2)),
    )
    rows = tuple(_loaded_row(e, f) for f in at for e in loaded if e.curves and inside(e, f))
    return Comparison(subjects, no_load, loaded, at, losses, at_speed, rows, differences, common)


def _subjects(benches: Sequence[Bench | Subject], independent: bool) -> tuple[Subject, ...]:
    bare = [bench for bench in benches if isinstance(bench, Bench)]
    ready = tuple(bench for bench in benches if isinstance(bench, Subject))
    if bare and ready:
        raise InputError("expected benches, or benches calibrated together: got some of both")
    if len({subject.calibration.draws for subject in ready}) > 1:
        raise InputError("calibrations to compare: expected the same number of draws in each")
    subjects = ready or calibrate_together(bare, independent=independent)
    for subject in subjects:
        if not subject.calibration.ranges:
            folder = f"{subject.name}/" if subject.name else ""
            raise InputError(
                f"{folder}bench.toml, [[sweeps]]: no cylinder has a no-load sweep, expected one at least to compare"
            )
    return subjects


def _check_levels(net: float | None, drop: float | None) -> None:
    for name, level, unit in (("net power", net, "W"), ("temperature drop", drop, "K")):
        if level is not None:
            positive(level, unit, name)


# --- rows -------------------------------------------------------------------------------------------------------


def _loss_row(entry: Entry, frequency: float) -> Standing:
    """No-load losses with every way of stating the seal's friction, at a true frequency [Hz]."""
    calibration, name = entry.subject.calibration, entry.cylinder
    parts = no_load_draws(calibration, np.array([frequency]), name, np.array([entry.mean_pressure]))
    friction, total = parts["seal"], parts["total"]
    power, bore, stroke = friction[0], entry.geometry("bore"), entry.geometry("stroke")
    force = seal.mean_friction_force(power, frequency, stroke)
    draws = {
        "seal": power,
        "seal_force": force,
        "lip_force": seal.friction_per_lip_length(force, bore),
        "friction_mean_effective_pressure": seal.friction_mean_effective_pressure(power, frequency, bore, stroke),
        "share_of_input": power / total[0],
        "total": total[0],
    }
    return Standing(entry, frequency, draws, no_load_flags(calibration, frequency, name, entry.mean_pressure))


def _loaded_row(entry: Entry, frequency: float) -> Standing:
    """A loaded sweep's curves at a true frequency inside it [Hz], and the ratios that they give."""
    meters = entry.subject.calibration.meters
    shown = frequency * (2 - meters.frequency_gain) - meters.frequency_zero  # by the meter, which misreads
    at = {name: curve.at(shown) for name, curve in entry.curves.items()}
    unknown = np.full_like(at["input"], np.nan)
    drop = at.get("below_ambient", unknown)
    pressure = entry.mean_pressure * meters.pressure_gain + meters.pressure_zero
    bore, stroke = entry.geometry("bore"), entry.geometry("stroke")
    draws = {
        "input": at["input"],
        "pneumatic": at["pneumatic"],
        "seal": at["seal"],
        "efficiency_ceiling": ceilings.efficiency_ceiling(at["pneumatic"], at["input"]),
        "aftercooler_heat": at["aftercooler_heat"],
        "friction_heat": at["friction_heat"],
        "below_ambient": drop,
        "hot_to_cold": at.get("hot_to_cold", unknown),
        "below_ambient_per_net": drop / np.where(at["pneumatic"] > 0, at["pneumatic"], np.nan),
        "below_ambient_per_input": drop / at["input"],
        "cycle_work_ratio": ceilings.cycle_work_ratio(at["pneumatic"], frequency, pressure, bore, stroke),
    }
    return Standing(entry, frequency, draws, entry.flags)


# --- differences ------------------------------------------------------------------------------------------------


def _friction_differences(rows: tuple[Standing, ...], equal: str, together: int) -> Iterable[Difference]:
    """Seal friction of every pair of rows that stand at the same frequency or speed; `together` rows each."""
    for start in range(0, len(rows), together or 1):
        for question, name in FRICTION_QUESTIONS.items():
            for first, second in combinations(rows[start : start + together], 2):
                yield _friction_difference(question, name, equal, first, second)


def _friction_difference(question: str, name: str, equal: str, first: Standing, second: Standing) -> Difference:
    subjects = first.entry.subject, second.entry.subject
    draws = first.draws[name] - second.draws[name]
    flags = _biases(first.entry, second.entry)
    found, verdict = judge(draws, attribution(*subjects), *flags)
    level = first.frequency if equal == "frequency" else float(f"{first.piston_speed:.6g}")
    values = first.parts[name], second.parts[name]
    return Difference(question, equal, first.entry, second.entry, level, draws, *values, found, verdict)


SAME_ON_BOTH = ("load-loss-unknown", "winding-temperature-assumed")  # one motor, about the same load
LEVELS: dict[str, tuple[str, str]] = {  # question -> curve and name of the thing that is equal
    "input-at-net": ("pneumatic", "net power"),
    "input-at-drop": ("below_ambient", "drop"),
}


def _input_difference(question: str, first: Entry, second: Entry, level: float | None) -> Difference:
    """Input power at the same net power or the same drop, each within what was measured."""
    name, equal = LEVELS[question]
    none = _without(question, equal, first, second)
    for entry in (first, second):
        if not entry.curves:
            return none(f"{entry.label} has {entry.runs} runs, expected at least three frequencies")
        if name not in entry.curves:
            return none(f"{entry.label} has no cold-end readings at three frequencies or more")
        if not entry.curves[name].is_steady:
            return none(f"the {equal} of {entry.label} does not change steadily with frequency")
    spans = first.curves[name].span, second.curves[name].span
    low, high = max(spans[0][0], spans[1][0]), min(spans[0][1], spans[1][1])
    chosen = (low + high) / 2 if level is None else level
    if low >= high or not low <= chosen <= high:
        return none("range", spans, level)
    return _at_level(question, equal, name, first, second, chosen, spans)


def _at_level(
    question: str,
    equal: str,
    name: str,
    first: Entry,
    second: Entry,
    level: float,
    spans: tuple[tuple[float, float], tuple[float, float]],
) -> Difference:
    where = [entry.curves[name].frequency_at(level) for entry in (first, second)]
    one, other = (entry.curves["input"].at(f) for entry, f in zip((first, second), where, strict=True))
    subjects, values = (first.subject, second.subject), (estimate(one), estimate(other))
    draws = one - other
    flags = _biases(first, second) if name == "pneumatic" else ([], [])
    found, verdict = judge(draws, attribution(*subjects), *flags)
    met = (float(where[0][0]), float(where[1][0]))
    lost = [entry.label for entry in (first, second) if entry.curves[name].misses(level)]
    if lost:
        obstacle = f"the {equal} of {' and of '.join(lost)} is not well enough known against frequency"
        unknown = Verdict(OPEN)
        return Difference(question, equal, first, second, level, None, *values, None, unknown, spans, obstacle, met)
    return Difference(question, equal, first, second, level, draws, *values, found, verdict, spans, None, met)


def _without(question: str, equal: str, first: Entry, second: Entry) -> Callable[..., Difference]:
    """Makes the answer to a question that two entries have no common ground for."""

    def none(
        obstacle: str,
        spans: tuple[tuple[float, float], tuple[float, float]] | None = None,
        level: float | None = None,
    ) -> Difference:
        verdict = Verdict(NO_COMMON_GROUND)
        return Difference(question, equal, first, second, level, None, None, None, None, verdict, spans, obstacle)

    return none


def _biases(first: Entry, second: Entry) -> tuple[list[tuple[str, int]], list[tuple[str, int]]]:
    """Flags of each with the way their bias pushes, +1 = makes it look better; not those that both have alike."""
    both = set(first.flags) & set(second.flags)
    same_size = all(_same(first, second, key) for key in ("bore", "stroke"))
    alike = {code for code in both if code in SAME_ON_BOTH or (code == "port-loss-unknown" and same_size)}
    one, other = ([(code, _way(e, code)) for code in e.flags if code not in alike] for e in (first, second))
    return one, other


def _same(first: Entry, second: Entry, key: str) -> bool:
    one, other = (getattr(e.subject.calibration.rig.cylinders[e.cylinder], key).value for e in (first, second))
    return bool(abs(one - other) <= SAME_SIZE * one)


def _way(entry: Entry, code: str) -> int:
    if code != "pressure-not-calibrated":
        return FLAGS[code].net
    above = entry.mean_pressure > entry.subject.calibration.ranges[entry.cylinder].pressures[-1]
    return 1 if above else -1
