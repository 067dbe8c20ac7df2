"""One CSV file of readings to a Sweep."""

from __future__ import annotations

import hashlib
import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any

import numpy as np

from driveloss.bench.csvtext import CsvTable, plain_number, read_bytes, read_table
from driveloss.bench.quantity import NUMBER, check_range
from driveloss.bench.records import AMBIENT_STAGES, CYLINDER_STAGES, FloatArray, Sweep, SweepSpec
from driveloss.bench.rules import Kind, columns_of
from driveloss.bench.units import Conversion, conversion, conversion_to, did_you_mean, one_line, shown
from driveloss.errors import InputError

_HEADING = re.compile(r"(?P<name>[^\[\]]*?)\s*(?:\[(?P<unit>[^\[\]]*)\])?")
_OTHERWISE = re.compile(  # power (W); power, W; power / W
    r"(?P<name>[^\W\d][^()\[\],/]*?)\s*(?:\((?P<round>[^()]+)\)|[,/]\s*\(?(?P<bare>[^()]+?)\)?)"
)
EMPTY = {"", "-", "\u2013", "\u2014", "n.a.", "n/a", "na", "nan", "#n/a"}  # what stands where nothing was read
NOT_FINITE = {"nan", "inf", "infinity", "#n/a", "#num!", "#div/0!"}

FIELDS = {field.replace("_", " "): field for field in columns_of(Sweep)}  # by the name in a heading
KINDS = {name: columns_of(Sweep)[field] for name, field in FIELDS.items()}
KINDS["speed"] = replace(KINDS["frequency"], example="rpm", hint="which unit was it in?")  # frequency's other name
SWEEP_KINDS = KINDS | {"motor speed": KINDS["speed"]}  # which [transmission] ratio makes one of the crank
SPEEDS = ("frequency", "speed", "motor speed")
MOST_LINES = 200_000  # of a sweep: readings, comments and blank lines
SAME_SPEED = 0.02  # of a speed by which motor and crank may be read apart: slip of a belt, and two meters
_NAMES = (*SWEEP_KINDS, "note")
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


def read_sweep(
    path: Path, spec: SweepSpec, ambient_pressure: float | None = None, ratio: float | None = None
) -> tuple[Sweep, tuple[str, ...]]:
    """Read one file of readings, called `spec.file` in messages; the sweep and notices about what was left out.

    spec.mean_pressure is used where the file has no such column; a no-load or blanked sweep without either is at
    ambient_pressure [Pa], which gauge pressures need too. ratio: motor revolutions per crank revolution where stated,
    which a column 'motor speed' needs.
    InputError: whatever cannot be read without a guess, with file, line, column, what was read and expected.
    """
    stage, data = spec.stage, read_bytes(path, spec.file)
    table = read_table(data, spec.file, MOST_LINES)
    columns, left_out = find_columns(table, SWEEP_KINDS, ambient_pressure)
    _check_columns(columns, left_out, table, stage)
    _check_second_header(columns, table)
    _check_decimal_mark(columns, table)
    above_zero = _above_zero(stage, has_power="power" in columns)
    values = {name: _read_column(c, table, stage, is_above_zero=name in above_zero) for name, c in columns.items()}
    told = [*_of_gaps(columns, values, table), *_at_crank(columns, values, table, ratio)]
    sweep = Sweep(
        stage=stage,
        cylinder=spec.cylinder,
        file=spec.file,
        sha256=hashlib.sha256(data).hexdigest(),
        line=np.array([row.line for row in table.rows], dtype=np.int64),
        note=_notes(table),
        typed=_typed(columns, table),
        **_fields(values, len(table.rows)),
    )
    at = table.where(table.header_line)
    notices = (*(f"{at}: column '{shown(written)}' is left out{meant}" for written, meant in left_out), *told)
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
    """Name and unit of a heading; the unit is '' where there is none.

    >>> name_and_unit("Cold_end [degC]"), name_and_unit("power (W)"), name_and_unit("torque / (N m)")
    (('cold end', 'degC'), ('power', 'W'), ('torque', 'N m'))
    """
    match = _HEADING.fullmatch(written)
    if match is None:
        return written.lower(), ""
    name, unit = match["name"], match["unit"]
    other = _OTHERWISE.fullmatch(written.strip()) if unit is None else None
    if other is not None and _is_unit(meant := " ".join((other["round"] or other["bare"]).split())):
        name, unit = other["name"], meant
    return " ".join(name.lower().replace("_", " ").split()), " ".join((unit or "").split())


def _is_unit(text: str) -> bool:
    return conversion(text.removesuffix(" gauge").strip() or "?") is not None


def _check_columns(columns: dict[str, Column], left_out: LeftOut, table: CsvTable, stage: str) -> None:
    at = table.where(table.header_line)
    if {"frequency", "speed"} <= columns.keys():
        raise InputError(f"{at}: duplicate column: expected either 'frequency' or 'speed', read both")
    read = f"read {', '.join(repr(shown(written)) for written in table.headings)}"
    read += "".join(f" (column '{shown(written)}'{meant})" for written, meant in left_out if meant)
    if not columns.keys() & {*SPEEDS} and stage != "standby":
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
            for mark in {",", "."} & set(cell) if cell.lower() not in EMPTY else ():
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
    return {*SPEEDS} | loaded | (set() if has_power else {"voltage"})


def _read_column(column: Column, table: CsvTable, stage: str, *, is_above_zero: bool) -> ColumnValues:
    kind = SWEEP_KINDS[column.name]
    values, steps = [], []
    for row in table.rows:
        at, text = table.where(row.line, column.heading), row.cells[column.index]
        if text.lower() in EMPTY and (kind.has_gaps or text.lower() not in NOT_FINITE):
            if not kind.has_gaps:
                raise InputError(f"{at}: expected a number, read {_gap(text)}; {_cure(column.name)}")
            values.append(math.nan)
            continue
        number, step = _number(text, table.delimiter, at)
        value = column.scale.si(number)
        if value < 0 and not (kind.is_temperature or kind.is_pressure):
            raise InputError(f"{at}: {column.name} cannot be negative here, read '{shown(text)}'")
        check_range(value, kind, at, text)
        if is_above_zero and value <= 0:
            raise InputError(f"{at}: expected a {column.name} above zero at stage '{stage}', read '{shown(text)}'")
        values.append(value)
        steps.append(step * column.scale.factor)
    return ColumnValues(np.array(values, dtype=np.float64), min(steps, default=math.nan))


def _gap(text: str) -> str:
    return f"'{shown(text)}'" if text else "an empty cell"


def _cure(name: str) -> str:
    may_go = FIELDS.get(name) in {field.name for field in fields(Sweep) if field.default is None}
    gaps = " or ".join(f"'{other}'" for other, kind in KINDS.items() if kind.has_gaps)
    return f"fill it in or delete the line{', or the column' * may_go}: only {gaps} may have gaps"


def _of_gaps(columns: dict[str, Column], values: dict[str, ColumnValues], table: CsvTable) -> Iterator[str]:
    """Notices of cells that are empty; a column of nothing else was not recorded."""
    for name, column in columns.items():
        missing = int(np.isnan(values[name].values).sum())
        if missing:
            at = table.where(table.header_line, column.heading)
            yield f"{at}: {missing} of {len(table.rows)} cells are empty: there it counts as not recorded"
        if missing == len(table.rows):
            del values[name]


def _at_crank(
    columns: dict[str, Column], values: dict[str, ColumnValues], table: CsvTable, ratio: float | None
) -> Iterator[str]:
    """The motor's speed in `values` as the crank's frequency, or compared with it; notices where that cannot be."""
    motor = values.pop("motor speed", None)
    if motor is None:
        return
    own = next((name for name in ("frequency", "speed") if name in values), None)
    at = table.where(table.header_line, columns["motor speed"].heading)
    if ratio is None and own is None and motor.values.any():
        raise no_ratio(at)
    if ratio is None and own is not None:
        yield f"{at}: not compared with the crank's, since bench.toml states no [transmission] ratio"
    elif ratio is not None and own is None:
        values["frequency"] = ColumnValues(motor.values / ratio, motor.step / ratio)
    elif ratio is not None and own is not None:
        _check_slip(columns[own], columns["motor speed"], values[own].values, motor.values / ratio, table, ratio)


def no_ratio(at: str) -> InputError:
    """The refusal of a motor's speed that nothing makes one of the crank."""
    return InputError(
        f"{at}: how fast the crank turns is not known: expected the key ratio = 3.0 in [transmission], motor "
        "revolutions per crank revolution, or a column 'frequency [Hz]' of the crank"
    )


def _check_slip(  # noqa: PLR0913 - two columns, as written and as meant
    crank: Column, motor: Column, read: FloatArray, by_motor: FloatArray, table: CsvTable, ratio: float
) -> None:
    apart = np.flatnonzero(np.abs(by_motor - read) > SAME_SPEED * np.maximum(by_motor, read))
    if len(apart):
        row, share = table.rows[apart[0]], by_motor[apart[0]] / read[apart[0]] if read[apart[0]] else math.inf
        raise InputError(
            f"{table.where(row.line, motor.heading)}: '{shown(row.cells[motor.index])}' at the ratio of {ratio:g} is "
            f"{share:.4g} times the crank's speed, read '{shown(row.cells[crank.index])}' in column "
            f"'{shown(crank.heading)}': expected both within {SAME_SPEED:.0%}; which of them, or the ratio, is wrong?"
        )


def _number(text: str, delimiter: str, at: str) -> tuple[float, float]:
    """A written number and the step of its last digit."""
    plain = plain_number(text, delimiter)
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
    return () if index is None else tuple(one_line(row.cells[index]) for row in table.rows)


def _typed(columns: dict[str, Column], table: CsvTable) -> tuple[str, ...]:
    """The speed of each reading as messages call it: in its own digits and unit."""
    column = next((columns[name] for name in SPEEDS if name in columns), None)
    if column is None:
        return ()
    unit = column.unit + " of the motor" * (column.name == "motor speed")
    return tuple(f"{row.cells[column.index]} {unit}" for row in table.rows)


def _fields(values: dict[str, ColumnValues], rows: int) -> dict[str, Any]:
    """The columns by their fields of Sweep; frequency and power may come from columns of other names."""
    found: dict[str, Any] = {field: values[name].values for name, field in FIELDS.items() if name in values}
    if "frequency" not in found:
        found["frequency"] = values["speed"].values if "speed" in values else np.zeros(rows)
    found["from_volts_and_amps"] = "power" not in values
    power = values["power"] if "power" in values else _product(values["voltage"], values["current"])
    return found | {"power": power.values, "power_resolution": power.step}


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
