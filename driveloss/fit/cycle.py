"""What a loaded cycle adds to the friction of the ladder: pins and guides under the rod's force, the pressed lip."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from driveloss.bench.records import FloatArray
from driveloss.fit.calibration import Calibration
from driveloss.fit.laws import rod_ratio
from driveloss.fit.readings import Readings
from driveloss.physics import crank, cylinder, rod, torque
from driveloss.physics.arrays import Values


@dataclass(frozen=True)
class Cycle:
    """What follows from the cycle of each loaded reading, (n, 1 + draws). [W]"""

    pins: FloatArray  # friction of pins and guides
    seal: FloatArray  # friction of the seal as it drags in the run
    swing: FloatArray  # standard deviation over the cycle of the power that the motor is asked for


def loaded_cycle(calibration: Calibration, readings: Readings) -> Callable[[FloatArray, FloatArray], Cycle]:
    """What tells the cycle that takes a net power at each reading, where the ladder's seal friction is the second.

    Both (n, 1 + draws) [W]; it may be asked again and again.
    """
    places = {str(name): np.flatnonzero(readings.cylinder == name) for name in np.unique(readings.cylinder)}
    each = {name: _one_cylinder(calibration, name, readings.only(mine)) for name, mine in places.items()}

    def cycle(net: FloatArray, seal: FloatArray) -> Cycle:
        parts = [np.empty_like(net) for _ in range(3)]
        for name, mine in places.items():
            found = each[name](net[mine], seal[mine])
            for whole, part in zip(parts, (found.pins, found.seal, found.swing), strict=True):
                whole[mine] = part
        return Cycle(*parts)

    return cycle


def _one_cylinder(calibration: Calibration, name: str, readings: Readings) -> Callable[[FloatArray, FloatArray], Cycle]:
    meters, piston = calibration.meters, measured_piston(calibration, name, readings.frequency)
    frequency, mean = readings.frequency[:, None], meters.pressure(readings.mean_pressure)
    read = readings.pressure_amplitude[:, None] * meters.pressure_gain

    def cycle(net: FloatArray, seal: FloatArray) -> Cycle:
        wave = (mean, *pressure_wave(net / frequency, piston.volume, meters.phase_of(name), read))
        return cycle_of(piston, wave, frequency, seal, meters.efficiency)

    return cycle


@dataclass(frozen=True)
class Piston:
    """What of a cylinder decides its cycle; arrays are (1 + draws,), or (n, 1 + draws) where frequency matters."""

    bore: FloatArray  # [m]
    stroke: FloatArray  # [m]
    rod_ratio: float  # crank radius over rod length [1]
    back_pressure: FloatArray  # [Pa]
    pin_length: FloatArray  # friction torque at the crank per newton in the rod [m]
    lip_drag: FloatArray  # that each pascal across the seal adds [N/Pa]
    seal_change: FloatArray  # its drag in the run over that in the ladder [1]

    @property
    def volume(self) -> FloatArray:
        """Swept. [m^3]"""
        return cylinder.swept_volume(self.bore, self.stroke)


def measured_piston(calibration: Calibration, name: str, frequency: FloatArray) -> Piston:
    """A cylinder of the bench at frequency (n,)."""
    meters, geometry = calibration.meters, calibration.meters.cylinders[name]
    return Piston(
        bore=geometry.bore,
        stroke=geometry.stroke,
        rod_ratio=rod_ratio(calibration.rig, calibration.rig.cylinders[name]),
        back_pressure=geometry.back_pressure,
        pin_length=meters.load_friction_length(geometry.stroke),
        lip_drag=calibration.lip_drag(name, frequency),
        seal_change=geometry.seal_change,
    )


Wave = tuple[FloatArray, FloatArray, FloatArray]  # mean and amplitude [Pa], phase before top dead centre [rad]


def pressure_wave(
    work: FloatArray, volume: FloatArray, phase: FloatArray, amplitude: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Amplitude and phase of the sine wave that takes the work of a cycle [J]: as read, where not nan; else as assumed.

    phase: assumed [rad]. amplitude: as read [Pa].
    """
    follows, phase = np.abs(torque.wave_amplitude(work, phase, volume)), np.broadcast_to(phase, work.shape)
    is_read = np.isfinite(amplitude)
    as_read = torque.wave_phase(work, np.where(is_read, amplitude, 1.0), volume)
    return np.where(is_read, amplitude, follows), np.where(is_read, as_read, phase)


def cycle_of(piston: Piston, wave: Wave, frequency: Values, seal: FloatArray, efficiency: FloatArray) -> Cycle:
    """What a wave of pressure does to a piston whose seal takes `seal` [W] without it, at a frequency [Hz].

    efficiency: of the transmission, behind which the motor feels the swing.
    """
    mean, amplitude, phase = wave
    across, way = mean - piston.back_pressure, crank.mean_piston_speed(frequency, piston.stroke)
    lip = rod.lip_pressure(across, amplitude, phase, piston.rod_ratio)
    pressed = np.maximum(piston.lip_drag * (lip - np.abs(across)), 0.0)
    changed = piston.seal_change * (seal / way + pressed)
    rest = piston.bore, piston.stroke, piston.rod_ratio, frequency
    force, power = rod.rod_means(across, amplitude, phase, changed, *rest)
    return Cycle(piston.pin_length * 2 * np.pi * frequency * force, changed * way, power / efficiency)
