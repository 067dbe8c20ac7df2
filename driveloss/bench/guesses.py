"""Files that somebody has already, to a bench folder around them: what each is, by its name and its columns."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from driveloss.bench.columns import SPEEDS, SWEEP_KINDS, find_columns, name_and_unit
from driveloss.bench.csvtext import read_bytes, read_table
from driveloss.bench.load import BENCH_FILE
from driveloss.bench.records import CYLINDER_STAGES, RUNDOWN_STAGES, STAGES, Rig
from driveloss.bench.template import ASKED_HEAD, commented, needed, record_lines
from driveloss.bench.units import shown
from driveloss.errors import InputError

NAME, COLUMNS, OTHERS = "the file name", "the columns", "the other files"
STAGE_WORDS = {  # in this order: what was understood is not read again
    "standby": r"stand ?by",
    "blanked": r"blank(?:ed)?(?: off)?|closed off",
    "braked": r"brak(?:e|ed|ing)|dynamometer",
    "no-load": r"no ?load|un ?loaded|without load|ports? open|open(?: ports?)?",
    "piston-disconnected": (
        r"(?:piston ?)?disconnected|(?:no|without) piston|piston (?:off|removed)|"
        r"(?:linkage|crank|drive)(?: only| alone)?"
    ),
    "motor-alone": r"motor(?: ?only| ?alone)?|uncoupled",
    "loaded": r"(?:under )?load(?:ed)?",
}
_PRESSURE = re.compile(
    r"(?<![\d.,])(\d+(?:[.,p]\d+)?) ?(bar|kpa|mpa|mbar|psi)(g| ?gauge)?(?![a-z])",
)
_UNITS = {"kpa": "kPa", "mpa": "MPa"}
_AFTER = re.compile(r"\b(?:after|again)\b")
HOLDERS = ("cylinder", "cyl", "piston", "seal", "bore")  # before a number: "cylinder 2"
NO_NAMES = {
    *HOLDERS,
    *("after", "again", "before", "repeat", "sweep", "run", "runs", "test", "data", "log", "readings", "the", "at"),
    *("measured", "measurement", "recording", "recorded", "rundown", "coast", "pressure", "charged", "warm", "cold"),
}
ONLY = "cylinder"  # called so where no file names one
AMBIENT = 101325.0  # [Pa] to look at headings with; bench.toml states its own


@dataclass(frozen=True)
class Guess:
    """A value and what it was guessed from; None: not to be told."""

    value: str | None = None
    source: str = NAME


@dataclass(frozen=True)
class Found:
    """One file and what it seems to be."""

    file: str
    data: bytes
    table: str  # of bench.toml: sweeps, recordings or rundowns
    stage: Guess
    cylinder: Guess
    pressure: Guess
    has_pressure: bool  # a column of it
    is_after: bool  # without load, behind the loaded runs
    is_log: bool  # has a time column beside power

    @property
    def place(self) -> tuple[int, bool, int]:
        """Where it stands in bench.toml: by the ladder, a sweep after the loaded runs at the end."""
        order = STAGES.index(self.stage.value) if self.stage.value else len(STAGES)
        return ("sweeps", "recordings", "rundowns").index(self.table), self.is_after, order

    @property
    def needs_cylinder(self) -> bool:
        """Whether it belongs to a cylinder, or may."""
        return self.table == "recordings" or self.stage.value is None or self.stage.value in CYLINDER_STAGES


def guessed_files(paths: Sequence[Path]) -> tuple[dict[str, bytes], list[str]]:
    """The files of a bench folder around copies of some files, name to content; and a line for each of guesses.

    Raises InputError for one that cannot be read, or whose columns cannot; for two of one name.
    """
    found = [_found(path) for path in paths]
    for file in (one.file for one in found):
        if file == BENCH_FILE or sum(file == one.file for one in found) > 1:
            raise InputError(f"{shown(file)}: expected files of readings with names of their own, read it twice")
    found = sorted(_with_cylinders(found), key=lambda one: one.place)
    text = "\n".join(_lines(found)) + "\n"
    return {BENCH_FILE: text.encode(), **{one.file: one.data for one in found}}, [_told(one) for one in found]


def _found(path: Path) -> Found:
    data = read_bytes(path, str(path))
    table = read_table(data, path.name)
    names = {name_and_unit(heading)[0] for heading in table.headings}
    kind = _table(names)
    if kind == "sweeps":
        find_columns(table, SWEEP_KINDS, AMBIENT)  # refuses headings that will not do
    words = _words(path.stem)
    stage, rest = _stage(_PRESSURE.sub(" ", words), names, kind)
    return Found(
        file=path.name,
        data=data,
        table=kind,
        stage=stage,
        cylinder=Guess(_cylinder(rest)),
        pressure=Guess(_pressure(words)),
        has_pressure="mean pressure" in names,
        is_after=stage.value == "no-load" and _AFTER.search(words) is not None,
        is_log="time" in names and kind == "sweeps",
    )


def _table(names: set[str]) -> str:
    """Which table of bench.toml a file belongs to, by its columns."""
    if "pressure" in names and names & {"crank angle", "index", "volume"}:
        return "recordings"
    has_power = "power" in names or {"voltage", "current"} <= names
    return "rundowns" if "time" in names and not has_power else "sweeps"


def _words(stem: str) -> str:
    """A file's name as words.

    >>> _words("WideBore_noLoad-2.4bar"), _words("motor+crank (3)")
    ('wide bore no load 2.4bar', 'motor crank 3')
    """
    apart = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", stem)
    return " ".join(re.split(r"[\s_+()\[\]-]+|(?<!\d)[.,]|[.,](?!\d)", apart)).strip().lower()


def _stage(words: str, names: set[str], kind: str) -> tuple[Guess, str]:
    """The stage, and the words of the name that say nothing of it."""
    said = []
    for stage, pattern in STAGE_WORDS.items():
        words, count = re.subn(rf"\b(?:{pattern})\b", " ", words)
        said += [stage] if count else []
    if said == ["piston-disconnected", "motor-alone"]:
        said = said[:1]  # the motor with what it drives
    if kind == "recordings" and not {"loaded", "blanked"} & {*said}:
        return Guess("loaded", COLUMNS), words
    by_columns = _stage_by_columns(names) if not said and kind == "sweeps" else None
    if by_columns:
        return Guess(by_columns, COLUMNS), words
    return Guess(said[0] if len(said) == 1 and (kind != "rundowns" or said[0] in RUNDOWN_STAGES) else None), words


def _stage_by_columns(names: set[str]) -> str | None:
    if names & {"torque", "brake force"}:
        return "braked"
    if not names & {*SPEEDS}:
        return "standby"
    return "loaded" if names & {"cold end", "hot end"} else None


def _cylinder(rest: str) -> str | None:
    """What remains of a name.

    >>> _cylinder("wide  after"), _cylinder("seal 2 20240517"), _cylinder("run 3")
    ('wide', 'seal-2', None)
    """
    words, kept = rest.split(), []
    for i, word in enumerate(words):
        is_number = word.isdigit() and len(word) < 3 and i > 0 and words[i - 1] in HOLDERS
        if is_number:
            kept.append(f"{words[i - 1]}-{word}")
        elif word not in NO_NAMES and not re.fullmatch(r"[\d.,]+", word):
            kept.append(word)
    return "-".join(kept) or None


def _pressure(words: str) -> str | None:
    """A pressure in a name.

    >>> _pressure("wide 2p4bar"), _pressure("narrow 1,5 barg"), _pressure("bar 2")
    ('2.4 bar', '1.5 bar gauge', None)
    """
    match = _PRESSURE.search(words)
    if match is None:
        return None
    number, unit, gauge = match.groups()
    return f"{re.sub('[,p]', '.', number)} {_UNITS.get(unit, unit)}{' gauge' if gauge else ''}"


def _with_cylinders(found: Sequence[Found]) -> Iterator[Found]:
    """Where a name says nothing of the cylinder: the one that the others name, or the only one."""
    named = sorted({str(one.cylinder.value) for one in found if one.needs_cylinder and one.cylinder.value})
    lone = named[0] if len(named) == 1 else None if named else ONLY
    for one in found:
        if not one.needs_cylinder:
            yield replace(one, cylinder=Guess())
        elif one.cylinder.value is None:
            yield replace(one, cylinder=Guess(lone, OTHERS))
        else:
            yield one


def _lines(found: Sequence[Found]) -> Iterator[str]:
    cylinders = sorted({one.cylinder.value for one in found if one.cylinder.value}) or [ONLY]
    yield from (ASKED_HEAD, *record_lines(Rig, cylinders=cylinders, is_filled=False))
    yield from ("", "# The tear-down ladder as it was guessed, in the order of the work: check every line.")
    for one in found:
        yield from ("", *_entry(one))


def _entry(one: Found) -> Iterator[str]:
    """The table of one file."""
    yield f"[[{one.table}]]"
    yield f"file = {json.dumps(one.file, ensure_ascii=False)}"
    if one.is_log:
        yield "# It has a time column: is it a recorder's log? Make readings of it first, by driveloss steady."
    allowed = {"sweeps": STAGES, "recordings": ("loaded", "blanked"), "rundowns": RUNDOWN_STAGES}[one.table]
    yield _key("stage", one.stage, needed(f"one of {', '.join(allowed)}"))
    if one.needs_cylinder:
        ask = needed("the name of its cylinder" + ", where the stage has one" * (one.stage.value is None))
        yield _key("cylinder", one.cylinder, ask)
    if one.needs_cylinder and not one.has_pressure:
        is_needed = one.table == "sweeps" and one.stage.value == "loaded"
        ask = needed("absolute, or a column of it") if is_needed else "absolute; ambient unless given"
        yield _key("mean_pressure", one.pressure, ask)
    if one.is_after:
        yield "# Behind the loaded runs, since its name says that it was made after them: check."
    if one.table == "recordings":
        yield commented('# frequency = "..."', "where the file has no time column")
    if one.table == "rundowns":
        yield commented('# inertia = "..."', "of all that turns, at the crank")


def _key(name: str, guess: Guess, ask: str) -> str:
    if guess.value is None:
        return commented(f'# {name} = "..."', ask)
    return commented(f"{name} = {json.dumps(guess.value, ensure_ascii=False)}", f"guessed from {guess.source}: check")


def _told(one: Found) -> str:
    guesses = {"stage": one.stage} | ({"cylinder": one.cylinder} if one.needs_cylinder else {})
    guesses |= {"mean pressure": one.pressure} if one.pressure.value and one.needs_cylinder else {}
    words = (
        f"{name} {guess.value} (from {guess.source})" if guess.value else f"{name} not to be told, asked for"
        for name, guess in guesses.items()
    )
    return f"{one.file}: {'; '.join(words)}"
