"""Cylinders, seals, pressures and benches side by side: losses, loaded runs, and what their differences say.

All draws of one bench, and of benches calibrated together, are joint: a column holds the same error of the same
meter everywhere. Differences are therefore taken draw by draw, and what both sides share cancels by itself.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import chain, combinations, product
from typing import ClassVar

import numpy as np

from driveloss.bench.records import Bench, FloatArray
from driveloss.compare import sides
from driveloss.compare.benches import Shared, Subject, attribution, calibrate_together
from driveloss.compare.sides import Entry
from driveloss.compare.verdict import BETTER, NO_COMMON_GROUND, OPEN, WORSE, Bias, Verdict, judge
from driveloss.errors import InputError
from driveloss.fit.checks import positive
from driveloss.fit.estimate import COVERAGE, Estimate, estimate
from driveloss.losses.no_load import no_load_draws, no_load_flags
from driveloss.physics import ceilings, seal
from driveloss.say.answer import Answer
from driveloss.say.csv_form import spread
from driveloss.say.flags import FLAGS
from driveloss.say.quantities import QUANTITIES

FRICTION_QUESTIONS = {  # and the quantity that should be small
    "seal-power": "seal",
    "lip-force": "lip_force",
    "friction-mep": "friction_mean_effective_pressure",
}
OF_LOADED = (  # what is told of a loaded sweep at a frequency
    *("input", "pneumatic", "seal", "efficiency_ceiling", "aftercooler_heat", "friction_heat", "below_ambient"),
    *("hot_to_cold", "below_ambient_per_net", "below_ambient_per_input", "cycle_work_ratio"),
)
OF_LOSSES = ("seal", "seal_force", "lip_force", "friction_mean_effective_pressure", "share_of_input", "total")
INPUT_QUESTIONS = {  # curve and name of what is equal there
    "input-at-net": ("pneumatic", "net power"),
    "input-at-drop": ("below_ambient", "drop"),
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
        return self.entry.piston_speed(self.frequency)

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
    level: float | None = None  # None without common ground
    first_value: Estimate | None = None
    second_value: Estimate | None = None
    difference: Estimate | None = None
    verdict: Verdict = Verdict(NO_COMMON_GROUND)
    obstacle: str | None = None  # why there is no difference, where it is not that `spans` leave no common level
    frequencies: tuple[float, float] | None = None  # [Hz] where each is at that level

    def __repr__(self) -> str:
        return f"Difference({self.question}, {self.first.label!r} less {self.second.label!r}: {self.verdict.word})"

    @property
    def of(self) -> str:
        """The quantity that should be small."""
        return FRICTION_QUESTIONS.get(self.question, "input")

    @property
    def better(self) -> Entry | None:
        """The better one, where that can be told."""
        return {BETTER: self.first, WORSE: self.second}.get(self.verdict.word)

    @property
    def spans(self) -> tuple[tuple[float, float], ...]:
        """The lowest and the highest of the equal thing that each loaded sweep covers, where both have its curve."""
        curve, _ = INPUT_QUESTIONS[self.question]
        return tuple(entry.curves[curve].span for entry in (self.first, self.second))


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
    has_more: ClassVar[bool] = True
    lists: ClassVar[tuple[str, ...]] = ("losses", "loaded")
    columns: ClassVar[tuple[str, ...]] = (
        *("table", "entry", "file", "frequency_Hz", "mean_piston_speed_m_per_s"),
        *spread(*(QUANTITIES[name].json_key for name in dict.fromkeys((*OF_LOADED, *OF_LOSSES)))),
        "flags",
    )

    def __repr__(self) -> str:
        return f"Comparison({len(self.no_load)} seals without load, {len(self.loaded)} loaded sweeps)"


def compare(  # noqa: PLR0913 - what a user may ask for
    benches: Sequence[Bench | Subject],
    frequencies: Iterable[float] | None = None,
    *,
    net: float | None = None,
    drop: float | None = None,
    same_meter: bool | None = None,
    same_motor: bool | None = None,
) -> Comparison:
    """Put every cylinder and every loaded sweep side by side.

    benches: calibrated together with the defaults, or Subjects that `calibrate_together` made. frequencies [Hz]:
    three across the range common to all unless given. net [W], drop [K] below ambient: levels to compare input power
    at, the middle of what both of a pair cover unless given. same_meter, same_motor: as for `calibrate_together`.
    Raises InputError for a frequency or level that makes no sense, or a bench that cannot be calibrated.
    """
    subjects = _subjects(benches, Shared(same_meter, same_motor))
    no_load = tuple(chain(*map(sides.no_load_entries, subjects)))
    loaded = sides.distinct(chain(*map(sides.loaded_entries, subjects)))
    at, common = sides.chosen_frequencies(frequencies, (*no_load, *loaded))
    for name, level, unit in (("net power", net, "W"), ("temperature drop", drop, "K")):
        if level is not None:
            positive(level, unit, name)
    losses = [[_loss_row(e, f) for e in no_load] for f in at]
    at_speed = [[_loss_row(e, e.frequency_at(v)) for e in no_load] for v in sides.common_speeds(no_load)]
    levels = zip(INPUT_QUESTIONS, (net, drop), strict=True)
    differences = (
        *(d for rows in losses for d in _friction_differences("frequency", rows)),
        *(d for rows in at_speed for d in _friction_differences("piston speed", rows)),
        *(_input_difference(question, *pair, level) for question, level in levels for pair in combinations(loaded, 2)),
    )
    rows = tuple(_loaded_row(e, f) for f in at for e in loaded if e.curves and e.covers(f))
    return Comparison(
        subjects, no_load, loaded, at, tuple(chain(*losses)), tuple(chain(*at_speed)), rows, differences, common
    )


def _subjects(benches: Sequence[Bench | Subject], shared: Shared) -> tuple[Subject, ...]:
    bare = [bench for bench in benches if isinstance(bench, Bench)]
    ready = tuple(bench for bench in benches if isinstance(bench, Subject))
    if bare and ready:
        raise InputError("expected benches, or benches calibrated together: got some of both")
    if len({subject.calibration.draws for subject in ready}) > 1:
        raise InputError("calibrations to compare: expected the same number of draws in each")
    if ready and shared != Shared():
        raise InputError("same_meter, same_motor: expected where benches are calibrated together, got calibrated ones")
    subjects = ready or calibrate_together(bare, same_meter=shared.meter, same_motor=shared.motor)
    for subject in subjects:
        if not subject.calibration.ranges:
            folder = f"{subject.name}/" if subject.name else ""
            raise InputError(
                f"{folder}bench.toml, [[sweeps]]: no cylinder has a no-load sweep, expected one at least to compare"
            )
    return subjects


def _loss_row(entry: Entry, frequency: float) -> Standing:
    """No-load losses with every way of stating the seal's friction, at a true frequency [Hz]."""
    calibration, name = entry.subject.calibration, entry.cylinder
    parts = no_load_draws(calibration, np.array([frequency]), name, entry.mean_pressure)
    power, force, total = (parts[key][0] for key in ("seal", "seal_force", "total"))
    bore, stroke = entry.drawn.bore, entry.drawn.stroke
    draws = {
        "seal": power,
        "seal_force": force,
        "lip_force": seal.friction_per_lip_length(force, bore),
        "friction_mean_effective_pressure": seal.friction_mean_effective_pressure(power, frequency, bore, stroke),
        "share_of_input": power / total,
        "total": total,
    }
    return Standing(entry, frequency, draws, no_load_flags(calibration, name, entry.mean_pressure, frequency))


def _loaded_row(entry: Entry, frequency: float) -> Standing:
    """A loaded sweep's curves at a true frequency inside it [Hz], and the ratios that they give."""
    meters = entry.subject.calibration.meters
    shown = frequency * (2 - meters.frequency_gain) - meters.frequency_zero  # by the meter, which misreads
    at = {name: curve.at(shown) for name, curve in entry.curves.items()}
    unknown = np.full_like(at["input"], np.nan)
    drop = at.get("below_ambient", unknown)
    pressure = entry.mean_pressure * meters.pressure_gain + meters.pressure_zero
    bore, stroke = entry.drawn.bore, entry.drawn.stroke
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


def _friction_differences(equal: str, rows: Sequence[Standing]) -> Iterable[Difference]:
    """Seal friction of every pair of rows, which stand at the same frequency or speed."""
    for (question, name), (one, other) in product(FRICTION_QUESTIONS.items(), combinations(rows, 2)):
        level = one.frequency if equal == "frequency" else float(f"{one.piston_speed:.6g}")
        asked = Difference(question, equal, one.entry, other.entry, level, one.parts[name], other.parts[name])
        yield _judged(asked, one.draws[name] - other.draws[name])


def _input_difference(question: str, first: Entry, second: Entry, level: float | None) -> Difference:
    """Input power at the same net power or the same drop, each within what was measured."""
    curve, equal = INPUT_QUESTIONS[question]
    asked = Difference(question, equal, first, second, level)
    obstacle = _obstacle(first, curve, equal) or _obstacle(second, curve, equal)
    if obstacle:
        return replace(asked, level=None, obstacle=obstacle)
    lows, highs = zip(*asked.spans, strict=True)
    low, high = max(lows), min(highs)
    chosen = (low + high) / 2 if level is None else level
    return _at_level(asked, curve, chosen) if low < high and low <= chosen <= high else asked


def _obstacle(entry: Entry, curve: str, equal: str) -> str | None:
    """Why a loaded sweep has no level to be compared at, if it has none."""
    if not entry.curves:
        return f"{entry.label} has {entry.runs} runs, expected at least three frequencies"
    if curve not in entry.curves:
        return f"{entry.label} has no cold-end readings at three frequencies or more"
    if not entry.curves[curve].is_steady:
        return f"the {equal} of {entry.label} does not change steadily with frequency"
    return None


def _at_level(asked: Difference, curve: str, level: float) -> Difference:
    pair = asked.first, asked.second
    where = [entry.curves[curve].frequency_at(level) for entry in pair]
    one, other = (entry.curves["input"].at(f) for entry, f in zip(pair, where, strict=True))
    meters = [entry.subject.calibration.meters for entry in pair]
    asked = replace(asked, first_value=estimate(one, meters[0]), second_value=estimate(other, meters[1]))
    met = float(where[0][0]), float(where[1][0])
    found = _judged(replace(asked, level=level, frequencies=met), one - other)
    lost = [entry.label for entry in pair if entry.curves[curve].misses(level)]
    if not lost:
        return found
    obstacle = f"the {asked.equal} of {' and of '.join(lost)} is not well enough known against frequency"
    return replace(found, difference=None, verdict=Verdict(OPEN), obstacle=obstacle)


def _judged(asked: Difference, draws: FloatArray) -> Difference:
    """The answer to what was asked, by draws of what the first takes more than the second, (1 + draws,)."""
    subjects = asked.first.subject, asked.second.subject
    biases = [] if asked.equal == "drop" else _biases(asked.first, asked.second)
    found, verdict = judge(draws, attribution(*subjects), biases)
    return replace(asked, difference=found, verdict=verdict)


def _biases(first: Entry, second: Entry) -> list[Bias]:
    """Flags of either whose bias no interval holds, without a seal's where one seal ran alike in both."""
    same = {"pressure-not-calibrated"} if sides.same_seal(first, second) else set()
    same = same.intersection(first.flags, second.flags)
    return [
        Bias(code, side, tuple(sign * way for way in _ways(entry, code)))
        for side, (entry, sign) in enumerate(((first, 1), (second, -1)))
        for code in entry.flags
        if code not in same
    ]


def _ways(entry: Entry, code: str) -> tuple[int, ...]:
    """Which ways a flag may push an entry's net power, +1 = up; where its place tells, that one alone."""
    swept = entry.subject.calibration.ranges[entry.cylinder].pressures
    if code == "pressure-not-calibrated" and not swept[0] <= entry.mean_pressure <= swept[-1]:
        return (1,) if entry.mean_pressure > swept[-1] else (-1,)
    return FLAGS[code].unheld
