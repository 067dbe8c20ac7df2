"""What every question refuses alike."""

from __future__ import annotations

from math import isfinite

from driveloss.errors import InputError
from driveloss.fit.calibration import Calibration


def known_cylinder(calibration: Calibration, name: str, where: str = "cylinder", wanted: str = "one") -> str:
    """The name of a cylinder that was calibrated. Raises InputError for another; `where` starts the message."""
    if name in calibration.ranges:
        return name
    known = ", ".join(f"'{cylinder}'" for cylinder in calibration.ranges) or "none"
    raise InputError(f"{where}: read '{name}', expected {wanted} that has a no-load sweep: {known}")


def positive(value: float, unit: str, where: str, wanted: str = "number") -> float:
    """A finite value above zero. Raises InputError for another; `where` starts the message."""
    if isfinite(value) and value > 0:
        return float(value)
    raise InputError(f"{where}: read {value:g} {unit}, expected a positive {wanted}")
