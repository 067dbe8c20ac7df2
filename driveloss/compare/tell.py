"""A comparison as tables and sentences for people, and as plain data for scripts."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import combinations, starmap
from math import comb
from typing import Any

from driveloss.compare.ask import FRICTION_QUESTIONS, Comparison, Difference, Standing
from driveloss.compare.benches import DRIVE, Subject, reads_alike
from driveloss.compare.matrix import (
    HOPELESS,
    MOST_IN_MATRIX,
    asked,
    bias_lines,
    legend,
    letters,
    matrix,
    ranking,
    telling_lines,
)
from driveloss.compare.sides import Entry, same_pressure
from driveloss.compare.verdict import NO_COMMON_GROUND
from driveloss.fit.contributions import SCATTER
from driveloss.fit.estimate import Estimate
from driveloss.say.json_form import quantity
from driveloss.say.numbers import PERCENT, decimals
from driveloss.say.quantities import QUANTITIES, columns
from driveloss.say.sheet import Item, Sheet

UNMARKED = ("extrapolated", "cold-end-missing", "hot-end-assumed", "not-cooling")  # no bias on what is shown here
HEAVY = 0.2  # share of the variance from which an assumption is named in the notes
MANY_PAIRS = 6  # a question; beyond that only pairs that differ in one thing are told

VERDICT_NOTE = "Intervals are 95 %. A verdict needs an interval of the difference that excludes zero."
PAIRS_NOTE = "Sentences are given for pairs that differ in one thing; --json holds every pair."

MARKS = {"*": "* outside the calibrated range", "†": "† flagged, see the notes"}  # behind a cylinder's name

LOSS_COLUMNS = ("seal", "seal_force", "lip_force", "friction_mean_effective_pressure", "share_of_input")
LOADED_COLUMNS = ("input", "pneumatic", "efficiency_ceiling", "aftercooler_heat", "friction_heat")
WORK = "cycle_work_ratio"
DROP_COLUMNS = ("below_ambient", "hot_to_cold", "below_ambient_per_net", "below_ambient_per_input")
LEVELS = {  # what is equal -> key for scripts, unit in words
    "frequency": ("frequency_Hz", "Hz"),
    "piston speed": ("mean_piston_speed_m_per_s", "m/s"),
    "net power": (QUANTITIES["pneumatic"].json_key, "W net"),
    "drop": (QUANTITIES["below_ambient"].json_key, "K below ambient"),
}
HEADINGS = {  # by question; the mean effective pressure stays in its table
    "seal-power": "Seal friction power",
    "lip-force": "Friction force per metre of seal lip",
    "input-at-net": "Input power for the same net pneumatic power",
    "input-at-drop": "Input power for the same temperature drop",
}

SHORT = {
    "seal-power": "Seal\nfriction",
    "lip-force": "Force on\nthe lip",
    "input-at-net": "Input at\nequal net",
    "input-at-drop": "Input at\nequal drop",
}

IN_WORDS = ("seal-power", "input-at-net", "input-at-drop")  # a sentence each on the plain screen
MORE = "--all adds seal friction, loaded sweeps and temperature drops side by side, and a sentence for each pair."


def comparison_tables(answer: Comparison) -> list[Item]:
    """A matrix a question, ranks among many sweeps; the largest sure difference in words, what would tell the rest."""
    return [*_at_a_glance(answer), MORE] if answer.differences else [_nothing(answer)]


def comparison_everything(answer: Comparison) -> list[Item]:
    """The same, then every table and a sentence for each pair."""
    return [*(_at_a_glance(answer) if answer.differences else []), "", *comparison_details(answer)]


def _at_a_glance(answer: Comparison) -> list[Item]:
    names, every = letters(answer), list(asked(answer, HEADINGS, LEVELS))
    shown = [d for members in every for d in members]
    items: list[Item] = [*_differences(every, names)]
    items += [legend(shown), *bias_lines(shown, names), ""]
    main = [next(asked(answer, [question], LEVELS), []) for question in IN_WORDS]
    items += [_in_words(largest) for members in main if (largest := _largest_sure(members))]
    telling = telling_lines(shown, names)
    return [*items, "What would tell the rest:", telling] if telling else items


def _differences(every: list[list[Difference]], names: dict[str, str]) -> list[Sheet]:
    """All pairs of each question, or each of many sweeps less the best."""
    if len(names) <= MOST_IN_MATRIX:
        return [matrix(f"{_heading(members[0])}: row less column", members, names) for members in every]
    firsts = [members[0] for members in every]
    heads = [f"{SHORT[d.question]}\n[{QUANTITIES[d.of].unit_for_people}]" for d in firsts]
    level = next((f", friction at {_level(d)}" for d in firsts if d.question in FRICTION_QUESTIONS), "")
    return [ranking(f"Each less the best{level}; --json holds every pair", every, heads, names)]


def _in_words(difference: Difference) -> str:
    """Its sentence, behind what it is about where that does not tell by itself."""
    of_friction = difference.question in FRICTION_QUESTIONS
    return f"{_heading(difference)}: {sentence(difference)}" if of_friction else sentence(difference)


def _heading(difference: Difference) -> str:
    at = f", at {_level(difference)}" if difference.question in FRICTION_QUESTIONS else ""
    return HEADINGS[difference.question] + at


def _largest_sure(members: list[Difference]) -> Difference | None:
    """The largest difference that can be told, if any, between two that differ in one thing where there are such."""
    sure = [(abs(d.difference.value), d) for d in _one_thing(members) if d.better and d.difference]
    return max(sure, key=lambda pair: pair[0])[1] if sure else None


def _nothing(answer: Comparison) -> str:
    entries = {entry.label for entry in (*answer.no_load, *answer.loaded)}
    return f"There is nothing to compare with: only {' and '.join(sorted(entries))}."


def comparison_details(answer: Comparison) -> list[Item]:
    """Everything side by side, then one sentence a question and pair."""
    tables: list[Item] = [_sheet("No-load seal friction, without the port's loss", answer.losses, LOSS_COLUMNS)]
    if answer.losses_at_speed:
        title = "The same at equal mean piston speed: strokes differ"
        tables.append(_sheet(title, answer.losses_at_speed, LOSS_COLUMNS, by_speed=True))
    if answer.loaded_rows:
        title = "Loaded sweeps, each through its own curve and only where it was measured"
        tables.append(_sheet(title, answer.loaded_rows, LOADED_COLUMNS))
        tables.append(_gas_sheet(answer.loaded_rows))
    marks = "".join(_mark(row.flags) for row in (*answer.losses, *answer.losses_at_speed, *answer.loaded_rows))
    return [*tables, *(text for mark, text in MARKS.items() if mark in marks), "", *_verdict_lines(answer)]


def _gas_sheet(rows: Sequence[Standing]) -> Sheet:
    """Work per cycle and, where any end was recorded, the temperature drops."""
    title, keys = "Work ratio of the loaded sweeps: work per cycle over pressure times swept volume", [WORK]
    if any(row.parts["below_ambient"] or row.parts["hot_to_cold"] for row in rows):
        title, keys = "Work ratio and temperature drops of the loaded sweeps", [WORK, *DROP_COLUMNS]
    return _sheet(title, rows, keys)


def _mark(flags: tuple[str, ...]) -> str:
    known = "*" if "extrapolated" in flags else ""
    return known + ("†" if any(code not in UNMARKED for code in flags) else "")


def _sheet(title: str, rows: Sequence[Standing], keys: Sequence[str], *, by_speed: bool = False) -> Sheet:
    """Rows grouped by frequency, or by piston speed, which comes first and is written once a group."""
    heads = ("m/s", "Cylinder", "Hz") if by_speed else ("Hz", "Cylinder", "m/s")
    lines, last = [], ""
    for row in rows:
        hertz, speed = f"{row.frequency:.4g}", f"{row.piston_speed:.3g}"
        group, own = (speed, hertz) if by_speed else (hertz, speed)
        cells = (QUANTITIES[key].cell(row.parts[key]) for key in keys)
        name = "\n".join(row.entry.lines) + _mark(row.flags)
        lines.append(("" if group == last else group, name, own, *cells))
        last = group
    return Sheet(title, (*heads, *columns(keys)), tuple(lines), left=("Cylinder",))


def _verdict_lines(answer: Comparison) -> list[Item]:
    """A heading and a sentence for each pair, for each question at each thing that is equal."""
    if not answer.differences:
        return [_nothing(answer)]
    lines: list[Item] = []
    for members in asked(answer, HEADINGS, LEVELS):
        told = _one_thing(members) if len(members) > MANY_PAIRS else members
        lines += [_heading(told[0]), tuple(map(sentence, told)), ""]
    return lines[:-1]


def _one_thing(members: list[Difference]) -> list[Difference]:
    """The pairs that differ in one thing; all where none does."""
    return [d for d in members if _differ_in_one_thing(d.first, d.second)] or members


def _differ_in_one_thing(first: Entry, second: Entry) -> bool:
    """Bench, cylinder or pressure: what a person changes to see what it does."""
    near = same_pressure(first.mean_pressure, second.mean_pressure)
    return [first.subject is second.subject, first.cylinder == second.cylinder, near].count(False) <= 1


def sentence(difference: Difference) -> str:
    """What one difference says, in plain words."""
    pair = f"{_name(difference, 0)} and {_name(difference, 1)}"
    if difference.verdict.word == NO_COMMON_GROUND:
        asked = f" at {_level(difference)}" if difference.level is not None else ""
        return f"{pair} cannot be compared{asked}: {difference.obstacle or _ranges(difference)}."
    at = f"At {_level(difference)}: " if difference.frequencies else ""
    found = difference.difference
    if found is None:
        return f"{at}{pair} cannot be told apart with these readings: {difference.obstacle or 'no number came out'}."
    if difference.verdict.biased_by:
        return at + _biased(difference, found, pair)
    return at + (f"{_claim(difference, found)}." if difference.better else _undecided(difference, found, pair))


def _name(difference: Difference, side: int) -> str:
    """An entry's label, with the frequency where it stands at the level."""
    label = (difference.first, difference.second)[side].label
    return f"{label} ({difference.frequencies[side]:.3g} Hz)" if difference.frequencies else label


def _level(difference: Difference) -> str:
    return f"{difference.level:.3g} {LEVELS[difference.equal][1]}"


def _claim(difference: Difference, found: Estimate) -> str:
    """'a is better: it needs 3 W less than b'."""
    better, sign = (0, -1) if found.value < 0 else (1, 1)
    amount, other = _amount(difference, found, sign), _name(difference, 1 - better)
    return f"{_name(difference, better)} is better: it {_verb(difference)} {amount} less than {other}"


def _verb(difference: Difference) -> str:
    return "needs" if difference.of == "input" else "takes"


def _amount(difference: Difference, found: Estimate, sign: int = 1) -> str:
    """'2.76 W [2.69, 2.84]'; a negative sign turns the interval round."""
    of = QUANTITIES[difference.of]
    value, *ends = (end * of.scale * sign for end in (found.value, found.low, found.high))
    low, high = sorted(ends)
    places = decimals((high - low) / 2)
    return f"{value:.{places}f} {of.unit_for_people} [{low:.{places}f}, {high:.{places}f}]"


def _biased(difference: Difference, found: Estimate, pair: str) -> str:
    biases = difference.verdict.biased_by
    labels = (difference.first.label, difference.second.label)
    codes = {side: [bias.code for bias in biases if bias.side == side] for side in (0, 1)}
    flagged = " and ".join(f"{labels[side]} is flagged {' and '.join(mine)}" for side, mine in codes.items() if mine)
    return (
        f"{pair}: which is better cannot be told with these readings. As they stand {_claim(difference, found)}; "
        f"but {flagged}, which may have made the difference."
    )


def _undecided(difference: Difference, found: Estimate, pair: str) -> str:
    of = QUANTITIES[difference.of]
    most = max(abs(found.low), abs(found.high)) * of.scale
    return (
        f"{pair}: which one {_verb(difference)} less cannot be told with these readings. The first less the second is "
        f"{_amount(difference, found)}, so they differ by less than {most:.2g} {of.unit_for_people}. "
        f"{what_would_tell(difference)}"
    )


def what_would_tell(difference: Difference) -> str:
    """How much narrower the interval must be for the difference seen to show, and what would make it so."""
    verdict, readings = difference.verdict, "readings of every sweep"
    if difference.first.subject.sees_refits or difference.second.subject.sees_refits:
        readings = "sweeps"  # what whole sweeps are off by is part of the scatter
    if verdict.narrower is None or verdict.narrower > HOPELESS or not verdict.shares:
        return "They are equal within that."
    main, share = verdict.shares[0]
    origin = "scatter of the readings" if main == SCATTER else main
    head = f"The interval would have to be {max(verdict.narrower, 1.1):.2g} times narrower; most of it comes from "
    head += f"{origin} ({share * PERCENT:.0f} % of the variance): "
    if verdict.more_runs is not None and verdict.more_runs <= HOPELESS**2:
        times = f"{max(verdict.more_runs, 1.1):.2g}"
        return f"{head}about {times} times as many {readings} would do, if it is as it looks."
    hiding = [name for name, _ in verdict.shares if name != SCATTER]
    return f"{head}more readings alone would not do, {hiding[0] if hiding else origin} would still hide it."


def _ranges(difference: Difference) -> str:
    unit = LEVELS[difference.equal][1]
    ranges = zip((difference.first, difference.second), difference.spans, strict=True)
    return ", ".join(f"{entry.label} covers {low:.3g} to {high:.3g} {unit}" for entry, (low, high) in ranges)


def short_notes(answer: Comparison) -> list[str]:
    """Of the notes those that bear on the answer itself."""
    at_length = {*_curve_note(answer.loaded), *_assumed_note(answer.differences), PAIRS_NOTE, VERDICT_NOTE}
    return [note for note in comparison_notes(answer) if note not in at_length]


def comparison_notes(answer: Comparison) -> list[str]:
    """What a reader must know about how the comparison was made."""
    notes = [VERDICT_NOTE]
    notes += _curve_note(answer.loaded)
    notes += [*_assumed_note(answer.differences), *_refit_note(answer)]
    if any(d.question == "input-at-drop" and d.difference for d in answer.differences):
        notes.append("The same drop is not the same cooling power: the better one there may still lift less heat.")
    if comb(max(len(answer.no_load), len(answer.loaded)), 2) > MANY_PAIRS:
        notes.append(PAIRS_NOTE)
    if not answer.common_range:
        notes.append("The entries have no range of frequency in common: some losses are extrapolated.")
    absent = [e.label for e in answer.loaded if not any(row.entry is e for row in answer.loaded_rows)]
    if absent:
        notes.append(f"Not in the loaded tables, as no frequency asked for lies within its runs: {'; '.join(absent)}.")
    pairs = list(combinations(answer.subjects, 2))
    return [*notes, *starmap(_sharing_note, pairs), *filter(None, starmap(_copied_note, pairs))]


def _curve_note(loaded: Iterable[Entry]) -> list[str]:
    degrees = {entry.label: len(entry.curves["input"].coefficients) - 1 for entry in loaded if entry.curves}
    if not degrees:
        return []
    lines = [label for label, degree in degrees.items() if degree == 1]
    which = "a parabola"
    if lines:
        all_straight = len(lines) == len(degrees)
        which = "a straight line" if all_straight else f"a parabola (a straight line for {'; '.join(lines)})"
    return [
        f"Powers of a loaded sweep are joined by {which} in frequency, fitted by least squares in every draw: "
        "frequency is known far better than a power, and single runs scatter. The scatter of one run decides between "
        "the two."
    ]


def _assumed_note(differences: Sequence[Difference]) -> list[str]:
    """What nobody stated that leaves most of a difference open, by name, with the keys that would replace it."""
    keys: dict[str, dict[str, None]] = {}
    most: dict[str, float] = {}
    seen = {id(entry.subject): entry.subject for one in differences for entry in (one.first, one.second)}
    for subject in seen.values():
        for named, row in subject.calibration.meters.assumptions(subject.calibration.rig):
            keys.setdefault(row.name, {}).update(dict.fromkeys(named))
    for one in differences:
        for name, share in one.verdict.shares:
            most[name] = max(share, most.get(name, 0.0))
    heavy = sorted(((most[name], name) for name in keys if most.get(name, 0.0) >= HEAVY), reverse=True)
    told = [f"{name} ({', '.join(keys[name])}; up to {share * PERCENT:.0f} %)" for share, name in heavy]
    return [f"Assumed, and a large part of the variance of a difference: {', '.join(told)}."] if told else []


def _refit_note(answer: Comparison) -> list[str]:
    """Whether a second sweep shows how far one and the same seal is off from fit to fit."""
    fits = {(entry.subject.name, entry.cylinder) for entry in answer.no_load}
    if len(fits) < 2 or all(one.sees_refits for one in answer.subjects):
        return []
    return [
        "Each seal was swept once: how far one and the same seal drags differently when it is fitted again was not "
        "seen and is not in the intervals; sweep each twice, fitted again in between, each sweep a file of its own."
    ]


def _sharing_note(first: Subject, second: Subject) -> str:
    """What two benches are taken to have in common, why, and how to say that it is not so."""
    meter, motor = (_claimed(first, second, section) for section in ("meter", "motor"))
    drive = {section: first.has_in_common(second, section) for section in DRIVE}
    same, other = ([f"[{s}]" for s, is_same in drive.items() if is_same is wanted] for wanted in (True, False))
    told = [f"{' and '.join(same)} too"] if same else []
    told += [f"{' and '.join(other)} err separately"] if other else []
    return (
        f"{first.name} and {second.name} are taken to have {meter} and {motor}; {', '.join(told)}. What both share "
        "cancels in a difference, as do equal dimensions, ports and described seals of equally named cylinders."
    )


def _claimed(first: Subject, second: Subject, section: str) -> str:
    """Whether two benches have one meter, or one motor, and by what that was decided."""
    is_common, is_told = first.has_in_common(second, section), getattr(first.shared, section) is not None
    words, other = (f"the same {section}", "other") if is_common else (f"different {section}s", "same")
    if is_told:
        return f"{words} (as told)"
    alike = "reads alike" if reads_alike(first.calibration.rig, second.calibration.rig, section) else "differs"
    return f"{words} ([{section}] {alike}; else --{other}-{section})"


def _copied_note(first: Subject, second: Subject) -> str | None:
    """Sweeps that occur in two benches: one measurement, whose scatter counts as two."""
    theirs = {sha for name, sha in second.calibration.files.items() if name != "bench.toml"}
    both = [name for name, sha in first.calibration.files.items() if sha in theirs]
    if not both:
        return None
    return (
        f"{first.name} and {second.name} hold the same readings in {', '.join(both)}. Their scatter counts as "
        "if it were measured twice; as two cylinders of one bench the comparison would be sharper."
    )


def comparison_data(answer: Comparison) -> dict[str, Any]:
    """`driveloss.compare/1`. In `differences`, values are first less second of the quantity named by `of`."""
    return {
        "schema": "driveloss.compare/1",
        "coverage": answer.coverage,
        "entries": [_entry(entry) for entry in (*answer.no_load, *answer.loaded)],
        "losses": [_row(row) for row in answer.losses],
        "losses_at_equal_piston_speed": [_row(row) for row in answer.losses_at_speed],
        "loaded": [_row(row) for row in answer.loaded_rows],
        "differences": [_difference(d) for d in answer.differences],
        "notes": comparison_notes(answer),
    }


def _entry(entry: Entry) -> dict[str, Any]:
    return {
        "label": entry.label,
        "bench": entry.subject.name or None,
        "cylinder": entry.cylinder,
        "mean_pressure_Pa": entry.mean_pressure,
        "file": entry.file,
        "lowest_frequency_Hz": entry.low,
        "highest_frequency_Hz": entry.high,
        "flags": list(entry.flags),
    }


def _row(row: Standing) -> dict[str, Any]:
    return {
        "entry": row.entry.label,
        "file": row.entry.file,
        "frequency_Hz": row.frequency,
        "mean_piston_speed_m_per_s": row.piston_speed,
        **{QUANTITIES[key].json_key: quantity(found) for key, found in row.parts.items()},
        "flags": list(row.flags),
    }


def _difference(difference: Difference) -> dict[str, Any]:
    verdict = difference.verdict
    met = difference.frequencies or (None, None)
    return {
        "question": difference.question,
        "of": QUANTITIES[difference.of].json_key,
        "equal": LEVELS[difference.equal][0],
        "level": difference.level,
        "first": difference.first.label,
        "second": difference.second.label,
        "first_frequency_Hz": met[0],
        "second_frequency_Hz": met[1],
        "first_value": quantity(difference.first_value),
        "second_value": quantity(difference.second_value),
        "difference": quantity(difference.difference),
        "verdict_on_first": verdict.word,
        "better": difference.better and difference.better.label,
        "narrower_times": verdict.narrower,
        "more_readings_times": verdict.more_runs,
        "variance_shares": dict(verdict.shares),
        "biased_by": sorted({bias.code for bias in verdict.biased_by}),
        "says": sentence(difference),
    }
