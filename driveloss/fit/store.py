"""The saved calibration: one JSON text with a checksum, read back without SciPy, lmfit or pint."""

from __future__ import annotations

import base64
import hashlib
import json
import types
import typing
from dataclasses import asdict, fields, is_dataclass
from pathlib import Path
from typing import Any

import numpy as np

from driveloss.bench.records import Limits, Rig
from driveloss.errors import InputError
from driveloss.fit.calibration import Calibration, Range
from driveloss.fit.curves import Curves, PhysicalCurves, PolynomialCurves, SweepCurve
from driveloss.fit.estimate import Estimate
from driveloss.fit.family import FamilyFit
from driveloss.fit.findings import Finding
from driveloss.fit.laws import Term
from driveloss.fit.meters import CylinderDraws, Meters
from driveloss.fit.motor_loss import ROUTES
from driveloss.fit.scatter import Scatter

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
        return _revive_calibration(data)
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
    evidence = c.evidence
    fits = evidence.fits if evidence else {}
    return {
        "schema": SCHEMA,
        "program": c.program,
        "title": c.title,
        "family": c.family,
        "seed": c.seed,
        "draws": c.draws,
        "files": c.files,
        "route": c.route.name,
        "stated_pressure_friction": list(c.stated_pressure_friction),
        "has_standby": c.has_standby,
        "winding": list(c.winding) if c.winding else None,
        "rig": asdict(c.rig),
        "findings": [asdict(finding) for finding in c.findings],
        "families": {name: family_tables(fit) for name, fit in fits.items()},
        "scatter_reference_W": c.scatter.reference,
        "drive_range": asdict(c.drive_range),
        "motor_range": asdict(c.motor_range) if c.motor_range else None,
        "ranges": {name: asdict(span) for name, span in c.ranges.items()},
        "curves": _pack_curves(c.curves),
        "meters": _pack_record(c.meters),
        "standby_W": _pack(c.standby),
        "torque_constant_Nm_per_A": _pack(c.torque_constant),
        "scatter_W": _pack(c.scatter.size),
        "scatter_growth": _pack(c.scatter.growth),
    }


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


def _pack(value: Any) -> Any:
    """Draws as base64 of little-endian doubles, a constant as one number (nan and inf as words), a dict by values."""
    if isinstance(value, dict):
        return {key: _pack(item) for key, item in value.items()}
    if not isinstance(value, np.ndarray):
        return value
    if np.all(value == value[0]) or np.isnan(value).all():
        return {"constant": float(value[0]) if np.isfinite(value[0]) else str(value[0])}
    return {"best": float(value[0]), "doubles": base64.b64encode(value.astype("<f8").tobytes()).decode("ascii")}


def _unpack(value: Any, size: int) -> Any:
    if not isinstance(value, dict):
        return value
    if set(value) == {"constant"}:
        return np.full(size, float(value["constant"]))
    if "doubles" in value:
        return np.frombuffer(base64.b64decode(value["doubles"]), dtype="<f8")
    return {key: _unpack(item, size) for key, item in value.items()}


def _pack_record(record: Meters | CylinderDraws) -> dict[str, Any]:
    packed = {item.name: getattr(record, item.name) for item in fields(record)}
    if isinstance(record, Meters):
        packed["cylinders"] = {name: _pack_record(draws) for name, draws in record.cylinders.items()}
        packed["reading_by_reading"] = asdict(record.reading_by_reading)
    return {key: _pack(value) for key, value in packed.items()}


def _revive_meters(data: dict[str, Any], size: int) -> Meters:
    cylinders = {name: CylinderDraws(**_unpack(draws, size)) for name, draws in data["cylinders"].items()}
    own: dict[str, Any] = {"cylinders": cylinders, "reading_by_reading": Limits(**data["reading_by_reading"])}
    return Meters(**{key: own.get(key, _unpack(value, size)) for key, value in data.items()})


def _pack_curves(curves: Curves) -> dict[str, Any]:
    if isinstance(curves, PhysicalCurves):
        pairs = zip(curves.terms, curves.coefficients, strict=True)
        used = [(t, row) for t, row in pairs if row.any() or t.kind != "stribeck"]
        return {"terms": [{**asdict(t), "coefficient": _pack(row)} for t, row in used]}
    rows = [{**_scalars(s), "coefficients": [_pack(row) for row in s.coefficients]} for s in curves.sweeps]
    return {"sweeps": rows}


def _scalars(curve: SweepCurve) -> dict[str, Any]:
    return {f.name: getattr(curve, f.name) for f in fields(curve) if f.name != "coefficients"}


def _revive_curves(data: dict[str, Any], rig: Rig, size: int) -> Curves:
    if "terms" in data:
        terms = tuple(Term(**{k: v for k, v in t.items() if k != "coefficient"}) for t in data["terms"])
        rows = [_unpack(t["coefficient"], size) for t in data["terms"]]
        return PhysicalCurves(rig, terms, np.array(rows))
    sweeps = []
    for item in data["sweeps"]:
        coefficients = np.array([_unpack(row, size) for row in item["coefficients"]])
        sweeps.append(SweepCurve(**{**item, "coefficients": coefficients}))
    return PolynomialCurves(tuple(sweeps))


def _revive_calibration(data: dict[str, Any]) -> Calibration:
    size = data["draws"] + 1
    rig = revive(Rig, data["rig"])
    return Calibration(
        program=data["program"],
        title=data["title"],
        family=data["family"],
        seed=data["seed"],
        rig=rig,
        files=data["files"],
        route=ROUTES[data["route"]],
        stated_pressure_friction=tuple(data["stated_pressure_friction"]),
        meters=_revive_meters(data["meters"], size),
        standby=_unpack(data["standby_W"], size),
        has_standby=data["has_standby"],
        curves=_revive_curves(data["curves"], rig, size),
        torque_constant=_unpack(data["torque_constant_Nm_per_A"], size),
        winding=tuple(data["winding"]) if data["winding"] else None,
        scatter=Scatter(
            data["scatter_reference_W"], _unpack(data["scatter_W"], size), _unpack(data["scatter_growth"], size)
        ),
        drive_range=revive(Range, data["drive_range"]),
        motor_range=revive(Range | None, data["motor_range"]),
        findings=tuple(Finding(**item) for item in data["findings"]),
        ranges={name: revive(Range, span) for name, span in data["ranges"].items()},
    )


def revive(kind: Any, data: Any) -> Any:
    """Rebuild a (nested) dataclass from the plain data of `asdict`, by its type hints."""
    origin, arguments = typing.get_origin(kind), typing.get_args(kind)
    if origin in (types.UnionType, typing.Union):
        return None if data is None else revive(next(a for a in arguments if a is not types.NoneType), data)
    if origin is dict:
        return {key: revive(arguments[1], value) for key, value in data.items()}
    if origin is tuple:
        return tuple(data)
    if is_dataclass(kind):
        hints = typing.get_type_hints(kind)
        return kind(**{name: revive(hints[name], value) for name, value in data.items()})  # type: ignore[operator]
    return data
