"""bench.toml to a Rig and the list of its sweeps: the fields of the records say what may stand in it."""

from __future__ import annotations

import hashlib
import re
import tomllib
from collections import Counter
from collections.abc import Iterable, Sized
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any, TypeVar

from driveloss.bench.csvtext import check_length, read_bytes, utf8
from driveloss.bench.quantity import parse_limits, parse_quantity
from driveloss.bench.records import (
    CYLINDER_STAGES,
    RUNDOWN_STAGES,
    STAGES,
    FieldError,
    Limits,
    Quantity,
    RecordingSpec,
    Rig,
    RundownSpec,
    SweepSpec,
)
from driveloss.bench.rules import Key, keys_of, names_in
from driveloss.bench.units import as_text, did_you_mean, one_line, shown
from driveloss.errors import InputError

SCHEMA = 1
MOST_BYTES = 500_000
LONGEST_LINE = 8000  # characters
MOST_DOTS = 50  # in a line: the cost of a key is the square of its parts
MOST_TABLES = 200  # of one kind

Record = TypeVar("Record")
KeyPath = tuple[str | int, ...]

_HEADER = re.compile(r"\s*(\[\[?)([^\[\]]+)\]")
_KEY = re.compile(r"""\s*(?:"([^"]+)"|'([^']+)'|([^\s"'=#]+))\s*=""")


@dataclass(frozen=True, slots=True)
class Config:
    """What bench.toml says."""

    rig: Rig
    sweeps: tuple[SweepSpec, ...]
    sha256: str
    notices: tuple[str, ...] = ()
    recordings: tuple[RecordingSpec, ...] = ()
    rundowns: tuple[RundownSpec, ...] = ()


@dataclass(frozen=True)
class Source:
    """The text of bench.toml, to find the line of a key in, and the notices gathered on the way."""

    name: str
    text: str
    notices: list[str] = field(default_factory=list)

    def where(self, path: KeyPath) -> str:
        """File, line (where the text shows it) and key path: the start of a message."""
        line = self._lines.get(path, self._lines.get(path[:-1])) if path else None
        at = self.name if line is None else f"{self.name}, line {line}"
        return f"{at}, key '{key_path(path)}'" if path else at

    @cached_property
    def _lines(self) -> dict[KeyPath, int]:
        return lines_of(self.text)


def key_path(path: KeyPath) -> str:
    """'cylinders.narrow.bore'; the second of [[sweeps]] is sweeps[2]."""
    return "".join(f"[{part + 1}]" if isinstance(part, int) else f".{shown(part)}" for part in path)[1:]


def lines_of(text: str) -> dict[KeyPath, int]:
    """Line of each key and of each table's header in plainly written TOML; the first where it stands twice.

    >>> lines_of("a = 1\\n[[sweeps]]\\nfile = 'x.csv'\\n")
    {('sweeps', 0): 2, ('a',): 1, ('sweeps', 0, 'file'): 3}
    """
    table: KeyPath = ()
    keys: dict[KeyPath, int] = {}
    headers: dict[KeyPath, int] = {}
    many: Counter[KeyPath] = Counter()
    for number, line in enumerate(text.split("\n"), start=1):
        if header := _HEADER.match(line):
            table = tuple(part.strip().strip("\"'") for part in header[2].split("."))
            if header[1] == "[[":
                many[table] += 1
                table = (*table, many[table] - 1)
            headers.setdefault(table, number)
        elif key := _KEY.match(line):
            keys.setdefault((*table, key[1] or key[2] or key[3]), number)
    return headers | keys


class Table:
    """One table of bench.toml: hands out checked values, and knows where they stand."""

    def __init__(self, source: Source, path: KeyPath, values: object, allowed: tuple[str, ...] | None) -> None:
        self.source, self.path = source, path
        if not isinstance(values, dict):
            form = f"[{key_path(path)}]" if path else "a table"
            raise InputError(f"{self.where()}: expected a table {form}, read {shown(as_text(values))}")
        self.values: dict[str, Any] = values
        for key in values:
            if allowed is not None and key not in allowed:
                raise InputError(f"{self.where(key)}: unknown key '{shown(key)}'{suggestion(key, allowed)}")

    def where(self, *key: str | int) -> str:
        return self.source.where((*self.path, *key))

    def refusal(self, expected: str, key: str) -> InputError:
        return InputError(f"{self.where(key)}: {expected}, read {shown(as_text(self.values[key]))}")

    def table(self, key: str, allowed: tuple[str, ...] | None) -> Table:
        """A table inside this one; empty where it is left out."""
        return Table(self.source, (*self.path, key), self.values.get(key, {}), allowed)

    def home(self, record: type, key: Key) -> Table:
        """The table that holds a key of the record read from this one."""
        return self.table(key.home, names_in(record, key.home)) if key.home else self

    def require(self, key: str, written: str) -> None:
        if key not in self.values:
            raise InputError(f"{self.where()}: the key '{key}' is missing, expected such as {key} = {written}")

    def text(self, key: str, words: Iterable[str] | None) -> str:
        """A text; one of the words unless they are None."""
        value = self.values[key]
        if not isinstance(value, str):
            raise self.refusal("expected text in quotes", key)
        if words is not None and value not in (known := tuple(words)):
            raise InputError(f"{self.where(key)}: unknown {key} '{shown(value)}'{suggestion(value, known)}")
        return value

    def value(self, key: Key, ambient_pressure: Quantity | None) -> Any:
        """What is written for a key, in the form of the record's field."""
        written, where = self.values[key.name], self.where(key.name)
        if key.form is str:
            text = self.text(key.name, key.words or None)
            return text if key.name == "file" else one_line(text)
        if key.form is Limits:
            return parse_limits(written, key.kind, where)
        found = parse_quantity(written, key.kind, where, ambient_pressure)
        if key.form is Quantity:
            return found
        if "+/-" in str(written).replace("±", "+/-"):
            self.source.notices.append(f"{where}: its limit of error is not used; state it in {key.limit_in}")
        return found.value


def read_record(table: Table, record: type[Record], ambient_pressure: Quantity | None = None, **known: Any) -> Record:
    """A record from its table. known: fields that need not be written; ambient_pressure: [Pa], for gauge pressures."""
    for key in keys_of(record):
        home, ambient_pressure = table.home(record, key), known.get("ambient_pressure", ambient_pressure)
        if key.is_family:
            known[key.field] = _cylinders(home.table(key.name, None), key.record, ambient_pressure)
        elif key.record:
            known[key.field] = read_record(home.table(key.name, names_in(key.record)), key.record, ambient_pressure)
        elif key.name in home.values:
            known[key.field] = home.value(key, ambient_pressure)
        elif key.is_required and key.field not in known:
            home.require(key.name, key.written)
    try:
        return record(**known)
    except FieldError as error:
        refused = next(key for key in keys_of(record) if key.field == error.field)
        raise InputError(f"{table.home(record, refused).where(refused.name)}: {error}") from error


def _cylinders(tables: Table, record: type[Record], ambient_pressure: Quantity | None) -> dict[str, Record]:
    found = {}
    _check_count(tables.where(), tables.values)
    for name in tables.values:
        if not name.strip() or not name.isprintable():
            raise InputError(f"{tables.where(name)}: expected a cylinder name, read '{shown(name)}'")
        known = {"name": name, "back_pressure": ambient_pressure}  # where the table says nothing
        found[name] = read_record(tables.table(name, names_in(record)), record, ambient_pressure, **known)
    return found


def suggestion(word: str, allowed: Iterable[str]) -> str:
    """What may have been meant, else everything that is allowed."""
    words = list(allowed)
    begun = [known for known in words if word and known.startswith(word.lower())]
    if meant := did_you_mean(word.lower(), words) or did_you_mean(begun[0] if begun else "", words):
        return meant
    return f"; expected one of {', '.join(words)}" if words else "; none is defined"


def read_config(path: Path) -> Config:
    """Read bench.toml. InputError names file, line and key of what is missing, unknown or out of range."""
    data = read_bytes(path, str(path), MOST_BYTES)
    source = Source(path.name, utf8(data, path.name).replace("\r\n", "\n"))
    _check_lines(source)
    top = Table(source, (), _parse(source), ("schema", *names_in(Rig), "sweeps", "recordings", "rundowns"))
    _check_schema(top)
    rig = read_record(top, Rig, title=path.parent.resolve().name)
    sweeps, recordings = _sweeps(top, rig), _recordings(top, rig)
    rundowns = tuple(_rundown(table, rig) for table in _tables(top, "rundowns", RundownSpec))
    return Config(rig, sweeps, hashlib.sha256(data).hexdigest(), tuple(source.notices), recordings, rundowns)


def _check_lines(source: Source) -> None:
    """Refuse what would keep the parser busy."""
    lines = list(enumerate(source.text.split("\n"), start=1))
    check_length(lines, source.name, LONGEST_LINE)
    for number, line in lines:
        if line.count(".") > MOST_DOTS and not line.lstrip().startswith("#"):
            read = f"read '{shown(line)}'"
            raise InputError(f"{source.name}, line {number}: expected no more than {MOST_DOTS} dots in a line, {read}")


def _parse(source: Source) -> dict[str, Any]:
    try:
        return tomllib.loads(source.text)
    except (ValueError, RecursionError) as error:  # TOMLDecodeError is a ValueError
        raise InputError(_syntax_message(source, str(error))) from error


def _syntax_message(source: Source, reason: str) -> str:
    place = re.search(r" \(at line (\d+), column (\d+)\)$", reason)
    if place is None:
        last = source.text.rstrip("\n").count("\n") + 1
        at = f", line {last}" if reason.endswith("(at end of document)") else ""
        return f"{source.name}{at}: not valid TOML: {reason}"
    line = source.text.split("\n")[int(place[1]) - 1]
    return (
        f"{source.name}, line {place[1]}, column {place[2]}: not valid TOML: {reason[: place.start()]}, "
        f"read '{shown(line.strip())}'"
    )


def _check_schema(top: Table) -> None:
    top.require("schema", str(SCHEMA))
    if top.values["schema"] != SCHEMA or isinstance(top.values["schema"], bool):
        raise top.refusal(f"expected {SCHEMA}", "schema")


def _sweeps(top: Table, rig: Rig) -> tuple[SweepSpec, ...]:
    tables = _tables(top, "sweeps", SweepSpec)
    if not tables:
        raise InputError(f"{top.where()}: expected at least one table [[sweeps]], read none")
    return tuple(_sweep(table, rig) for table in tables)


def _tables(top: Table, name: str, record: type) -> list[Table]:
    """The tables [[name]]."""
    values = top.values.get(name, [])
    if not isinstance(values, list):
        raise top.refusal(f"expected [[{name}]] in double brackets", name)
    _check_count(top.where(name), values)
    return [Table(top.source, (name, i), value, names_in(record)) for i, value in enumerate(values)]


def _check_count(where: str, entries: Sized) -> None:
    if len(entries) > MOST_TABLES:
        raise InputError(f"{where}: expected no more than {MOST_TABLES} of them, read {len(entries)}")


def _recordings(top: Table, rig: Rig) -> tuple[RecordingSpec, ...]:
    found = []
    for table in _tables(top, "recordings", RecordingSpec):
        for key in ("file", "cylinder"):
            table.require(key, '"..."')
        table.text("cylinder", rig.cylinders)
        found.append(read_record(table, RecordingSpec, rig.ambient_pressure, where=table.where("file")))
    return tuple(found)


def _sweep(table: Table, rig: Rig) -> SweepSpec:
    spec = read_record(table, SweepSpec, rig.ambient_pressure, where=table.where("file"))
    _check_piston(table, rig, spec.stage)
    return spec


def _rundown(table: Table, rig: Rig) -> RundownSpec:
    for key in ("file", "stage"):
        table.require(key, '"..."')
    if table.text("stage", STAGES) not in RUNDOWN_STAGES:
        wanted = ", ".join(RUNDOWN_STAGES)
        raise table.refusal(f"nothing but friction may slow down what coasts: expected one of {wanted}", "stage")
    spec = read_record(table, RundownSpec, rig.ambient_pressure, where=table.where("file"))
    _check_piston(table, rig, spec.stage)
    return spec


def _check_piston(table: Table, rig: Rig, stage: str) -> None:
    """Stages with a piston name their cylinder, others have neither that nor a pressure."""
    if stage in CYLINDER_STAGES:
        table.require("cylinder", f'"{next(iter(rig.cylinders), "narrow")}"')
        table.text("cylinder", rig.cylinders)
        return
    for key in ("cylinder", "mean_pressure"):
        if key in table.values:
            raise table.refusal(f"no piston moves at stage '{stage}': expected no key '{key}'", key)
