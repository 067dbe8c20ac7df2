"""One CSV file of readings to a Sweep."""

from __future__ import annotations

import hashlib
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from driveloss.bench.csvtext import CsvTable, read_bytes, read_table
from driveloss.bench.quantity import NUMBER, check_range
from driveloss.bench.records import AMBIENT_STAGES, CYLINDER_STAGES, FloatArray, Sweep, SweepSpec
from driveloss.bench.rules import Kind, columns_of
from driveloss.bench.units import Conversion, conversion_to, did_you_mean, shown
from driveloss.errors import InputError

_HEADING = re.compile(r"(?P<name>[^\[\]]*?)\s*(?:\[(?P<unit>[^\[\]]*)\])?")
NOT_FINITE = {"nan", "inf", "infinity", "#n/a", "#num!", "#div/0!"}

FIELDS = {field.replace("_", " "): field for field in columns_of(Sweep)}  # by the name in a heading
KINDS = {name: columns_of(Sweep)[field] for name, field in FIELDS.items()}
KINDS["speed"] = replace(KINDS["frequency"], example="rpm", hint="which unit was it in?")  # frequency's other name
_NAMES = (*KINDS, "note")
OF_LOGS = ("start", "end", "effective readings", "cold end as read", "hot end as read")  # by `steady`


@dataclass(frozen=True, slots=True)
class Column:
    """A column of numbers: where it stands, how it is headed, how its numbers become SI."""

    index: int
    name: str
    heading: str
    unit: str
    scale: Conversion


@dataclass(frozen=True, slots=True)
class ColumnValues:
    """A column's numbers in SI and the step of its finest last digit."""

    values: FloatArray
    step: float


def read_sweep(path: Path, spec: SweepSpec, ambient_pressure: float | None = None) -> tuple[Sweep, tuple[str, ...]]:
    """Read one file of readings, called `spec.file` in messages; the sweep and notices about what was left out.

    spec.mean_pressure is used where the file has no such column; a no-load or blanked sweep without either is at
    ambient_pressure [Pa], which gauge pressures need too.
    InputError: whatever cannot be read without a guess, with file, line, column, what was read and expected.
    """
    stage, data = spec.stage, read_bytes(path, spec.file)
    table = read_table(data, spec.file)
    columns, left_out = find_columns(table, KINDS, ambient_pressure)
    _check_columns(columns, left_out, table, stage)
    _check_second_header(columns, table)
    _check_decimal_mark(columns, table)
    above_zero = _above_zero(stage, has_power="power" in columns)
    values = {name: _read_column(c, table, stage, is_above_zero=name in above_zero) for name, c in columns.items()}
    sweep = Sweep(
        stage=stage,
        cylinder=spec.cylinder,
        file=spec.file,
        sha256=hashlib.sha256(data).hexdigest(),
        line=np.array([row.line for row in table.rows], dtype=np.int64),
        note=_notes(table),
        **_fields(values, len(table.rows)),
    )
    at = table.where(table.header_line)
    notices = tuple(f"{at}: column '{shown(written)}' is left out{meant}" for written, meant in left_out)
    return _with_pressure(sweep, spec.mean_pressure, ambient_pressure, notices)


def heading(field: str) -> str:
    """How the column of a field of Sweep is headed: 'mean pressure [bar]'."""
    return f"{field.replace('_', ' ')} [{columns_of(Sweep)[field].example}]"


LeftOut = list[tuple[str, str]]  # headings that are not known, and what may have been meant


def find_columns(
    table: CsvTable, kinds: Mapping[str, Kind], ambient_pressure: float | None
) -> tuple[dict[str, Column], LeftOut]:
    """The columns of numbers by name, of the kinds that may stand in the file, and what is left out beside notes."""
    known = (*kinds, "note")
    read: dict[str, str] = {}
    columns: dict[str, Column] = {}
    left_out = []
    for index, written in enumerate(table.headings):
        name, unit = name_and_unit(written)
        at = table.where(table.header_line, written)
        if name in read:
            raise InputError(f"{at}: duplicate column, '{shown(read[name])}' was read before")
        if name in OF_LOGS and name not in known:
            continue
        if name not in known:
            left_out.append((written, did_you_mean(re.sub(r"\s*\(.*", "", name), known, likeness=0.75)))
            continue
        read[name] = written
        if name != "note":
            columns[name] = Column(index, name, written, unit, _scale(name, unit, kinds[name], at, ambient_pressure))
    return columns, left_out


def _scale(name: str, unit: str, kind: Kind, at: str, ambient_pressure: float | None) -> Conversion:
    if not kind.unit:
        return Conversion(1.0, 0.0, frozenset())
    if not unit:
        raise InputError(f"{at}: the unit is missing: expected '{name} [{kind.example}]'")
    return conversion_to(unit, kind, at, None if name == "pressure amplitude" else ambient_pressure)


def name_and_unit(written: str) -> tuple[str, str]:
    """Name and unit of a heading; the unit is '' where there is none."""
    match = _HEADING.fullmatch(written)
    if match is None:
        return written.lower(), ""
    return " ".join(match["name"].lower().replace("_", " ").split()), " ".join((match["unit"] or "").split())


def _check_columns(columns: dict[str, Column], left_out: LeftOut, table: CsvTable, stage: str) -> None:
    at = table.where(table.header_line)
    if {"frequency", "speed"} <= columns.keys():
        raise InputError(f"{at}: duplicate column: expected either 'frequency' or 'speed', read both")
    read = f"read {', '.join(repr(shown(written)) for written in table.headings)}"
    read += "".join(f" (column '{shown(written)}'{meant})" for written, meant in left_out if meant)
    if not columns.keys() & {"frequency", "speed"} and stage != "standby":
        raise InputError(f"{at}: expected a column 'frequency [Hz]' or 'speed [rpm]', {read}")
    if "power" not in columns and not {"voltage", "current"} <= columns.keys():
        raise InputError(f"{at}: expected a column 'power [W]', or 'voltage [V]' and 'current [A]', {read}")
    if stage == "braked" and len(columns.keys() & {"torque", "brake force"}) != 1:
        raise InputError(f"{at}: expected one column 'torque [N*m]' or 'brake force [N]' at stage 'braked', {read}")


def _check_second_header(columns: dict[str, Column], table: CsvTable) -> None:
    """Names or units again in the place of numbers, as instruments' loggers write them."""
    for row in table.rows:
        cells = [row.cells[column.index] for column in columns.values()]
        if all(_is_heading(cell, column) for cell, column in zip(cells, columns.values(), strict=True)):
            read = shown(" ".join(cells))
            raise InputError(f"{table.where(row.line)}: expected readings, read a second header line '{read}'")


def _is_heading(cell: str, column: Column) -> bool:
    in_brackets = re.fullmatch(r"[\[(].*[\])]", cell) is not None
    return in_brackets or cell == column.unit or name_and_unit(cell)[0] in _NAMES


def _check_decimal_mark(columns: dict[str, Column], table: CsvTable) -> None:
    """A file that uses both marks may mean thousands by one of them: refuse to guess."""
    first: dict[str, str] = {}
    for row in table.rows if table.delimiter != "," else []:
        for column in columns.values():
            cell = row.cells[column.index]
            for mark in {",", "."} & set(cell):
                first.setdefault(mark, f"'{shown(cell)}' (line {row.line})")
            if len(first) == 2:
                raise InputError(
                    f"{table.where(row.line, column.heading)}: expected one decimal mark in the whole file, no "
                    f"thousands separators, read {first[',']} and {first['.']}"
                )


def _above_zero(stage: str, *, has_power: bool) -> set[str]:
    """Only in standby may the crank stand still; a loaded machine takes power, and a motor that turns has a voltage."""
    if stage == "standby":
        return set()
    loaded = {"power", "current"} if stage in ("blanked", "loaded") else set()
    return {"frequency", "speed"} | loaded | (set() if has_power else {"voltage"})


def _read_column(column: Column, table: CsvTable, stage: str, *, is_above_zero: bool) -> ColumnValues:
    kind = KINDS[column.name]
    values, steps = [], []
    for row in table.rows:
        at, text = table.where(row.line, column.heading), row.cells[column.index]
        number, step = _number(text, table.delimiter, at)
        value = number * column.scale.factor + column.scale.offset
        if value < 0 and not (kind.is_temperature or kind.is_pressure):
            raise InputError(f"{at}: {column.name} cannot be negative here, read '{shown(text)}'")
        check_range(value, kind, at, text)
        if is_above_zero and value <= 0:
            raise InputError(f"{at}: expected a {column.name} above zero at stage '{stage}', read '{shown(text)}'")
        values.append(value)
        steps.append(step * column.scale.factor)
    return ColumnValues(np.array(values, dtype=np.float64), min(steps))


def _number(text: str, delimiter: str, at: str) -> tuple[float, float]:
    """A written number and the step of its last digit."""
    if not text:
        raise InputError(f"{at}: expected a number, read an empty cell")
    plain = text.replace(",", ".") if delimiter != "," else text
    matches = NUMBER.fullmatch(plain) is not None
    if plain.lower().lstrip("+-") in NOT_FINITE or (matches and not math.isfinite(float(plain))):
        raise InputError(f"{at}: expected a finite number, read '{shown(text)}'")
    if not matches:
        raise InputError(f"{at}: expected a number, read '{shown(text)}'")
    mantissa, _, exponent = plain.lower().partition("e")
    decimals = len(mantissa.partition(".")[2])
    return float(plain), float(f"1e{int(exponent or 0) - decimals}")


def _notes(table: CsvTable) -> tuple[str, ...]:
    index = next((i for i, written in enumerate(table.headings) if name_and_unit(written)[0] == "note"), None)
    return () if index is None else tuple(row.cells[index] for row in table.rows)


def _fields(values: dict[str, ColumnValues], rows: int) -> dict[str, Any]:
    """The columns by their fields of Sweep; frequency and power may come from columns of other names."""
    fields: dict[str, Any] = {field: values[name].values for name, field in FIELDS.items() if name in values}
    if "frequency" not in fields:
        fields["frequency"] = values["speed"].values if "speed" in values else np.zeros(rows)
    fields["from_volts_and_amps"] = "power" not in values
    power = values["power"] if "power" in values else _product(values["voltage"], values["current"])
    return fields | {"power": power.values, "power_resolution": power.step}


def _product(voltage: ColumnValues, current: ColumnValues) -> ColumnValues:
    """Power [W]; its last digit is that of the factors, propagated."""
    step = math.hypot(voltage.step * current.values.mean(), current.step * voltage.values.mean())
    return ColumnValues(voltage.values * current.values, step)


def _with_pressure(
    sweep: Sweep, stated: float | None, ambient: float | None, notices: tuple[str, ...]
) -> tuple[Sweep, tuple[str, ...]]:
    if sweep.mean_pressure is not None:
        notice = f"{sweep.file}: its column 'mean pressure' is used, not the sweep's mean_pressure"
        return sweep, notices if stated is None else (*notices, notice)
    pressure = ambient if stated is None and sweep.stage in AMBIENT_STAGES else stated
    if pressure is not None:
        return sweep.replace(mean_pressure=np.full(len(sweep), float(pressure))), notices
    if sweep.stage in CYLINDER_STAGES:
        raise InputError(
            f"{sweep.file}: a {sweep.stage} sweep needs its mean pressure: expected a column "
            "'mean pressure [bar]' or the key mean_pressure, read neither"
        )
    return sweep, notices
