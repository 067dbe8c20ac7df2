"""One CSV file of readings to a Sweep."""

from __future__ import annotations

import hashlib
import math
import re
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path

import numpy as np

from driveloss.bench.csvtext import CsvTable, Row, read_bytes, read_table
from driveloss.bench.quantity import NUMBER, check_range
from driveloss.bench.records import CYLINDER_STAGES, FloatArray, Sweep
from driveloss.bench.rules import COLUMN_KINDS
from driveloss.bench.units import Conversion, conversion_to, shown
from driveloss.errors import InputError

_NUMBER = re.compile(NUMBER, re.ASCII)
_HEADING = re.compile(r"(?P<name>[^\[\]]*?)\s*(?:\[(?P<unit>[^\[\]]*)\])?")
_NOT_FINITE = {"nan", "inf", "infinity", "#n/a", "#num!", "#div/0!"}
_NAMES = (*COLUMN_KINDS, "note")


@dataclass(frozen=True, slots=True)
class Column:
    """A column that is read: where it stands, how it is headed, how its numbers become SI."""

    index: int
    name: str
    heading: str
    unit: str
    scale: Conversion


@dataclass(frozen=True, slots=True)
class Readings:
    """A column's numbers in SI and the step of its finest last digit."""

    values: FloatArray
    step: float


def read_sweep(
    path: Path | str,
    stage: str,
    cylinder: str | None = None,
    mean_pressure: float | None = None,
    ambient_pressure: float | None = None,
    file_name: str | None = None,
) -> tuple[Sweep, tuple[str, ...]]:
    """Read one file of readings; returns the sweep and notices about what was left out.

    mean_pressure: [Pa] absolute, used where the file has no such column; a no-load sweep without either
    is at ambient_pressure [Pa], which gauge pressures need too. file_name: how messages call the file.
    InputError: whatever cannot be read without a guess, with file, line, column, what was read and expected.
    """
    path = Path(path)
    name = file_name or path.name
    data = read_bytes(path, name)
    table = read_table(data, name)
    at_header = f"{name}, line {table.header_line}"
    columns, notices = _columns(table.headings, at_header, ambient_pressure)
    _check_columns(columns, stage, at_header, table.headings)
    readings = _readings(columns, table)
    _check_standstill(readings, columns, table, stage)
    sweep = _sweep(readings, columns, table, stage, cylinder, hashlib.sha256(data).hexdigest())
    return _with_pressure(sweep, mean_pressure, ambient_pressure, notices)


def _columns(
    headings: list[str], where: str, ambient_pressure: float | None
) -> tuple[dict[str, Column], tuple[str, ...]]:
    columns: dict[str, Column] = {}
    notices = []
    for index, heading in enumerate(headings):
        name, unit = _name_and_unit(heading)
        at = f"{where}, column '{shown(heading)}'"
        if name in columns:
            raise InputError(f"{at}: duplicate column, '{shown(columns[name].heading)}' was read before")
        if name == "note":
            columns[name] = Column(index, name, heading, "", Conversion(1.0, 0.0, frozenset()))
        elif name in COLUMN_KINDS:
            columns[name] = _column(index, name, heading, unit, at, ambient_pressure)
        else:
            notices.append(f"{where}: column '{shown(heading)}' is left out{_meant(name)}")
    if "frequency" in columns and "speed" in columns:
        raise InputError(f"{where}: duplicate column: expected either 'frequency' or 'speed', read both")
    return columns, tuple(notices)


def _name_and_unit(heading: str) -> tuple[str, str | None]:
    match = _HEADING.fullmatch(heading)
    if match is None:
        return heading.lower(), None
    unit = match["unit"]
    name = " ".join(match["name"].lower().replace("_", " ").split())
    return name, None if unit is None else " ".join(unit.split())


def _meant(name: str) -> str:
    bare = re.sub(r"\s*\(.*", "", name)
    near = get_close_matches(bare, _NAMES, n=1, cutoff=0.75)
    return f"; did you mean '{near[0]}'?" if near else ""


def _column(index: int, name: str, heading: str, unit: str | None, at: str, ambient_pressure: float | None) -> Column:
    kind = COLUMN_KINDS[name]
    if not unit:
        raise InputError(f"{at}: the unit is missing: expected '{name} [{kind.example}]'")
    return Column(index, name, heading, unit, conversion_to(unit, kind, at, ambient_pressure))


def _check_columns(columns: dict[str, Column], stage: str, where: str, headings: list[str]) -> None:
    read = f"read {', '.join(repr(shown(heading)) for heading in headings)}"
    for heading in headings:
        name = _name_and_unit(heading)[0]
        if name not in _NAMES and (meant := _meant(name)):
            read += f" (column '{shown(heading)}'{meant})"
    if not columns.keys() & {"frequency", "speed"} and stage != "standby":
        raise InputError(f"{where}: expected a column 'frequency [Hz]' or 'speed [rpm]', {read}")
    if "power" not in columns and not {"voltage", "current"} <= columns.keys():
        raise InputError(f"{where}: expected a column 'power [W]', or 'voltage [V]' and 'current [A]', {read}")


def _readings(columns: dict[str, Column], table: CsvTable) -> dict[str, Readings]:
    numeric = [column for column in columns.values() if column.name != "note"]
    _check_second_header(numeric, table)
    _check_decimal_mark(numeric, table)
    return {column.name: _read_column(column, table) for column in numeric}


def _at(table: CsvTable, row: Row, column: Column) -> str:
    return f"{table.name}, line {row.line}, column '{shown(column.heading)}'"


def _check_second_header(numeric: list[Column], table: CsvTable) -> None:
    """Names or units again in the place of numbers, as instruments' loggers write them."""
    for row in table.rows:
        cells = [row.cells[column.index] for column in numeric]
        if all(_is_heading(cell, column) for cell, column in zip(cells, numeric, strict=True)):
            read = shown(" ".join(cells))
            raise InputError(f"{table.name}, line {row.line}: expected readings, read a second header line '{read}'")


def _is_heading(cell: str, column: Column) -> bool:
    in_brackets = re.fullmatch(r"[\[(].*[\])]", cell) is not None
    return in_brackets or cell == column.unit or _name_and_unit(cell)[0] in _NAMES


def _check_decimal_mark(numeric: list[Column], table: CsvTable) -> None:
    """A file that uses both marks may mean thousands by one of them: refuse to guess."""
    first: dict[str, str] = {}
    for row in table.rows if table.delimiter != "," else []:
        for column in numeric:
            cell = row.cells[column.index]
            for mark in {",", "."} & set(cell):
                first.setdefault(mark, f"'{shown(cell)}' (line {row.line})")
            if len(first) == 2:
                raise InputError(
                    f"{_at(table, row, column)}: expected one decimal mark in the whole file, no thousands "
                    f"separators, read {first[',']} and {first['.']}"
                )


def _read_column(column: Column, table: CsvTable) -> Readings:
    kind = COLUMN_KINDS[column.name]
    values, steps = [], []
    for row in table.rows:
        at, text = _at(table, row, column), row.cells[column.index]
        number, step = _number(text, table.delimiter, at)
        value = number * column.scale.factor + column.scale.offset
        if value < 0 and not (kind.is_temperature or kind.is_pressure):
            raise InputError(f"{at}: {column.name} cannot be negative here, read '{shown(text)}'")
        check_range(value, kind, at, text)
        values.append(value)
        steps.append(step * column.scale.factor)
    return Readings(np.array(values, dtype=np.float64), min(steps))


def _number(text: str, delimiter: str, at: str) -> tuple[float, float]:
    """A written number and the step of its last digit."""
    if not text:
        raise InputError(f"{at}: expected a number, read an empty cell")
    plain = text.replace(",", ".") if delimiter != "," else text
    if plain.lower().lstrip("+-") in _NOT_FINITE:
        raise InputError(f"{at}: expected a finite number, read '{shown(text)}'")
    if not _NUMBER.fullmatch(plain):
        raise InputError(f"{at}: expected a number, read '{shown(text)}'")
    number = float(plain)
    if not math.isfinite(number):
        raise InputError(f"{at}: expected a finite number, read '{shown(text)}'")
    mantissa, _, exponent = plain.lower().partition("e")
    decimals = len(mantissa.partition(".")[2])
    return number, float(f"1e{int(exponent or 0) - decimals}")


def _check_standstill(readings: dict[str, Readings], columns: dict[str, Column], table: CsvTable, stage: str) -> None:
    """Only in standby may the crank stand still; a loaded machine takes power, and a motor that turns has a voltage."""
    if stage == "standby":
        return
    above_zero = ["frequency", "speed", *(["power", "current"] if stage == "loaded" else [])]
    above_zero += [] if "power" in readings else ["voltage"]
    for key in above_zero:
        for row, value in zip(table.rows, readings[key].values if key in readings else (), strict=False):
            if value <= 0:
                read = shown(row.cells[columns[key].index])
                raise InputError(
                    f"{_at(table, row, columns[key])}: expected a {key} above zero at stage '{stage}', read '{read}'"
                )


def _sweep(
    readings: dict[str, Readings],
    columns: dict[str, Column],
    table: CsvTable,
    stage: str,
    cylinder: str | None,
    sha256: str,
) -> Sweep:
    def values(column: str) -> FloatArray | None:
        return readings[column].values if column in readings else None

    power, resolution = _power(readings)
    frequency = values("frequency") if "frequency" in readings else values("speed")
    return Sweep(
        stage=stage,
        cylinder=cylinder,
        file=table.name,
        sha256=sha256,
        line=np.array([row.line for row in table.rows], dtype=np.int64),
        frequency=np.zeros(len(table.rows)) if frequency is None else frequency,
        power=power,
        power_resolution=resolution,
        from_volts_and_amps="power" not in readings,
        current=values("current"),
        voltage=values("voltage"),
        mean_pressure=values("mean pressure"),
        winding=values("winding"),
        cold_end=values("cold end"),
        hot_end=values("hot end"),
        coolant=values("coolant"),
        note=tuple(row.cells[columns["note"].index] for row in table.rows) if "note" in columns else (),
    )


def _power(readings: dict[str, Readings]) -> tuple[FloatArray, float]:
    """Power [W] and its last digit [W]; a product's last digit is that of its factors, propagated."""
    if "power" in readings:
        return readings["power"].values, readings["power"].step
    voltage, current = readings["voltage"], readings["current"]
    step = math.hypot(voltage.step * current.values.mean(), current.step * voltage.values.mean())
    return voltage.values * current.values, step


def _with_pressure(
    sweep: Sweep, mean_pressure: float | None, ambient_pressure: float | None, notices: tuple[str, ...]
) -> tuple[Sweep, tuple[str, ...]]:
    if sweep.mean_pressure is not None:
        if mean_pressure is not None:
            notices += (f"{sweep.file}: its column 'mean pressure' is used, not the sweep's mean_pressure",)
        return sweep, notices
    if mean_pressure is None and sweep.stage == "no-load":
        mean_pressure = ambient_pressure  # the ports are open
    if mean_pressure is None and sweep.stage in CYLINDER_STAGES:
        raise InputError(
            f"{sweep.file}: a {sweep.stage} sweep needs its mean pressure: expected a column "
            "'mean pressure [bar]' or the key mean_pressure, read neither"
        )
    if mean_pressure is None:
        return sweep, notices
    return sweep.replace(mean_pressure=np.full(len(sweep), float(mean_pressure))), notices
