"""No-load losses at any frequency, for the drive alone and for each cylinder."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from driveloss.bench.records import FloatArray
from driveloss.fit.assumptions import Assumption
from driveloss.fit.calibration import Calibration, shifted
from driveloss.fit.checks import known_cylinder, positive
from driveloss.fit.estimate import Estimate, estimate
from driveloss.physics import seal as seal_physics
from driveloss.say.answer import Answer
from driveloss.say.quantities import Named


@dataclass(frozen=True, kw_only=True)
class LossRow(Named):
    """Input-side losses with nothing but friction to drive; None where not determinable. Powers in W, force in N."""

    frequency: float  # [Hz]
    cylinder: str | None  # None for the drive alone
    mean_pressure: float | None  # [Pa]
    standby: Estimate | None = None
    motor: Estimate | None = None
    linkage: Estimate | None = None  # with what the transmission takes of the seal's load
    drive: Estimate
    seal: Estimate | None = None
    port: Estimate | None = None
    total: Estimate  # without the port
    seal_force: Estimate | None = None
    flags: tuple[str, ...]

    @property
    def extrapolated(self) -> bool:
        """Whether the frequency lies outside the calibrated range."""
        return "extrapolated" in self.flags

    def __repr__(self) -> str:
        of = "drive alone" if self.cylinder is None else f"{self.cylinder!r} at {self.mean_pressure:.4g} Pa"
        return f"LossRow({of}, {self.frequency:g} Hz: {self.total.value:.4g} W)"


class Losses(Answer, tuple[LossRow, ...]):
    """The rows, frequency after frequency: the drive alone, then the cylinders.

    assumptions: what stands in for keys of bench.toml, by which the rows' intervals are wider.
    """

    told_by = "driveloss.losses.tell:losses"
    columns = (*LossRow.csv_columns(), "extrapolated", "flags")
    assumptions: tuple[tuple[tuple[str, ...], Assumption], ...] = ()

    def __repr__(self) -> str:
        return f"Losses({len(self)} rows)"


def losses(
    calibration: Calibration,
    frequencies: Iterable[float],
    cylinders: Sequence[str] | None = None,
    pressures: Sequence[float] | None = None,
) -> Losses:
    """Losses at each frequency [Hz]: a row for the drive alone, then one a cylinder and mean pressure [Pa, absolute].

    cylinders: names, all unless given. pressures: unless given, those of each cylinder's no-load sweeps.
    Raises InputError for an unknown cylinder or a frequency that is not positive.
    """
    names = list(calibration.ranges) if cylinders is None else list(cylinders)
    for name in names:
        known_cylinder(calibration, name)
    places: list[tuple[str | None, float | None]] = [(None, None)] if cylinders is None else []
    places += [(name, p) for name in names for p in pressures or calibration.ranges[name].pressures]
    at = [positive(frequency, "Hz", "frequency") for frequency in frequencies]
    found = Losses(_row(calibration, frequency, *place) for frequency in at for place in places)
    every = calibration.meters.assumptions(calibration.rig)
    found.assumptions = tuple((keys, row) for keys, row in every if not row.under_load)
    return found


def no_load_draws(
    calibration: Calibration, frequency: FloatArray, cylinder: str | None, pressure: float | None
) -> dict[str, FloatArray]:
    """The known parts of the no-load input power [W], and the seal's force [N], (m, 1 + draws) each.

    frequency: (m,) [Hz], a true one: the common error of the frequency meter moves the curves under it. pressure: [Pa].
    """
    misread = calibration.meters.misread(frequency)
    parts = {"drive": shifted(calibration.drive, frequency, misread)}
    belt = np.zeros_like(parts["drive"])
    if cylinder is not None and pressure is not None:
        pressed = np.full(len(frequency), pressure)
        seal = shifted(lambda f: calibration.seal(cylinder, f, pressed), frequency, misread)
        port = shifted(lambda f: calibration.port(cylinder, f, pressed), frequency, misread)
        parts |= {"seal": seal, "port": port, "seal_force": seal_force(calibration, seal, frequency, cylinder)}
        # transmission and pins belong to the linkage: with a piston to move, so does what they take of that
        pins = shifted(lambda f: calibration.pins(cylinder, f, pressed), frequency, misread)
        parts["drive"] = parts["drive"] + (seal + pins) / calibration.meters.efficiency - seal
        belt = calibration.belt(seal + pins)
    shaft = parts["drive"] + parts.get("seal", 0.0)
    load_loss = calibration.load_loss(shaft, frequency).total
    standby = np.broadcast_to(calibration.standby, shaft.shape)
    if calibration.has_motor:
        motor = shifted(calibration.motor, frequency, misread)
        parts |= {"motor": motor + load_loss - belt, "linkage": parts["drive"] - motor + belt}
    if calibration.has_standby:
        parts["standby"] = standby
    return parts | {"drive": parts["drive"] + load_loss, "total": standby + load_loss + shaft}


def _row(calibration: Calibration, frequency: float, cylinder: str | None, pressure: float | None) -> LossRow:
    parts = no_load_draws(calibration, np.array([frequency]), cylinder, pressure)
    known: dict[str, Any] = {name: estimate(draws[0], calibration.meters) for name, draws in parts.items()}
    flags = no_load_flags(calibration, cylinder, pressure, frequency)
    return LossRow(frequency=frequency, cylinder=cylinder, mean_pressure=pressure, flags=flags, **known)


def seal_force(calibration: Calibration, seal: FloatArray, frequency: FloatArray, cylinder: str) -> FloatArray:
    """Mean friction force of a seal power (m, 1 + draws) at true frequency (m,). [N]"""
    return seal_physics.mean_friction_force(seal, frequency[:, None], calibration.meters.cylinders[cylinder].stroke)


def no_load_flags(
    calibration: Calibration, cylinder: str | None, pressure: float | None, frequency: float | None = None
) -> tuple[str, ...]:
    """What a reader must know of losses at a mean pressure [Pa] and, where one is given, a frequency [Hz]."""
    tests = {
        "extrapolated": frequency is not None and calibration.is_extrapolated(frequency, cylinder),
        "load-loss-assumed": not calibration.route.is_known,
    }
    if cylinder is not None and pressure is not None:
        tests |= {
            "port-loss-unknown": calibration.rig.cylinders[cylinder].open_port_diameter is None,
            "pressure-not-calibrated": not calibration.pressure_is_known(cylinder, pressure),
        }
    return tuple(code for code, holds in tests.items() if holds)
