"""Whether a calibration that was read back can be one: what its parts say of each other, and signs."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from itertools import pairwise

import numpy as np

from driveloss.bench.records import Cylinder, Rig
from driveloss.errors import InputError
from driveloss.fit import FAMILIES
from driveloss.fit.calibration import Calibration, Range
from driveloss.fit.curves import PhysicalCurves, PolynomialCurves
from driveloss.fit.laws import SEAL_LAWS, SHAFT_LAWS
from driveloss.fit.meters import CylinderDraws, Meters, common_errors

PARTS = {"idle": {"constant"}, "seal": SEAL_LAWS.keys()} | dict.fromkeys(
    ("motor", "linkage", "drive"), SHAFT_LAWS.keys()
)


def check_sound(calibration: Calibration) -> None:
    """Raises InputError that names the key and says what was expected there."""
    for key, is_sound, expected in _demands(calibration):
        if not is_sound:
            raise InputError(f"key '{key}': expected {expected}, read otherwise")


Demand = tuple[str, bool, str]


def _demands(c: Calibration) -> Iterator[Demand]:
    yield "family", c.family in FAMILIES, f"one of {', '.join(FAMILIES)}"
    yield (
        "standby",
        bool(np.isfinite(c.standby).all()) and c.standby[0] >= 0,
        "finite draws, and no idle power below zero",
    )
    yield "seed", c.seed >= 0, "zero or more"
    yield "scatter.reference", c.scatter.reference > 0, "a power above zero"
    yield "scatter.size", bool(np.all(c.scatter.size >= 0)), "no negative scatter"
    yield "scatter.share", bool(np.all((c.scatter.share >= 0) & (c.scatter.share <= 1))), "shares from 0 to 1"
    yield "winding", c.winding is None or c.winding[0] > 0, "a temperature above absolute zero"
    yield from _meters(c)
    yield from _ranges(c)
    curves = c.curves
    yield from _terms(c, curves) if isinstance(curves, PhysicalCurves) else _sweeps(c, curves)


def _meters(c: Calibration) -> Iterator[Demand]:
    """Errors, constants and dimensions: none of them below zero whose limits are above it, unknown ones apart."""
    yield "meters.cylinders", c.meters.cylinders.keys() == c.rig.cylinders.keys(), "the cylinders of the rig"
    yield "meters.full_power", c.meters.full_power > 0, "a power above zero"
    yield "meters.reference_temperature", c.meters.reference_temperature > 0, "a temperature above absolute zero"
    yield from _signs("meters", c.meters, c.rig, c.meters.fitted)
    for name, of in c.meters.cylinders.items():
        yield from _signs(f"meters.cylinders.{name}", of, c.rig.cylinders[name], ())


def _signs(
    place: str, record: Meters | CylinderDraws, holder: Rig | Cylinder, fitted: Collection[str]
) -> Iterator[Demand]:
    for name, error in common_errors(record).items():
        (_, low, _), _ = error.drawn(name, holder)
        values = getattr(record, name)
        if name not in fitted and low > 0:
            yield f"{place}.{name}", not bool(np.any(values <= 0)), "no draw at or below zero"
        elif name in fitted or low == 0 or error.bounds[0] >= 0:
            yield f"{place}.{name}", not bool(np.any(values < 0)), "no draw below zero"


def _ranges(c: Calibration) -> Iterator[Demand]:
    yield "ranges", c.ranges.keys() <= c.rig.cylinders.keys(), "cylinders of the rig"
    stated = c.stated_pressure_friction
    yield "stated_pressure_friction", c.rig.cylinders.keys() >= set(stated), "cylinders of the rig"
    named = {"drive_range": c.drive_range, **{f"ranges.{name}": of for name, of in c.ranges.items()}}
    for key, of in named.items():
        yield key, _rises(of), "frequencies and pressures above zero that rise"
        yield f"{key}.pressures", key == "drive_range" or len(of.pressures) > 0, "at least one pressure"
    yield "motor_range", c.motor_range is None or _rises(c.motor_range), "frequencies above zero that rise"
    yield "motor_range", (c.motor_range is not None) == c.curves.has_motor, "one where the curves have the motor alone"


def _rises(of: Range) -> bool:
    return 0 < of.low <= of.high and all(a < b for a, b in pairwise((0.0, *of.pressures)))


def _terms(c: Calibration, curves: PhysicalCurves) -> Iterator[Demand]:
    shape = (len(curves.terms), c.draws + 1)
    yield "curves.coefficients", curves.coefficients.shape == shape, "a row of draws for each term"
    positive = np.isfinite(curves.coefficients) & (curves.coefficients >= 0)
    yield "curves.coefficients", bool(positive.all()), "finite draws, none below zero"
    yield "curves.rig", curves.rig.cylinders.keys() == c.rig.cylinders.keys(), "the cylinders of the rig"
    for n, term in enumerate(curves.terms, 1):
        yield f"curves.terms[{n}].kind", term.kind in PARTS.get(term.part, ()), "a law of a part of the machine"
        has_cylinder = term.cylinder in c.rig.cylinders if term.part == "seal" else term.cylinder is None
        yield f"curves.terms[{n}].cylinder", has_cylinder, "a cylinder of the rig where it is a seal's"
        yield f"curves.terms[{n}].stribeck_speed", term.stribeck_speed >= 0, "no negative speed"
        speed = term.kind != "stribeck" or term.stribeck_speed > 0
        yield f"curves.terms[{n}].stribeck_speed", speed, "a speed above zero"


def _sweeps(c: Calibration, curves: PolynomialCurves) -> Iterator[Demand]:
    rungs = {(curve.stage, curve.cylinder) for curve in curves.sweeps}
    needed = {("piston-disconnected", None), *(("no-load", name) for name in c.ranges)}
    yield "curves.sweeps", rungs >= needed, "a curve of the disconnected drive and of every cylinder swept"
    for n, curve in enumerate(curves.sweeps, 1):
        place = f"curves.sweeps[{n}]"
        is_whole = curve.coefficients.ndim == 2 and bool(np.isfinite(curve.coefficients).all())
        yield f"{place}.coefficients", is_whole, "finite draws, a row a coefficient"
        yield place, 0 < curve.low <= curve.high and curve.mean_pressure >= 0, "frequencies above zero that rise"
    for name in c.ranges:
        at = [curve.mean_pressure for curve in curves.sweeps if (curve.stage, curve.cylinder) == ("no-load", name)]
        yield "curves.sweeps", len(set(at)) == len(at), f"sweeps of cylinder '{name}' at pressures that differ"
