"""What the motor must supply through the cycle, and how far that is from its limits."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from driveloss.bench.records import FloatArray
from driveloss.errors import InputError
from driveloss.fit.calibration import Calibration
from driveloss.fit.estimate import Estimate
from driveloss.physics import cylinder, motor, torque
from driveloss.say.numbers import bar

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
    seal_force: FloatArray  # [N]
    seal: FloatArray  # [W]
    pneumatic: FloatArray  # [W] net
    drive: FloatArray  # [W] motor and linkage, less what grows with load
    rotation: FloatArray  # [W] of it spent inside the motor, zero where that is not known
    passed: FloatArray  # [W] through the transmission

    @property
    def shaft(self) -> FloatArray:
        """All that crosses the air gap. [W]"""
        return self.drive + self.passed


def demands(
    calibration: Calibration,
    load: Load,
    stated_amplitude: FloatArray | None,
    assumed_phase: FloatArray,
    limits: Mapping[str, FloatArray],
) -> tuple[dict[str, FloatArray], FloatArray]:
    """What the motor must supply at the mean and the peak, (1 + draws,) by name; its torque at ANGLES, (angles, ...).

    The pressure is a sine wave that takes the work: of a stated amplitude [Pa], else of an assumed phase [rad].
    limits: of torque [N m] and current [A], as far as they are known; a margin is the limit over what is wanted.
    Currents are nan where no torque constant is known.
    Raises InputError where the stated amplitude is too small for the work.
    """
    work, volume = load.pneumatic / load.frequency, cylinder.swept_volume(load.bore, load.stroke)
    least = np.asarray(torque.wave_amplitude(work, np.pi / 2, volume))
    if stated_amplitude is None:
        amplitude, phase = np.asarray(torque.wave_amplitude(work, assumed_phase, volume)), assumed_phase
    elif stated_amplitude[0] >= least[0]:
        amplitude, phase = stated_amplitude, torque.wave_phase(work, stated_amplitude, volume)
    else:
        raise InputError(
            f"--pressure-amplitude: read {bar(stated_amplitude[0])} bar, expected at least {bar(least[0])} bar, "
            f"the least that takes the work predicted at {load.frequency:g} Hz"
        )
    cycle = _motor_torque(calibration, load, amplitude, phase)
    speed = motor.motor_speed(load.frequency, calibration.meters.ratio)
    wants = {"mean_torque": (load.shaft - load.rotation) / speed, "peak_torque": cycle.max(axis=0)}
    for when in ("mean", "peak"):  # the current turns the rotor against the motor's own drag too
        wants[f"{when}_current"] = (wants[f"{when}_torque"] + load.rotation / speed) / calibration.torque_constant
    margins = {
        f"{when}_{kind}_margin": limit / wants[f"{when}_{kind}"]
        for kind, limit in limits.items()
        for when in ("mean", "peak")
    }
    return {"pressure_amplitude": amplitude, "least_pressure_amplitude": least} | wants | margins, cycle


def _motor_torque(calibration: Calibration, load: Load, amplitude: FloatArray, phase: FloatArray) -> FloatArray:
    """Torque that the motor must supply at its shaft at each of ANGLES, (angles, 1 + draws). [N m]"""
    meters, angle = calibration.meters, ANGLES[:, None]
    gas = torque.gas_torque(angle, load.pressure_difference, amplitude, phase, load.bore, load.stroke, load.rod_ratio)
    friction = torque.friction_torque(angle, load.seal_force, load.stroke, load.rod_ratio)
    outside = (load.drive - load.rotation) / motor.motor_speed(load.frequency, meters.ratio)
    return np.asarray(torque.torque_at_motor(gas, friction, outside, meters.ratio, meters.efficiency))


def verdict(parts: Mapping[str, Estimate | None]) -> str:
    """One of VERDICTS, by the intervals of the margins."""
    means, peaks = (
        [margin for kind in ("torque", "current") if (margin := parts.get(f"{when}_{kind}_margin")) is not None]
        for when in ("mean", "peak")
    )
    if not peaks:
        return "no limit given"
    if any(mean.high < 1 for mean in means):
        return "stalls"
    if any(peak.high < 1 for peak in peaks):
        return "peak too high"
    return "can drive" if all(peak.low > 1 for peak in peaks) else "cannot be told"
