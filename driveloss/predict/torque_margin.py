"""What the motor must supply through the cycle, and how far that is from its limits."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from driveloss.bench.records import FloatArray
from driveloss.errors import InputError
from driveloss.fit.calibration import Calibration
from driveloss.fit.estimate import Estimate
from driveloss.physics import cylinder, motor, torque

BAR = 1e5  # [Pa]
ANGLES = np.linspace(0.0, 2 * np.pi, 180, endpoint=False)  # [rad] every 2 degrees from top dead centre

# Assumed, no published source: by how much the pressure peaks before top dead centre. [rad]
PHASE, LEAST_PHASE, MOST_PHASE = (float(angle) for angle in np.radians([45.0, 30.0, 90.0]))

VERDICTS = {
    "can drive": "the motor can drive it; even the peak of the cycle stays inside its limits.",
    "peak too high": "the mean is inside the motor's limits, but the peak of the cycle is not: it stalls there unless "
    "its turning parts carry the crank past.",
    "stalls": "the motor stalls; even the mean is beyond its limits.",
    "cannot be told": "whether the motor can drive it cannot be told; a limit lies inside the interval.",
    "no limit given": "whether the motor can drive it is not judged; bench.toml gives no peak_torque, and no "
    "current_limit with a torque constant, in [motor].",
}


@dataclass(frozen=True)
class Load:
    """What turns and what resists, at one true frequency [Hz]; arrays of shape (1 + draws,)."""

    frequency: float
    bore: FloatArray  # [m]
    stroke: FloatArray  # [m]
    rod_ratio: float
    pressure_difference: FloatArray  # [Pa] mean in the cylinder less behind the piston
    work: FloatArray  # [J] on the gas in a cycle
    seal_force: FloatArray  # [N]
    drive: FloatArray  # [W] motor and linkage, less what grows with load
    rotation: FloatArray  # [W] of it spent inside the motor, zero where that is not known
    shaft: FloatArray  # [W] all that crosses the air gap


@dataclass(frozen=True)
class Wave:
    """Sine wave of pressure: arrays of shape (1 + draws,)."""

    amplitude: FloatArray  # [Pa] half of peak to peak
    phase: FloatArray  # [rad] by which it peaks before top dead centre


def least_amplitude(load: Load) -> FloatArray:
    """The smallest amplitude that can take the work, (1 + draws,). [Pa]"""
    return np.asarray(torque.wave_amplitude(load.work, np.pi / 2, cylinder.swept_volume(load.bore, load.stroke)))


def wave_of(load: Load, amplitude: FloatArray | None, assumed_phase: FloatArray) -> Wave:
    """The wave that takes the work: of a stated amplitude [Pa], else of an assumed phase [rad].

    Raises InputError where the stated amplitude is too small for the work.
    """
    volume = cylinder.swept_volume(load.bore, load.stroke)
    if amplitude is None:
        return Wave(np.asarray(torque.wave_amplitude(load.work, assumed_phase, volume)), assumed_phase)
    least = float(least_amplitude(load)[0])
    if amplitude[0] < least:
        raise InputError(
            f"--pressure-amplitude: read {amplitude[0] / BAR:.4g} bar, expected at least {least / BAR:.4g} bar, "
            f"the least that takes the work predicted at {load.frequency:g} Hz"
        )
    return Wave(amplitude, torque.wave_phase(load.work, amplitude, volume))


def motor_torque(calibration: Calibration, load: Load, wave: Wave) -> FloatArray:
    """Torque that the motor must supply at its shaft at each of ANGLES, (angles, 1 + draws). [N m]"""
    meters, angle = calibration.meters, ANGLES[:, None]
    speed = motor.motor_speed(load.frequency, meters.ratio)
    gas = torque.gas_torque(
        angle, load.pressure_difference, wave.amplitude, wave.phase, load.bore, load.stroke, load.rod_ratio
    )
    friction = torque.friction_torque(angle, load.seal_force, load.stroke, load.rod_ratio)
    outside = (load.drive - load.rotation) / speed
    return np.asarray(torque.torque_at_motor(gas, friction, outside, meters.ratio, meters.efficiency))


def demands(calibration: Calibration, load: Load, cycle: FloatArray) -> dict[str, FloatArray]:
    """Mean and peak of torque at the motor shaft [N m] and of motor current [A], (1 + draws,) each.

    Current turns the rotor against the motor's own drag too; nan where no torque constant is known.
    """
    speed = motor.motor_speed(load.frequency, calibration.meters.ratio)
    mean, peak, inside = (load.shaft - load.rotation) / speed, cycle.max(axis=0), load.rotation / speed
    return {
        "mean_torque": mean,
        "peak_torque": peak,
        "mean_current": (mean + inside) / calibration.torque_constant,
        "peak_current": (peak + inside) / calibration.torque_constant,
    }


def margins(
    wants: dict[str, FloatArray], torque_limit: FloatArray | None, current_limit: FloatArray | None
) -> dict[str, FloatArray]:
    """What the motor can give over what is wanted, at the mean and the peak; only for limits that are known. [1]"""
    limits = {"torque": torque_limit, "current": current_limit}
    return {
        f"{when}_{kind}_margin": limit / wants[f"{when}_{kind}"]
        for kind, limit in limits.items()
        if limit is not None
        for when in ("mean", "peak")
    }


def verdict(parts: dict[str, Estimate | None]) -> str:
    """One of VERDICTS, by the intervals of the margins."""
    peaks = [m for m in (parts.get(f"peak_{kind}_margin") for kind in ("torque", "current")) if m is not None]
    means = [m for m in (parts.get(f"mean_{kind}_margin") for kind in ("torque", "current")) if m is not None]
    if not peaks:
        return "no limit given"
    if any(mean.high < 1 for mean in means):
        return "stalls"
    if any(peak.high < 1 for peak in peaks):
        return "peak too high"
    return "can drive" if all(peak.low > 1 for peak in peaks) else "cannot be told"
