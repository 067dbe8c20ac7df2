"""bench.toml to a Rig and the list of its sweeps."""

from __future__ import annotations

import hashlib
import re
import tomllib
from collections.abc import Iterable
from dataclasses import dataclass, field
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from driveloss.bench.quantity import parse_limits, parse_quantity
from driveloss.bench.records import (
    CYCLES,
    CYLINDER_STAGES,
    STAGES,
    SUPPLIES,
    Aftercooler,
    Cylinder,
    Limits,
    Meter,
    Motor,
    Quantity,
    Rig,
    Transmission,
)
from driveloss.bench.rules import KEY_KINDS, METER_KINDS
from driveloss.bench.units import shown
from driveloss.errors import InputError
from driveloss.physics.gas import GAS_CONSTANT

SCHEMA = 1
REFERENCE_WINDING = 293.15  # [K] 20 degC, where data sheets state a resistance
TOP = (
    "schema",
    "title",
    "ambient_temperature",
    "ambient_pressure",
    "meter",
    "motor",
    "transmission",
    "crank",
    "cylinders",
    "aftercooler",
    "cycle",
    "sweeps",
)
MOTOR = (
    "supply",
    "winding_resistance",
    "winding_temperature",
    "torque_constant",
    "current_form_factor",
    "incremental_efficiency",
    "peak_torque",
    "current_limit",
)
TRANSMISSION = ("ratio", "efficiency")
CRANK = ("rod_length",)
CYLINDER_TEXTS = ("seal", "gas")
CYLINDER = (
    "bore",
    "stroke",
    *CYLINDER_TEXTS,
    "back_pressure",
    "open_port_diameter",
    "discharge_coefficient",
    "pressure_friction",
)
AFTERCOOLER = ("seal_heat_share", "thermal_resistance")
CYCLE = ("kind",)
SWEEP = ("stage", "cylinder", "file", "mean_pressure")

KeyPath = tuple[str | int, ...]


@dataclass(frozen=True, slots=True)
class SweepSpec:
    """One [[sweeps]] table, and how messages call its place."""

    stage: str
    cylinder: str | None
    file: str
    mean_pressure: float | None  # [Pa] absolute
    where: str


@dataclass(frozen=True, slots=True)
class Config:
    """What bench.toml says."""

    rig: Rig
    sweeps: tuple[SweepSpec, ...]
    sha256: str
    notices: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Source:
    """The text of bench.toml, to find the line of a key in, and the notices gathered on the way."""

    name: str
    text: str
    notices: list[str] = field(default_factory=list)

    def where(self, path: KeyPath) -> str:
        """File, line (where the text shows it) and key path: the start of a message."""
        line = find_line(self.text, path)
        at = self.name if line is None else f"{self.name}, line {line}"
        return f"{at}, key '{key_path(path)}'" if path else at


def key_path(path: KeyPath) -> str:
    """'cylinders.narrow.bore'; the second of [[sweeps]] is sweeps[2]."""
    return "".join(f"[{part + 1}]" if isinstance(part, int) else f".{shown(part)}" for part in path)[1:]


def find_line(text: str, path: KeyPath) -> int | None:
    """Line of a key, else of its table's header, in plainly written TOML; None where it is not found."""
    if not path:
        return None
    key = re.compile(rf"\s*[\"']?{re.escape(str(path[-1]))}[\"']?\s*=")
    table: KeyPath = ()
    headers: dict[KeyPath, int] = {}
    for number, line in enumerate(text.split("\n"), start=1):
        header = re.match(r"\s*(\[\[?)([^\[\]]+)\]", line)
        if header:
            table = _table_path(header[1], header[2], headers)
            headers.setdefault(table, number)
        elif table == path[:-1] and key.match(line):
            return number
    return headers.get(path, headers.get(path[:-1]))


def _table_path(brackets: str, written: str, headers: dict[KeyPath, int]) -> KeyPath:
    names = tuple(part.strip().strip("\"'") for part in written.split("."))
    if brackets == "[":
        return names
    return (*names, sum(path[:-1] == names for path in headers))


class Table:
    """One table of bench.toml: hands out checked values, and knows where they stand."""

    def __init__(self, source: Source, path: KeyPath, values: object, allowed: Iterable[str] | None) -> None:
        self.source, self.path = source, path
        if not isinstance(values, dict):
            form = f"[{key_path(path)}]" if path else "a table"
            raise InputError(f"{source.where(path)}: expected a table {form}, read {shown(repr(values))}")
        self.values: dict[str, Any] = values
        if allowed is not None:
            self._refuse_unknown(tuple(allowed))

    def _refuse_unknown(self, allowed: tuple[str, ...]) -> None:
        for key in self.values:
            if key not in allowed:
                raise InputError(f"{self.where(key)}: unknown key '{shown(key)}'{suggestion(key, allowed)}")

    def where(self, *key: str | int) -> str:
        return self.source.where((*self.path, *key))

    def table(self, key: str, allowed: Iterable[str] | None) -> Table:
        """A table inside this one; empty where it is left out."""
        return Table(self.source, (*self.path, key), self.values.get(key, {}), allowed)

    def require(self, key: str, example: str) -> None:
        if key not in self.values:
            raise InputError(f"{self.where()}: the key '{key}' is missing, expected such as {key} = {example}")

    def text(self, key: str, default: str = "") -> str:
        value = self.values.get(key, default)
        if not isinstance(value, str):
            raise InputError(f"{self.where(key)}: expected text in quotes, read {shown(repr(value))}")
        return value

    def choice(self, key: str, allowed: Iterable[str], default: str) -> str:
        value, words = self.text(key, default), tuple(allowed)
        if value not in words:
            raise InputError(f"{self.where(key)}: unknown {key} '{shown(value)}'{suggestion(value, words)}")
        return value

    def optional(self, key: str, ambient_pressure: Quantity | None = None) -> Quantity | None:
        if key not in self.values:
            return None
        return parse_quantity(self.values[key], KEY_KINDS[key], self.where(key), ambient_pressure)

    def quantity(self, key: str, default: Quantity, ambient_pressure: Quantity | None = None) -> Quantity:
        found = self.optional(key, ambient_pressure)
        return default if found is None else found

    def required(self, key: str, ambient_pressure: Quantity | None = None) -> Quantity:
        self.require(key, f'"{KEY_KINDS[key].example}"')
        return parse_quantity(self.values[key], KEY_KINDS[key], self.where(key), ambient_pressure)

    def value_only(self, key: str, instead: str, ambient_pressure: Quantity | None = None) -> float | None:
        """A quantity whose own limit of error is not used; a notice says so and where to state it instead."""
        found = self.optional(key, ambient_pressure)
        if found is not None and "+/-" in str(self.values[key]).replace("±", "+/-"):
            self.source.notices.append(f"{self.where(key)}: its limit of error is not used; state it in {instead}")
        return None if found is None else found.value


def suggestion(word: str, allowed: Iterable[str]) -> str:
    """What may have been meant, else everything that is allowed."""
    words = list(allowed)
    near = get_close_matches(word.lower(), words, n=1, cutoff=0.6)
    near = near or [known for known in words if word and known.startswith(word.lower())]
    if near:
        return f"; did you mean '{near[0]}'?"
    return f"; expected one of {', '.join(words)}" if words else "; none is defined"


def read_config(path: Path) -> Config:
    """Read bench.toml. InputError names file, line and key of what is missing, unknown or out of range."""
    data = _bytes(path)
    source = Source(path.name, _decode(data, path.name))
    top = Table(source, (), _parse(source), TOP)
    _check_schema(top)
    rig = _rig(top, path.parent)
    sweeps = _sweeps(top, rig)
    return Config(rig, sweeps, hashlib.sha256(data).hexdigest(), tuple(source.notices))


def _bytes(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror}") from error


def _decode(data: bytes, name: str) -> str:
    try:
        return data.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        read = f"byte 0x{data[error.start]:02x}"
        raise InputError(f"{name}, line {line}: expected UTF-8 text, read {read}") from error


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
    schema = top.values["schema"]
    if schema != SCHEMA or isinstance(schema, bool):
        raise InputError(f"{top.where('schema')}: expected {SCHEMA}, read {shown(repr(schema))}")


def _rig(top: Table, folder: Path) -> Rig:
    temperature = top.required("ambient_temperature")
    pressure = top.required("ambient_pressure")
    parts = {
        "meter": _meter(top.table("meter", METER_KINDS)),
        "motor": _motor(top),
        "transmission": _transmission(top.table("transmission", TRANSMISSION)),
        "rod_length": top.table("crank", CRANK).optional("rod_length"),
        "cylinders": _cylinders(top.table("cylinders", None), pressure),
        "aftercooler": _aftercooler(top.table("aftercooler", AFTERCOOLER)),
        "cycle": top.table("cycle", CYCLE).choice("kind", CYCLES, "none"),
    }
    title = top.text("title", folder.resolve().name)
    return _placed(top.where("crank", "rod_length"), Rig, title, temperature, pressure, **parts)


def _placed(where: str, record: Any, *values: Any, **named: Any) -> Any:
    """Build a record; what it refuses by itself gets its place in the file."""
    try:
        return record(*values, **named)
    except InputError as error:
        raise InputError(f"{where}: {error}") from error


def _meter(table: Table) -> Meter:
    limits: dict[str, Limits] = {
        key: parse_limits(value, METER_KINDS[key], table.where(key)) for key, value in table.values.items()
    }
    return Meter(**limits)


def _motor(top: Table) -> Motor:
    table = top.table("motor", MOTOR)
    table.require("supply", '"terminals"')
    temperature = table.value_only("winding_temperature", "winding_resistance")
    return _placed(
        table.where("incremental_efficiency"),
        Motor,
        supply=table.choice("supply", SUPPLIES, ""),
        winding_resistance=table.optional("winding_resistance"),
        winding_temperature=REFERENCE_WINDING if temperature is None else temperature,
        torque_constant=table.optional("torque_constant"),
        current_form_factor=table.quantity("current_form_factor", Quantity(1.0)),
        incremental_efficiency=table.optional("incremental_efficiency"),
        peak_torque=table.optional("peak_torque"),
        current_limit=table.optional("current_limit"),
    )


def _transmission(table: Table) -> Transmission:
    standard = Transmission()
    return Transmission(
        ratio=table.quantity("ratio", standard.ratio),
        efficiency=table.quantity("efficiency", standard.efficiency),
    )


def _aftercooler(table: Table) -> Aftercooler:
    return Aftercooler(
        seal_heat_share=table.quantity("seal_heat_share", Aftercooler().seal_heat_share),
        thermal_resistance=table.optional("thermal_resistance"),
    )


def _cylinders(tables: Table, ambient_pressure: Quantity) -> dict[str, Cylinder]:
    for name in tables.values:
        if not name.strip() or not name.isprintable():
            raise InputError(f"{tables.where(name)}: expected a cylinder name, read '{shown(name)}'")
    return {name: _cylinder(name, tables.table(name, CYLINDER), ambient_pressure) for name in tables.values}


def _cylinder(name: str, table: Table, ambient_pressure: Quantity) -> Cylinder:
    fields = {
        "bore": table.required("bore"),
        "stroke": table.required("stroke"),
        "back_pressure": table.quantity("back_pressure", ambient_pressure, ambient_pressure),
        "seal": table.text("seal"),
        "gas": table.choice("gas", GAS_CONSTANT, "air"),
        "open_port_diameter": table.optional("open_port_diameter"),
        "pressure_friction": table.optional("pressure_friction"),
    }
    if "discharge_coefficient" in table.values:  # else the record's own, with its limit
        fields["discharge_coefficient"] = table.required("discharge_coefficient")
    return _placed(table.where("open_port_diameter"), Cylinder, name, **fields)


def _sweeps(top: Table, rig: Rig) -> tuple[SweepSpec, ...]:
    values = top.values.get("sweeps", [])
    if not isinstance(values, list):
        raise InputError(f"{top.where('sweeps')}: expected [[sweeps]] in double brackets, read {shown(repr(values))}")
    if not values:
        raise InputError(f"{top.where()}: expected at least one table [[sweeps]], read none")
    return tuple(_sweep(Table(top.source, ("sweeps", index), value, SWEEP), rig) for index, value in enumerate(values))


def _sweep(table: Table, rig: Rig) -> SweepSpec:
    table.require("stage", f'"{STAGES[1]}"')
    table.require("file", '"readings.csv"')
    stage = table.choice("stage", STAGES, "")
    if stage not in CYLINDER_STAGES:
        _refuse_cylinder_keys(table, stage)
        cylinder = None
    else:
        table.require("cylinder", f'"{next(iter(rig.cylinders), "narrow")}"')
        cylinder = table.choice("cylinder", rig.cylinders, "")
    pressure = table.value_only("mean_pressure", "[meter] pressure", rig.ambient_pressure)
    return SweepSpec(stage, cylinder, table.text("file"), pressure, table.where("file"))


def _refuse_cylinder_keys(table: Table, stage: str) -> None:
    for key in ("cylinder", "mean_pressure"):
        if key in table.values:
            raise InputError(
                f"{table.where(key)}: no piston moves at stage '{stage}': expected no key '{key}', "
                f"read {shown(repr(table.values[key]))}"
            )
