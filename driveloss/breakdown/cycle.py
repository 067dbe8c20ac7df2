"""What a loaded cycle adds to the friction of the ladder: pins and guides under the rod's force, the pressed lip."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from driveloss.bench.records import FloatArray
from driveloss.fit.calibration import Calibration
from driveloss.fit.laws import rod_ratio
from driveloss.fit.readings import Readings
from driveloss.physics import crank, cylinder, rod, torque


@dataclass(frozen=True)
class Cycle:
    """What follows from the cycle of each loaded reading, (n, 1 + draws). [W]"""

    pins: FloatArray  # friction of pins and guides
    seal: FloatArray  # friction of the seal as it drags in the run
    swing: FloatArray  # standard deviation over the cycle of the power that the motor is asked for


def loaded_cycle(calibration: Calibration, readings: Readings, net: FloatArray, seal: FloatArray) -> Cycle:
    """The cycle that takes a net power at each reading, where the ladder's seal friction is `seal`. [W]"""
    parts = [np.empty_like(net) for _ in range(3)]
    for name in np.unique(readings.cylinder):
        mine = readings.cylinder == name
        found = one_cylinder(
            calibration,
            str(name),
            readings.frequency[mine],
            readings.mean_pressure[mine],
            readings.pressure_amplitude[mine],
            net[mine],
            seal[mine],
        )
        for whole, part in zip(parts, (found.pins, found.seal, found.swing), strict=True):
            whole[mine] = part
    return Cycle(*parts)


def one_cylinder(  # noqa: PLR0913 - a cycle's conditions
    calibration: Calibration,
    name: str,
    frequency: FloatArray,
    pressure: FloatArray,
    amplitude: FloatArray,
    net: FloatArray,
    seal: FloatArray,
) -> Cycle:
    """Of one cylinder at frequency, mean pressure and (as read, else nan) amplitude (n,); net, seal (n, 1 + draws)."""
    meters, geometry = calibration.meters, calibration.meters.cylinders[name]
    bore, stroke, f = geometry.bore, geometry.stroke, frequency[:, None]
    lean, way = rod_ratio(calibration.rig, calibration.rig.cylinders[name]), crank.mean_piston_speed(f, stroke)
    across = meters.pressure(pressure) - geometry.back_pressure
    swing, phase = _wave(calibration, name, f, amplitude[:, None] * meters.pressure_gain, net)
    drag = seal / way
    _, lip, _ = rod.cycle_means(across, swing, phase, drag, bore, stroke, lean, f)
    pressed = calibration.lip_drag(name, frequency) * (lip - np.abs(across))
    changed = geometry.seal_change * (drag + np.maximum(pressed, 0.0))
    force, _, power = rod.cycle_means(across, swing, phase, changed, bore, stroke, lean, f)
    pins = meters.load_friction_length(name) * 2 * np.pi * f * force
    return Cycle(pins, changed * way, power / meters.efficiency)


def _wave(
    calibration: Calibration, name: str, frequency: FloatArray, read: FloatArray, net: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Amplitude [Pa] and phase [rad] of the pressure that takes a net power: as read, else of the phase assumed."""
    geometry = calibration.meters.cylinders[name]
    work, volume = net / frequency, cylinder.swept_volume(geometry.bore, geometry.stroke)
    phase = np.broadcast_to(np.radians(calibration.meters.phase), net.shape)
    follows = np.abs(torque.wave_amplitude(work, phase, volume))
    is_read = np.isfinite(read)
    as_read = torque.wave_phase(work, np.where(is_read, read, 1.0), volume)
    return np.where(is_read, read, follows), np.where(is_read, as_read, phase)
