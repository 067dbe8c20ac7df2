"""A comparison as tables and sentences for people, and as plain data for scripts."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import combinations, groupby
from typing import TYPE_CHECKING

from driveloss.compare.ask import Comparison, Difference, Row
from driveloss.compare.benches import SHARED, Subject, shared_sections
from driveloss.compare.sides import Entry
from driveloss.compare.verdict import NO_COMMON_GROUND, OPEN, SCATTER
from driveloss.fit.readings import SAME_PRESSURE
from driveloss.say.numbers import decimals, plus_minus
from driveloss.say.sheet import Sheet

if TYPE_CHECKING:
    from driveloss.fit.estimate import Estimate

PERCENT, KILO = 100.0, 1e-3
UNMARKED = ("extrapolated", "cold-end-missing", "hot-end-assumed", "not-cooling")  # no bias on what is shown here
HOPELESS = 10.0  # times narrower: a hundred times as many readings, which nobody takes
MANY_PAIRS = 6  # a question; beyond that only pairs that differ in one thing are told
Column = tuple[str, str, float]  # head, name in Row.parts, scale

LOSS_COLUMNS: tuple[Column, ...] = (
    ("Seal [W]", "seal", 1),
    ("Force [N]", "seal_force", 1),
    ("Lip [N/m]", "lip_force", 1),
    ("FMEP [kPa]", "friction_mep", KILO),
    ("Share [%]", "share", PERCENT),
)
LOADED_COLUMNS: tuple[Column, ...] = (
    ("Input [W]", "input", 1),
    ("Net [W]", "pneumatic", 1),
    ("Ceiling [%]", "efficiency_ceiling", PERCENT),
    ("Heat [W]", "aftercooler_heat", 1),
    ("of it friction", "friction_heat", 1),
)
WORK_COLUMNS: tuple[Column, ...] = (("Work ratio", "cycle_work_ratio", 1),)
DROP_COLUMNS: tuple[Column, ...] = (
    ("Below amb. [K]", "below_ambient", 1),
    ("Hot to cold [K]", "hot_to_cold", 1),
    ("K per W net", "drop_per_net", 1),
    ("K per W input", "drop_per_input", 1),
)
UNITS = {"frequency": "Hz", "piston speed": "m/s", "net power": "W net", "drop": "K below ambient"}
SUBJECTS = {  # question -> heading, verb, unit of the difference, scale
    "seal-power": ("Seal friction power", "takes", "W", 1.0),
    "lip-force": ("Friction force per metre of seal lip", "takes", "N/m", 1.0),
    "friction-mep": ("Friction mean effective pressure", "takes", "kPa", KILO),
    "input-at-net": ("Input power for the same net pneumatic power", "needs", "W", 1.0),
    "input-at-drop": ("Input power for the same temperature drop", "needs", "W", 1.0),
}
SPOKEN = ("seal-power", "lip-force", "input-at-net", "input-at-drop")  # the mean effective pressure stays in its table


def comparison_tables(answer: Comparison) -> list[Sheet | str]:
    """Everything side by side, then one sentence a question and pair."""
    tables: list[Sheet | str] = [_sheet("No-load seal friction, without the port's loss", answer.losses, LOSS_COLUMNS)]
    if answer.losses_at_speed:
        title = "The same at equal mean piston speed: strokes differ"
        tables.append(_sheet(title, answer.losses_at_speed, LOSS_COLUMNS, by_speed=True))
    if answer.loaded_rows:
        title = "Loaded sweeps, each through its own curve and only where it was measured"
        tables.append(_sheet(title, answer.loaded_rows, LOADED_COLUMNS))
        tables.append(_gas_sheet(answer.loaded_rows))
    return [*tables, *_marks(answer), "", *_verdict_lines(answer)]


def _gas_sheet(rows: Sequence[Row]) -> Sheet:
    """Work per cycle and, where any end was recorded, the temperature drops."""
    if any(row.parts["below_ambient"] or row.parts["hot_to_cold"] for row in rows):
        return _sheet("Work ratio and temperature drops of the loaded sweeps", rows, (*WORK_COLUMNS, *DROP_COLUMNS))
    return _sheet(
        "Work ratio of the loaded sweeps: work per cycle over pressure times swept volume", rows, WORK_COLUMNS
    )


def _marks(answer: Comparison) -> list[str]:
    """What the marks behind a cylinder's name mean, where they occur."""
    rows = (*answer.losses, *answer.losses_at_speed, *answer.loaded_rows)
    marks = {_mark(row.flags) for row in rows}
    extrapolated = ["* outside the calibrated range"] if any("*" in mark for mark in marks) else []
    return extrapolated + (["† flagged, see the notes"] if any("†" in mark for mark in marks) else [])


def _mark(flags: tuple[str, ...]) -> str:
    known = "*" if "extrapolated" in flags else ""
    return known + ("†" if any(code not in UNMARKED for code in flags) else "")


def _sheet(title: str, rows: Sequence[Row], columns: Sequence[Column], by_speed: bool = False) -> Sheet:
    """Rows grouped by frequency, or by piston speed, which comes first and is written once a group."""
    heads = ("m/s", "Cylinder", "Hz") if by_speed else ("Hz", "Cylinder", "m/s")
    lines, last = [], ""
    for row in rows:
        hertz, speed = f"{row.frequency:.4g}", f"{row.piston_speed:.3g}"
        group, own = (speed, hertz) if by_speed else (hertz, speed)
        cells = (plus_minus(row.parts.get(name), scale) for _, name, scale in columns)
        lines.append(("" if group == last else group, _stacked(row.entry.label) + _mark(row.flags), own, *cells))
        last = group
    return Sheet(title, (*heads, *(head for head, _, _ in columns)), tuple(lines), left=("Cylinder",))


def _stacked(label: str) -> str:
    """A label on short lines: bench, cylinder with its pressure, file."""
    return label.replace(": ", ":\n", 1).replace(" at ", "\n", 1).replace(" (", "\n(", 1)


# --- sentences --------------------------------------------------------------------------------------------------


def _verdict_lines(answer: Comparison) -> list[str]:
    entries = {entry.label for entry in (*answer.no_load, *answer.loaded)}
    if not answer.differences:
        return [f"There is nothing to compare with: only {' and '.join(sorted(entries))}."]
    middle = answer.frequencies[len(answer.frequencies) // 2] if answer.frequencies else None
    lines: list[str] = []
    for (question, equal), members in groupby(_in_order(answer), key=lambda d: (d.question, d.equal)):
        chosen = _spoken(list(members), equal, middle)
        heading = SUBJECTS[question][0] + (f", at {_level(chosen[0])}" if question in SPOKEN[:2] else "")
        lines += [heading, *(f"- {sentence(d)}" for d in chosen), ""]
    return lines[:-1]


def _in_order(answer: Comparison) -> list[Difference]:
    spoken = [d for d in answer.differences if d.question in SPOKEN]
    return sorted(spoken, key=lambda d: (SPOKEN.index(d.question), d.equal))


def _spoken(members: list[Difference], equal: str, middle: float | None) -> list[Difference]:
    """The pairs to tell in words. Seal friction at the middle level only; the rest is in the tables and the JSON."""
    if equal not in ("net power", "drop"):
        levels = sorted({d.level for d in members if d.level is not None})
        level = middle if equal == "frequency" else levels[len(levels) // 2]
        members = [d for d in members if d.level == level]
    alike = [d for d in members if _differ_in_one_thing(d.first, d.second)]
    return alike if len(members) > MANY_PAIRS and alike else members


def _differ_in_one_thing(first: Entry, second: Entry) -> bool:
    """Bench, cylinder or pressure: what a person changes to see what it does."""
    near = abs(first.mean_pressure - second.mean_pressure) <= SAME_PRESSURE * first.mean_pressure
    return [first.subject is second.subject, first.cylinder == second.cylinder, near].count(False) <= 1


def sentence(difference: Difference) -> str:
    """What one difference says, in plain words."""
    pair = f"{_name(difference, 0)} and {_name(difference, 1)}"
    if difference.verdict.word == NO_COMMON_GROUND:
        asked = f" at {_level(difference)}" if difference.level is not None else ""
        return f"{pair} cannot be compared{asked}: {_obstacle(difference)}."
    at = f"At {_level(difference)}: " if difference.frequencies else ""
    if difference.difference is None:
        reason = difference.obstacle or "no number came out"
        return f"{at}{pair} cannot be told apart with these readings: {reason}."
    if difference.verdict.biased_by:
        return f"{at}{_biased(difference, pair)}"
    return at + (_undecided(difference, pair) if difference.verdict.word == OPEN else f"{_claim(difference)}.")


def _name(difference: Difference, side: int) -> str:
    """An entry's label, with the frequency where it stands at the level."""
    label = (difference.first, difference.second)[side].label
    return f"{label} ({difference.frequencies[side]:.3g} Hz)" if difference.frequencies else label


def _level(difference: Difference) -> str:
    return f"{difference.level:.3g} {UNITS[difference.equal]}"


def _claim(difference: Difference) -> str:
    """'a is better: it needs 3 W less than b'."""
    assert difference.difference is not None
    _, verb, unit, scale = SUBJECTS[difference.question]
    better = 0 if difference.difference.value < 0 else 1
    amount = _amount(difference.difference, -scale if better == 0 else scale, unit)
    return f"{_name(difference, better)} is better: it {verb} {amount} less than {_name(difference, 1 - better)}"


def _amount(found: Estimate, scale: float, unit: str) -> str:
    """'2.76 W [2.69, 2.84]'; a negative scale turns the interval round."""
    low, high = sorted((found.low * scale, found.high * scale))
    places = decimals((high - low) / 2)
    return f"{found.value * scale:.{places}f} {unit} [{low:.{places}f}, {high:.{places}f}]"


def _biased(difference: Difference, pair: str) -> str:
    codes = difference.verdict.biased_by
    flagged = [e.label for e in (difference.first, difference.second) if set(codes) & set(e.flags)]
    whose = f"{' and '.join(flagged)} {'is' if len(flagged) == 1 else 'are'}"
    return (
        f"{pair}: which is better cannot be told with these readings. As they stand {_claim(difference)}; but {whose} "
        f"flagged {', '.join(codes)}, and that bias pushes the same way by an unknown amount."
    )


def _undecided(difference: Difference, pair: str) -> str:
    assert difference.difference is not None
    _, verb, unit, scale = SUBJECTS[difference.question]
    most = max(abs(difference.difference.low), abs(difference.difference.high)) * scale
    return (
        f"{pair}: which one {verb} less cannot be told with these readings. The first less the second is "
        f"{_amount(difference.difference, scale, unit)}, so they differ by less than {most:.2g} {unit}. "
        f"{what_would_tell(difference)}"
    )


def what_would_tell(difference: Difference) -> str:
    """How much narrower the interval must be for the difference seen to show, and what would make it so."""
    verdict = difference.verdict
    if verdict.narrower is None or verdict.narrower > HOPELESS or not verdict.shares:
        return "They are equal within that."
    main, share = verdict.shares[0]
    origin = "scatter of the readings" if main == SCATTER else main
    head = f"The interval would have to be {verdict.narrower:.2g} times narrower; most of it comes from {origin} "
    head += f"({share * PERCENT:.0f} % of the variance): "
    if verdict.more_runs is not None and verdict.more_runs <= HOPELESS**2:
        times = f"{max(verdict.more_runs, 1.1):.2g}"
        return f"{head}about {times} times as many readings of every sweep would do, if it is as it looks."
    hiding = [name for name, _ in verdict.shares if name != SCATTER]
    return f"{head}more readings alone would not do, {hiding[0] if hiding else origin} would still hide it."


def _obstacle(difference: Difference) -> str:
    if difference.spans is None or difference.obstacle != "range":
        return str(difference.obstacle)
    unit = UNITS[difference.equal]
    ranges = zip((difference.first, difference.second), difference.spans, strict=True)
    return ", ".join(f"{entry.label} covers {_span(span)} {unit}" for entry, span in ranges)


def _span(span: tuple[float, float]) -> str:
    return f"{span[0]:.3g} to {span[1]:.3g}"


def comparison_notes(answer: Comparison) -> list[str]:
    """What a reader must know about how the comparison was made."""
    notes = ["Intervals are 95 %. A verdict needs an interval of the difference that excludes zero."]
    notes += _curve_note(answer.loaded)
    if any(d.question == "input-at-drop" and d.difference for d in answer.differences):
        notes.append("The same drop is not the same cooling power: the better one there may still lift less heat.")
    if any(len(list(combinations(entries, 2))) > MANY_PAIRS for entries in (answer.no_load, answer.loaded)):
        notes.append("Sentences are given for pairs that differ in one thing; --json holds every pair.")
    if not answer.common_range:
        notes.append("The entries have no range of frequency in common: some losses are extrapolated.")
    absent = [e.label for e in answer.loaded if not any(row.entry is e for row in answer.loaded_rows)]
    if absent:
        notes.append(f"Not in the loaded tables, as no frequency asked for lies within its runs: {'; '.join(absent)}.")
    for first, second in combinations(answer.subjects, 2):
        notes.append(_sharing_note(first, second))
    return [*notes, *_copied_files(answer)]


def _curve_note(loaded: Iterable[Entry]) -> list[str]:
    degrees = {entry.label: len(entry.curves["input"].coefficients) - 1 for entry in loaded if entry.curves}
    if not degrees:
        return []
    lines = [label for label, degree in degrees.items() if degree == 1]
    which = "a parabola" if not lines else f"a parabola (a straight line for {'; '.join(lines)})"
    which = "a straight line" if len(lines) == len(degrees) else which
    return [
        f"Powers of a loaded sweep are joined by {which} in frequency, fitted by least squares in every draw: "
        "frequency is known far better than a power, and single runs scatter. The scatter of one run decides between "
        "the two."
    ]


def _sharing_note(first: Subject, second: Subject) -> str:
    sections = shared_sections(first, second)
    pair = f"{first.name} and {second.name}"
    if first.independent or second.independent:
        return f"{pair} are treated as separate instruments and motors."
    if not sections:
        return f"{pair}: no section of bench.toml is alike, so nothing is taken to be the same hardware."
    other = [f"[{section}]" for section in SHARED if section not in sections]
    apart = f" {', '.join(other)} differ and err separately." if other else ""
    return (
        f"{pair}: {', '.join(f'[{s}]' for s in sections)} read alike and are taken to be the same instruments and "
        f"hardware, as are equal dimensions of equally named cylinders; their errors cancel in differences.{apart} "
        "Use --independent if they are not the same."
    )


def _copied_files(answer: Comparison) -> list[str]:
    """Sweeps that occur in two benches: one measurement, whose scatter counts as two."""
    notes = []
    for first, second in combinations(answer.subjects, 2):
        theirs = {sha: name for name, sha in second.calibration.files.items() if name != "bench.toml"}
        both = [name for name, sha in first.calibration.files.items() if sha in theirs]
        if both:
            notes.append(
                f"{first.name} and {second.name} hold the same readings in {', '.join(both)}. Their scatter counts as "
                "if it were measured twice; as two cylinders of one bench the comparison would be sharper."
            )
    return notes
