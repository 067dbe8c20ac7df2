"""The answer of a comparison at a glance: a matrix a question, or ranks among many, and what would tell the rest."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from itertools import product
from string import ascii_uppercase

from driveloss.compare.ask import FRICTION_QUESTIONS, Comparison, Difference
from driveloss.compare.verdict import NO_COMMON_GROUND, OPEN
from driveloss.fit.contributions import SCATTER
from driveloss.say.numbers import decimals, rounded
from driveloss.say.quantities import QUANTITIES
from driveloss.say.sheet import Sheet, listed

ROW = "Row less column"
SWEEP, BEST = "Sweep", "best"
MOST_IN_MATRIX = 8  # sweeps; more are ranked, each less the best
SURE, UNTOLD, BIASED, APART = "", "?", "!", "none"
MARKS = {  # behind a number, or in its place
    SURE: "a number alone is sure",
    UNTOLD: "? cannot be told",
    BIASED: "! biased",
    APART: "none: nothing in common to compare at",
}
MOST_CURES = 3  # of what would tell
MOST_NAMED = 4  # pairs named in one line
HOPELESS = 10.0  # times narrower: a hundred times as many readings, which nobody takes


def at_middle(members: list[Difference]) -> list[Difference]:
    """The pairs of one question; of seal friction those at the middle level, the rest being in tables and JSON."""
    if members and members[0].question in FRICTION_QUESTIONS:
        levels = list(dict.fromkeys(d.level for d in members))
        members = [d for d in members if d.level == levels[len(levels) // 2]]
    return members


def asked(answer: Comparison, questions: Iterable[str], equals: Iterable[str]) -> Iterator[list[Difference]]:
    """Pairs of each question at each thing that is equal, where there are any."""
    for question, equal in product(questions, tuple(equals)):
        members = at_middle([d for d in answer.differences if (d.question, d.equal) == (question, equal)])
        if members:
            yield members


def letters(answer: Comparison) -> dict[str, str]:
    """A letter for each sweep, by its label."""
    labels = dict.fromkeys(entry.label for entry in (*answer.no_load, *answer.loaded))
    return {label: ascii_uppercase[i % 26] * (i // 26 + 1) for i, label in enumerate(labels)}


def matrix(title: str, members: Sequence[Difference], names: dict[str, str]) -> Sheet:
    """Each sweep less each other: sign, size and mark, as MARKS explains it."""
    of = QUANTITIES[members[0].of]
    labels = list(dict.fromkeys(label for d in members for label in (d.first.label, d.second.label)))
    cells = {(d.first.label, d.second.label): _cell(d, 1) for d in members}
    cells |= {(d.second.label, d.first.label): _cell(d, -1) for d in members}
    rows = tuple(
        (f"{names[row]} {row.replace(' at ', ' ')}", *(cells.get((row, column), "") for column in labels))
        for row in labels
    )
    heads = (ROW, *(names[label] for label in labels))
    return Sheet(f"{title} [{of.unit_for_people}]", heads, rows, left=(ROW,))


def ranking(title: str, every: Sequence[Sequence[Difference]], heads: Sequence[str], names: dict[str, str]) -> Sheet:
    """Each sweep less the best, a column for each question's pairs; in the order of the first."""
    columns: list[dict[str, str]] = []
    order = list(names)
    for members in reversed(every):
        ranked = _ranked(members)
        best, order = ranked[0], [*ranked, *(label for label in order if label not in ranked)]
        cells = {d.first.label: _cell(d, 1) for d in members if d.second.label == best}
        cells |= {d.second.label: _cell(d, -1) for d in members if d.first.label == best}
        columns.insert(0, {best: BEST} | cells)
    rows = tuple(
        (f"{names[label]} {label.replace(' at ', ' ')}", *(column.get(label, "") for column in columns))
        for label in order
    )
    return Sheet(title, (SWEEP, *heads), rows, left=(SWEEP,))


def _ranked(members: Iterable[Difference]) -> list[str]:
    """Labels, those first that need less than most others."""
    less: dict[str, int] = {}
    for d in members:
        sign = 0 if d.difference is None else 1 if d.difference.value < 0 else -1
        for label, way in ((d.first.label, sign), (d.second.label, -sign)):
            less[label] = less.get(label, 0) + way
    return sorted(less, key=lambda label: -less[label])


def _cell(difference: Difference, sign: int) -> str:
    found, mark = difference.difference, mark_of(difference)
    if found is None:
        return mark
    scale = sign * QUANTITIES[difference.of].scale
    shown = rounded(found.value * scale, decimals(found.half_width * abs(scale)), "+")
    return f"{shown}{mark}"


def mark_of(difference: Difference) -> str:
    """One of MARKS."""
    verdict = difference.verdict
    if verdict.word == NO_COMMON_GROUND:
        return APART
    return BIASED if verdict.biased_by else UNTOLD if verdict.word == OPEN else SURE


def legend(shown: Iterable[Difference]) -> str:
    """The marks that occur."""
    found = set(map(mark_of, shown))
    return f"Marks: {'; '.join(words for mark, words in MARKS.items() if mark in found)}."


def bias_lines(shown: Iterable[Difference], names: dict[str, str]) -> list[str]:
    """Each flag that may have made a difference, once, with the sweeps that bear it."""
    bearers: dict[str, dict[str, None]] = {}
    for difference in shown:
        for bias in difference.verdict.biased_by:
            entry = (difference.first, difference.second)[bias.side]
            bearers.setdefault(bias.code, {})[f"{names[entry.label]} ({entry.label})"] = None
    return [
        f"! {listed(who)} {'is' if len(who) == 1 else 'are'} flagged {code}, which may have made such a difference; "
        "the notes say what it is and how to be rid of it."
        for code, who in bearers.items()
    ]


def telling_lines(shown: Iterable[Difference], names: dict[str, str]) -> tuple[str, ...]:
    """What would tell the pairs that cannot be told: by what hides most of them, the cheapest way out."""
    hidden: dict[str, list[Difference]] = {}
    for difference in shown:
        narrower, shares = difference.verdict.narrower, difference.verdict.shares
        if mark_of(difference) == UNTOLD and shares and narrower is not None and narrower <= HOPELESS:
            hidden.setdefault(shares[0][0], []).append(difference)
    most = sorted(hidden.items(), key=lambda pair: -len(pair[1]))[:MOST_CURES]
    return tuple(_telling(source, members, names) for source, members in most)


def _telling(source: str, members: Sequence[Difference], names: dict[str, str]) -> str:
    pairs = list(dict.fromkeys(f"{names[d.first.label]}-{names[d.second.label]}" for d in members))
    named = listed([*pairs[:MOST_NAMED], *([f"{len(pairs) - MOST_NAMED} more"] if len(pairs) > MOST_NAMED else [])])
    narrower = _from_to(d.verdict.narrower for d in members if d.verdict.narrower is not None)
    hides = "scatter of the readings" if source == SCATTER else source
    return f"{named}: {hides} hides it; {narrower} times less of it would do: {_cure(source, members)}"


def _from_to(times: Iterable[float]) -> str:
    """The least and the most of numbers above one."""
    found = [max(one, 1.1) for one in times]
    return " to ".join(dict.fromkeys(f"{end:.2g}" for end in (min(found), max(found))))


def _cure(source: str, members: Sequence[Difference]) -> str:
    """How to have less of a source."""
    if source == SCATTER:
        times = [d.verdict.more_runs for d in members if d.verdict.more_runs is not None]
        return f"about {_from_to(times)} times as many readings." if times else "readings that scatter less."
    for subject in dict.fromkeys(side.subject for d in members for side in (d.first, d.second)):
        for keys, row in subject.calibration.meters.assumptions(subject.calibration.rig):
            if row.name == source:
                return f"{row.cure} ({keys[0]}{f' and {len(keys) - 1} more' if len(keys) > 1 else ''})."
    return "state it within narrower limits."
