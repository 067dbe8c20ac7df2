"""No-load losses at any frequency, for the drive alone and for each cylinder."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from driveloss.bench.records import FloatArray
from driveloss.errors import InputError
from driveloss.fit.calibration import Calibration
from driveloss.fit.estimate import Estimate, estimate
from driveloss.physics import seal as seal_physics

SLOPE_STEP = 1e-3  # relative step of frequency for the curves' slopes


@dataclass(frozen=True)
class LossRow:
    """Input-side losses with nothing but friction to drive; None where not determinable. Powers in W, force in N."""

    frequency: float  # [Hz]
    cylinder: str | None  # None for the drive alone
    mean_pressure: float | None  # [Pa]
    standby: Estimate | None
    motor: Estimate | None
    linkage: Estimate | None  # with what the transmission takes of the seal's load
    drive: Estimate | None
    seal: Estimate | None
    port: Estimate | None
    total: Estimate | None  # without the port
    seal_force: Estimate | None
    extrapolated: bool
    flags: tuple[str, ...]


def losses(
    calibration: Calibration,
    frequencies: Iterable[float],
    cylinders: Sequence[str] | None = None,
    pressures: Sequence[float] | None = None,
) -> list[LossRow]:
    """Losses at each frequency [Hz]: a row for the drive alone, then one a cylinder and mean pressure [Pa, absolute].

    cylinders: names, all unless given. pressures: unless given, those of each cylinder's no-load sweeps.
    Raises InputError for an unknown cylinder or a frequency that is not positive.
    """
    names = list(calibration.ranges) if cylinders is None else list(cylinders)
    for name in names:
        _known_cylinder(calibration, name)
    rows = []
    for frequency in frequencies:
        if not (np.isfinite(frequency) and frequency > 0):
            raise InputError(f"frequency: read {frequency:g} Hz, expected a positive number")
        if cylinders is None:
            rows.append(_row(calibration, frequency, None, None))
        rows += [
            _row(calibration, frequency, name, p)
            for name in names
            for p in pressures or calibration.ranges[name].pressures
        ]
    return rows


def no_load_draws(
    calibration: Calibration, frequency: FloatArray, cylinder: str | None, pressure: FloatArray | None
) -> dict[str, FloatArray | None]:
    """The parts of the no-load input power, each (m, 1 + draws) or None; frequency [Hz], pressure [Pa]: (m,). [W]

    The frequency is a true one: the common error of the frequency meter moves the curves under it.
    """
    with_cylinder = cylinder is not None and pressure is not None
    parts = {
        "drive": calibration.drive,
        "motor": calibration.motor,
        "seal": lambda f: calibration.seal(cylinder, f, pressure) if with_cylinder else None,  # type: ignore[arg-type]
        "port": lambda f: calibration.port(cylinder, f, pressure) if with_cylinder else None,  # type: ignore[arg-type]
    }
    error = frequency[:, None] * (1 - calibration.inputs.frequency_gain) - calibration.inputs.frequency_zero
    moved = {name: shifted(part, frequency, error) for name, part in parts.items()}
    drive, motor, seal, port = moved["drive"], moved["motor"], moved["seal"], moved["port"]
    assert drive is not None
    if seal is not None:  # the transmission belongs to the linkage: with a piston to move, so does its share of that
        drive = drive + seal * (1 / calibration.inputs.efficiency - 1)
    shaft = drive if seal is None else drive + seal
    load_loss = calibration.load_loss(shaft, frequency)
    standby = np.broadcast_to(calibration.standby, drive.shape)
    return {
        "standby": standby if calibration.has_standby else None,
        "motor": None if motor is None else motor + load_loss,
        "linkage": None if motor is None else drive - motor,
        "drive": drive + load_loss,
        "seal": seal,
        "port": port,
        "total": standby + load_loss + shaft,
    }


def shifted(
    part: Callable[[FloatArray], FloatArray | None], frequency: FloatArray, error: FloatArray
) -> FloatArray | None:
    """A part at frequency (m,) plus a small error (m, 1 + draws), by its slope; (m, 1 + draws) or None. [W]"""
    here = part(frequency)
    if here is None or not error.any():
        return here
    step = SLOPE_STEP * frequency
    above, below = part(frequency + step), part(frequency - step)
    assert above is not None and below is not None
    return here + (above - below) / (2 * step[:, None]) * error


def _row(calibration: Calibration, frequency: float, cylinder: str | None, pressure: float | None) -> LossRow:
    at = np.array([float(frequency)])
    pressed = None if pressure is None else np.array([float(pressure)])
    parts = no_load_draws(calibration, at, cylinder, pressed)
    known = {name: None if draws is None else estimate(draws[0]) for name, draws in parts.items()}
    force = (
        None
        if parts["seal"] is None or cylinder is None
        else estimate(seal_force(calibration, parts["seal"], at, cylinder)[0])
    )
    return LossRow(
        frequency=float(frequency),
        cylinder=cylinder,
        mean_pressure=pressure,
        seal_force=force,
        extrapolated=calibration.is_extrapolated(frequency, cylinder),
        flags=_flags(calibration, frequency, cylinder, pressure),
        **known,
    )


def seal_force(calibration: Calibration, seal: FloatArray, frequency: FloatArray, cylinder: str) -> FloatArray:
    """Mean friction force of a seal power (m, 1 + draws) at true frequency (m,). [N]"""
    return seal_physics.mean_friction_force(seal, frequency[:, None], calibration.inputs.cylinders[cylinder]["stroke"])


def _flags(calibration: Calibration, frequency: float, cylinder: str | None, pressure: float | None) -> tuple[str, ...]:
    flags = ["extrapolated"] if calibration.is_extrapolated(frequency, cylinder) else []
    if cylinder is not None and pressure is not None:
        if calibration.rig.cylinders[cylinder].open_port_diameter is None:
            flags.append("port-loss-unknown")
        if not calibration.pressure_is_known(cylinder, pressure):
            flags.append("pressure-not-calibrated")
    return tuple(flags)


def _known_cylinder(calibration: Calibration, name: str) -> None:
    if name not in calibration.ranges:
        known = ", ".join(f"'{c}'" for c in calibration.ranges) or "none"
        raise InputError(f"cylinder: read '{name}', expected one that has a no-load sweep: {known}")
