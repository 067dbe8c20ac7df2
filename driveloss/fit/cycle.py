"""What a loaded cycle adds to the friction of the ladder: pins and guides under the rod's force, the pressed lip."""

from __future__ import annotations

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
    meters, piston, f = calibration.meters, measured_piston(calibration, name, frequency), frequency[:, None]
    read = amplitude[:, None] * meters.pressure_gain
    wave = (meters.pressure(pressure), *pressure_wave(net / f, piston.volume, meters.phase_of(name), read))
    return cycle_of(piston, wave, f, seal, meters.efficiency)


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

    def means(drag: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        rest = piston.bore, piston.stroke, piston.rod_ratio, frequency
        return rod.cycle_means(across, amplitude, phase, drag, *rest)

    drag = seal / way
    _, lip, _ = means(drag)
    pressed = np.maximum(piston.lip_drag * (lip - np.abs(across)), 0.0)
    changed = piston.seal_change * (drag + pressed)
    force, _, power = means(changed)
    return Cycle(piston.pin_length * 2 * np.pi * frequency * force, changed * way, power / efficiency)
