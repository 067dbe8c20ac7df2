"""What a machine takes without load: the draws of its parts at any frequency, and what a reader must know of them."""

from __future__ import annotations

import numpy as np

from driveloss.bench.records import FloatArray
from driveloss.fit.calibration import Calibration, shifted
from driveloss.physics import seal as seal_physics


def no_load_draws(
    calibration: Calibration, frequency: FloatArray, cylinder: str | None, pressure: FloatArray | float | None
) -> dict[str, FloatArray]:
    """The known parts of the no-load input power [W], and the seal's force [N], (m, 1 + draws) each.

    frequency: (m,) [Hz], a true one: the common error of the frequency meter moves the curves under it.
    pressure: one or (m,) [Pa].
    """
    misread = calibration.meters.misread(frequency)
    parts = {"drive": shifted(calibration.drive, frequency, misread)}
    belt = np.zeros_like(parts["drive"])
    if cylinder is not None and pressure is not None:
        pressed = np.broadcast_to(np.asarray(pressure, dtype=float), frequency.shape)
        seal, pins = shifted(lambda f: np.stack(calibration.step(cylinder, f, pressed)), frequency, misread)
        port = shifted(lambda f: calibration.port(cylinder, f, pressed), frequency, misread)
        parts |= {"seal": seal, "port": port, "seal_force": seal_force(calibration, seal, frequency, cylinder)}
        # transmission and pins belong to the linkage: with a piston to move, so does what they take of that
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
