"""What the motor must supply through the cycle, and how far that is from its limits."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from driveloss.bench.records import FloatArray
from driveloss.errors import InputError
from driveloss.fit.calibration import Calibration
from driveloss.fit.cycle import Cycle, Piston, Wave
from driveloss.fit.estimate import Estimate
from driveloss.physics import crank, motor, torque
from driveloss.say.numbers import bar

ANGLES = np.linspace(0.0, 2 * np.pi, 180, endpoint=False)  # [rad] every 2 degrees from top dead centre

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
    piston: Piston
    wave: Wave
    cycle: Cycle
    pneumatic: FloatArray  # [W] net
    drive: FloatArray  # [W] motor and linkage, less what grows with load
    rotation: FloatArray  # [W] of it spent inside the motor, zero where that is not known
    passed: FloatArray  # [W] through the transmission

    @property
    def shaft(self) -> FloatArray:
        """All that crosses the air gap. [W]"""
        return self.drive + self.passed

    @property
    def seal_force(self) -> FloatArray:
        """Mean friction force of the seal. [N]"""
        return self.cycle.seal / crank.mean_piston_speed(self.frequency, self.piston.stroke)


def check_amplitude(amplitude: FloatArray, work: FloatArray, volume: FloatArray, frequency: float) -> None:
    """Raise InputError where a stated amplitude [Pa] is too small for the work [J] at a frequency [Hz]."""
    least = float(torque.wave_amplitude(work[0], np.pi / 2, volume[0]))
    if amplitude[0] < least:
        raise InputError(
            f"--pressure-amplitude: read {bar(amplitude[0])} bar, expected at least {bar(least)} bar, "
            f"the least that takes the work predicted at {frequency:g} Hz"
        )


def demands(
    calibration: Calibration, load: Load, limits: Mapping[str, FloatArray]
) -> tuple[dict[str, FloatArray], FloatArray]:
    """What the motor must supply at the mean and the peak, (1 + draws,) by name; its torque at ANGLES, (angles, ...).

    limits: of torque [N m] and current [A], as far as they are known; a margin is the limit over what is wanted.
    Currents are nan where no torque constant is known.
    """
    least = np.asarray(torque.wave_amplitude(load.pneumatic / load.frequency, np.pi / 2, load.piston.volume))
    cycle = _motor_torque(calibration, load)
    speed = motor.motor_speed(load.frequency, calibration.meters.ratio)
    wants = {"mean_torque": (load.shaft - load.rotation) / speed, "peak_torque": cycle.max(axis=0)}
    for when in ("mean", "peak"):  # the current turns the rotor against the motor's own drag too
        wants[f"{when}_current"] = (wants[f"{when}_torque"] + load.rotation / speed) / calibration.torque_constant
    margins = {
        f"{when}_{kind}_margin": limit / wants[f"{when}_{kind}"]
        for kind, limit in limits.items()
        for when in ("mean", "peak")
    }
    return {"pressure_amplitude": load.wave[1], "least_pressure_amplitude": least} | wants | margins, cycle


def _motor_torque(calibration: Calibration, load: Load) -> FloatArray:
    """Torque that the motor must supply at its shaft at each of ANGLES, (angles, 1 + draws). [N m]"""
    meters, piston, angle = calibration.meters, load.piston, ANGLES[:, None]
    mean, amplitude, phase = load.wave
    sizes = piston.stroke, piston.rod_ratio
    gas = torque.gas_torque(angle, mean - piston.back_pressure, amplitude, phase, piston.bore, *sizes)
    friction = torque.friction_torque(angle, load.seal_force, *sizes) + load.cycle.pins / (2 * np.pi * load.frequency)
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
