"""The saved calibration: one JSON text with a checksum, read back without SciPy, lmfit or pint."""

from __future__ import annotations

import base64
import hashlib
import json
import types
import typing
from collections.abc import Iterable
from dataclasses import MISSING, asdict, fields, is_dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from driveloss.bench.csvtext import check_plain
from driveloss.bench.quantity import check_range
from driveloss.bench.records import FloatArray, Quantity
from driveloss.bench.rules import keys_of
from driveloss.bench.units import as_text, one_line, shown
from driveloss.errors import InputError
from driveloss.fit.calibration import Calibration
from driveloss.fit.estimate import Estimate
from driveloss.fit.family import FamilyFit
from driveloss.fit.motor_loss import ROUTES, Route
from driveloss.fit.sound import check_sound

SCHEMA = "driveloss.calibration/1"
ANOTHER = "so another version of driveloss wrote it"
MOST_DRAWS = 100_000
MOST_BYTES = 500_000_000
LARGEST = 1e308  # what a double holds


def to_text(calibration: Calibration) -> str:
    """The calibration as JSON text; its first member is the SHA-256 of all that follows."""
    body = json.dumps(_content(calibration), indent=None, separators=(",", ":"), allow_nan=False)
    body = body.replace(',"curves":', ',\n"curves":', 1).replace(',"meters":', ',\n"meters":', 1)[1:]
    return f'{{"checksum":"{_digest(body)}",\n{body}\n'


def from_text(text: str, name: str) -> Calibration:
    """Read a calibration; `name` of the file for messages.

    Raises InputError for a text cut short, edited, or of another schema.
    """
    head, _, body = text.partition("\n")
    try:
        data = json.loads(text)
    except (ValueError, RecursionError) as error:
        line = f", line {error.lineno}" if isinstance(error, json.JSONDecodeError) else ""
        raise InputError(
            f"{name}{line}: not a complete JSON text (was the file cut short?); "
            "expected a calibration written by `driveloss calibrate`"
        ) from error
    schema = data.get("schema") if isinstance(data, dict) else None
    if schema != SCHEMA:
        raise InputError(f"{name}, key 'schema': read {schema!r}, expected '{SCHEMA}'; calibrate the bench again")
    if head != f'{{"checksum":"{_digest(body.rstrip())}",':
        raise InputError(
            f"{name}, key 'checksum': it does not match the content, so the file was edited or damaged; "
            "expected the text as `driveloss calibrate` wrote it; calibrate the bench again"
        )
    try:
        known = {item.name: data[item.name] for item in fields(Calibration) if item.name in data}
        if known.get("evidence") is not None:
            raise _refusal("evidence", "null", known["evidence"])
        draws = _number(int, data.get("draws"), "draws")
        if not 1 <= draws <= MOST_DRAWS:
            raise _refusal("draws", f"a number from 1 to {MOST_DRAWS}", draws)
        calibration: Calibration = revive(Calibration, known, draws + 1)
        check_sound(calibration)
        return calibration
    except InputError as error:
        raise InputError(f"{name}, {error}; calibrate the bench again") from error


def read_calibration(path: Path | str) -> Calibration:
    """Read a saved calibration. Raises InputError where there is none or it cannot be used."""
    path = Path(path)
    try:
        check_plain(path, str(path))
        if path.stat().st_size > MOST_BYTES:
            raise InputError(f"{path}: expected a saved calibration of no more than {MOST_BYTES / 1e6:g} MB, read more")
        return from_text(path.read_text(encoding="utf-8"), path.name)
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{path}: cannot be read as a saved calibration: {error}") from error


def _digest(body: str) -> str:
    return hashlib.sha256(body.encode()).hexdigest()


def _content(c: Calibration) -> dict[str, Any]:
    fits = c.evidence.fits if c.evidence else {}
    families = {name: family_tables(fit) for name, fit in fits.items()}
    return {"schema": SCHEMA, "draws": c.draws, **plain(replace(c, evidence=None)), "families": families}


def family_tables(fit: FamilyFit) -> dict[str, Any]:
    """Terms, quality, rivals and notes of one family as plain data."""
    quality = asdict(fit.quality)
    renamed = {"residual_rms": "residual_rms_W", "leave_one_out": "leave_one_out_W", "scatter": "scatter_W"}
    return {
        "terms": [{"label": t.label, "unit": t.unit, **_finite(t.estimate)} for t in fit.terms],
        "quality": {renamed.get(key, key): value for key, value in quality.items()},
        "rivals": [
            {
                "terms": list(r.labels),
                "delta_aicc": r.delta_aicc,
                "weight": r.weight,
                "no_load_change_W": list(r.net_change),
            }
            for r in fit.rivals
        ],
        "notes": list(fit.notes),
    }


def _finite(found: Estimate) -> dict[str, float | None]:
    values = {key: getattr(found, key) for key in ("value", "u", "low", "high")}
    return {key: value if np.isfinite(value) else None for key, value in values.items()}


def plain(value: Any) -> Any:
    """Records, draws and routes as plain data: a record by its fields, a table of draws row by row."""
    if isinstance(value, Route):
        return value.name
    if isinstance(value, np.ndarray):
        return _packed(value) if value.ndim == 1 else [_packed(row) for row in value]
    if is_dataclass(value):
        return {item.name: plain(getattr(value, item.name)) for item in fields(value)}
    if isinstance(value, dict):
        return {key: plain(item) for key, item in value.items()}
    return [plain(item) for item in value] if isinstance(value, (tuple, list)) else value


def _packed(draws: FloatArray) -> dict[str, Any]:
    """Draws as base64 of little-endian doubles, a constant as one number (nan and inf as words)."""
    if np.all(draws == draws[0]) or np.isnan(draws).all():
        return {"constant": float(draws[0]) if np.isfinite(draws[0]) else str(draws[0])}
    return {"best": float(draws[0]), "doubles": base64.b64encode(draws.astype("<f8").tobytes()).decode("ascii")}


def revive(kind: Any, data: Any, size: int, key: str = "") -> Any:
    """Rebuild what `plain` took apart, by type hints; size: of a row of draws; key: where in the text it stands.

    Raises InputError for anything of another type, for numbers that are not finite, and draws that are not `size`.
    """
    origin, arguments = typing.get_origin(kind), typing.get_args(kind)
    if origin in (types.UnionType, typing.Union):
        none = data is None and type(None) in arguments
        return None if none else revive(_fitting(arguments, data), data, size, key)
    if kind == FloatArray:
        return np.array(_each(_unpacked, data, size, key)) if isinstance(data, list) else _unpacked(data, size, key)
    if origin is dict:
        return {
            name: revive(arguments[1], value, size, f"{key}.{name}") for name, value in _of(dict, data, key).items()
        }
    if origin is tuple:
        return _tuple(arguments, _of(list, data, key), size, key)
    if kind is Route:
        return ROUTES[_one_of(ROUTES, data, key)]
    if is_dataclass(kind):
        return _record(kind, _of(dict, data, key), size, key)
    return _number(kind, data, key) if kind in (float, int) else _of(kind, data, key)


def _tuple(kinds: tuple[Any, ...], data: list[Any], size: int, key: str) -> tuple[Any, ...]:
    if kinds[-1] is Ellipsis:
        kinds = kinds[:1] * len(data)
    if len(kinds) != len(data):
        raise _refusal(key, f"{len(kinds)} entries", data)
    return tuple(
        revive(kind, item, size, f"{key}[{n}]") for n, (kind, item) in enumerate(zip(kinds, data, strict=True), 1)
    )


def _record(kind: Any, data: dict[str, Any], size: int, key: str) -> Any:
    """A record by its fields; numbers of a rig within the ranges that bench.toml has for them."""
    hints = _hints(kind)
    for item in fields(kind):
        if item.default is MISSING and item.default_factory is MISSING and item.name not in data:
            raise InputError(f"{_at(key, item.name)}: missing, {ANOTHER}")
    for name in data:
        if name not in hints:
            raise InputError(f"{_at(key, one_line(name))}: unknown, {ANOTHER}")
    made = kind(**{name: revive(hints[name], value, size, f"{key}.{name}") for name, value in data.items()})
    for rule in keys_of(kind):
        value = getattr(made, rule.field)
        number = value.value if isinstance(value, Quantity) else value
        if isinstance(number, float) and rule.form is not str:
            check_range(number, rule.kind, _at(key, rule.field), f"{number:g}")
    return made


@cache
def _hints(kind: Any) -> dict[str, Any]:
    return typing.get_type_hints(kind)


def _each(make: Any, data: list[Any], size: int, key: str) -> list[Any]:
    return [make(item, size, f"{key}[{n}]") for n, item in enumerate(data, 1)]


def _of(kind: Any, data: Any, key: str) -> Any:
    if type(data) is not kind:
        raise _refusal(key, {dict: "a table", list: "a list", str: "text", bool: "true or false"}.get(kind, kind), data)
    return one_line(data) if kind is str else data


def _number(kind: Any, data: Any, key: str) -> Any:
    allowed = (int,) if kind is int else (int, float)
    if type(data) not in allowed or not abs(data) <= LARGEST:
        raise _refusal(key, "a whole number" if kind is int else "a finite number", data)
    return kind(data)


def _one_of(words: Iterable[str], data: Any, key: str) -> str:
    if data not in (known := list(words)):
        raise _refusal(key, f"one of {', '.join(known)}", data)
    return str(data)


def _at(*names: str) -> str:
    return f"key '{'.'.join(names).removeprefix('.')}'"


def _refusal(key: str, expected: object, data: object) -> InputError:
    return InputError(f"{_at(key)}: expected {expected}, read {shown(as_text(data))}")


def _fitting(kinds: tuple[Any, ...], data: Any) -> Any:
    """The one of several types that data are of: a record by the names of its fields."""
    for kind in kinds:
        if is_dataclass(kind) and isinstance(data, dict) and {item.name for item in fields(kind)} == data.keys():
            return kind
    return kinds[0]


def _unpacked(packed: Any, size: int, key: str) -> FloatArray:
    """Draws (size,), finite or nan."""
    if isinstance(packed, dict) and "constant" in packed:
        if (constant := packed["constant"]) != "nan":
            constant = _number(float, constant, f"{key}.constant")
        return np.full(size, float(constant))
    try:
        draws = np.frombuffer(base64.b64decode(packed["doubles"], validate=True), dtype="<f8")
    except (KeyError, TypeError, ValueError) as error:
        raise _refusal(key, f"a constant, or {size} doubles as base64", packed) from error
    if len(draws) != size or np.isinf(draws).any():
        raise _refusal(key, f"{size} doubles, none infinite", f"{len(draws)} of them")
    return draws
