"""The saved calibration: one JSON text with a checksum, read back without SciPy, lmfit or pint."""

from __future__ import annotations

import base64
import hashlib
import json
import types
import typing
from dataclasses import asdict, fields, is_dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from driveloss.bench.records import FloatArray
from driveloss.errors import InputError
from driveloss.fit.calibration import Calibration
from driveloss.fit.estimate import Estimate
from driveloss.fit.family import FamilyFit
from driveloss.fit.motor_loss import ROUTES, Route

SCHEMA = "driveloss.calibration/1"


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
        known = {item.name: data[item.name] for item in fields(Calibration)}
        calibration: Calibration = revive(Calibration, known, data["draws"] + 1)
        return calibration
    except (KeyError, TypeError) as error:
        from importlib.metadata import version

        raise InputError(
            f"{name}, key {error}: not as this version ({version('driveloss')}) writes it, but version "
            f"{data.get('program')!r}; calibrate the bench again"
        ) from error


def read_calibration(path: Path | str) -> Calibration:
    """Read a saved calibration. Raises InputError where there is none or it cannot be used."""
    path = Path(path)
    try:
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


def revive(kind: Any, data: Any, size: int) -> Any:
    """Rebuild what `plain` took apart, by type hints; size: of a row of draws."""
    origin, arguments = typing.get_origin(kind), typing.get_args(kind)
    if origin in (types.UnionType, typing.Union):
        return None if data is None else revive(_fitting(arguments, data), data, size)
    if origin is np.ndarray:
        return np.array([_unpacked(row, size) for row in data]) if isinstance(data, list) else _unpacked(data, size)
    if origin is dict:
        return {key: revive(arguments[1], value, size) for key, value in data.items()}
    if origin is tuple:
        return tuple(revive(arguments[0], item, size) for item in data)
    if kind is Route:
        return ROUTES[data]
    if is_dataclass(kind):
        hints = typing.get_type_hints(kind)
        return kind(**{name: revive(hints[name], value, size) for name, value in data.items()})  # type: ignore[operator]
    return data


def _fitting(kinds: tuple[Any, ...], data: Any) -> Any:
    """The one of several types that data are of: a record by the names of its fields."""
    for kind in kinds:
        if is_dataclass(kind) and isinstance(data, dict) and {item.name for item in fields(kind)} == data.keys():
            return kind
    return kinds[0]


def _unpacked(packed: dict[str, Any], size: int) -> FloatArray:
    if "constant" in packed:
        return np.full(size, float(packed["constant"]))
    return np.frombuffer(base64.b64decode(packed["doubles"]), dtype="<f8")
