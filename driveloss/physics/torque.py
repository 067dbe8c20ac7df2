"""Torque through the cycle: what gas pressure, seal and drive ask of the crank and of the motor behind it.

The crank angle runs from top dead centre. A torque is positive where the motor has to supply it. The gas pressure
is taken as a sine wave that peaks `phase` before top dead centre.
"""

import numpy as np

from driveloss.physics.arrays import FloatArray, Values, ratio_or_nan
from driveloss.physics.crank import piston_speed

ONE_RADIAN_PER_SECOND = 1 / (2 * np.pi)  # [Hz] at this frequency piston speed equals piston travel per radian


def turning_moment(force: Values, angle: Values, stroke: Values, rod_ratio: Values) -> FloatArray:
    """Turning moment that a force along the cylinder axis has on the crank [N m].

    T = F r (sin th + lambda sin 2th/(2 sqrt(1 - lambda^2 sin^2 th))), the exact slider crank by virtual work: force
    times piston travel per radian. Massless rod, no friction in the pins.
    Raises ValueError unless 0 <= rod_ratio < 1.
    force: on the piston, positive towards the crankshaft [N]. angle: crank angle from top dead centre [rad].
    stroke: twice the crank radius [m]. rod_ratio: crank radius over rod length, 0 for a scotch yoke [1].
    Source: Khurmi & Gupta, Theory of Machines, ch. 15, turning moment on the crankshaft, n = 1/lambda (an example's
    data seen, the formula from memory).

    >>> round(float(turning_moment(1000.0, np.radians(60), 0.3, 0.25)), 3)
    146.536
    """
    return force * piston_speed(angle, ONE_RADIAN_PER_SECOND, stroke, rod_ratio)


def wave_amplitude(work: Values, phase: Values, volume: Values) -> FloatArray:
    """Amplitude of the sine wave of pressure that takes this work in one cycle [Pa].

    A = 2 W/(pi V sin(phi)), W the closed integral of -p dV with p = A cos(th + phi); exact for any rod, which adds
    even harmonics of piston travel alone. At a phase of pi/2 the least amplitude that can take the work. nan where
    the phase is not within (0, pi).
    work: done on the gas in one cycle [J]. phase: by which the pressure peaks before top dead centre [rad].
    volume: swept [m^3].
    Source: Radebaugh, J. Phys.: Condens. Matter 21 (2009) 164219, mean p-V power of two sine waves (from memory).

    >>> round(float(wave_amplitude(2.1548, np.radians(45), 38.8e-6)))
    50000
    """
    return ratio_or_nan(2 * work, np.pi * volume * np.sin(phase))


def wave_phase(work: Values, amplitude: Values, volume: Values) -> FloatArray:
    """Phase by which a sine wave of pressure peaks before top dead centre [rad].

    sin(phi) = 2 W/(pi A V), the inverse of wave_amplitude in (0, pi/2]; pi/2 where the amplitude is too small for
    the work, and below zero where the gas does the work.
    work: done on the gas in one cycle [J]. amplitude: of the pressure, half of peak to peak [Pa].
    volume: swept [m^3].
    Source: Radebaugh, J. Phys.: Condens. Matter 21 (2009) 164219, mean p-V power of two sine waves (from memory).

    >>> round(float(np.degrees(wave_phase(2.1548, 50e3, 38.8e-6))), 2)
    45.0
    """
    return np.arcsin(np.clip(ratio_or_nan(2 * work, np.pi * amplitude * volume), -1.0, 1.0))


def gas_torque(
    angle: Values,
    pressure_difference: Values,
    amplitude: Values,
    phase: Values,
    bore: Values,
    stroke: Values,
    rod_ratio: Values,
) -> FloatArray:
    """Torque at the crank that the gas asks for [N m].

    T = -(dp + A cos(th + phi)) (pi B^2/4) dx/dth, x from top dead centre: virtual work. Its mean over the cycle
    times 2 pi is the work (pi/2) A V sin(phi); the mean pressure difference loads and helps by turns. Inertia of the
    moving parts is left out. Raises ValueError unless 0 <= rod_ratio < 1.
    angle: crank angle from top dead centre [rad].
    pressure_difference: cycle mean of the pressure less the pressure on the piston's other side [Pa].
    amplitude: of the pressure, half of peak to peak [Pa].
    phase: by which the pressure peaks before top dead centre [rad]. bore: diameter of the cylinder [m].
    stroke: of the piston [m]. rod_ratio: crank radius over rod length, 0 for a scotch yoke [1].
    Source: Khurmi & Gupta, Theory of Machines, ch. 15, turning moment on the crankshaft (from memory).

    >>> round(float(gas_torque(np.radians(300), 1e5, 4e4, np.radians(45), 0.042, 0.028, 0.0)), 3)
    2.329
    """
    pressure = pressure_difference + amplitude * np.cos(angle + phase)
    return -turning_moment(pressure * np.pi * bore**2 / 4, angle, stroke, rod_ratio)


def friction_torque(angle: Values, force: Values, stroke: Values, rod_ratio: Values) -> FloatArray:
    """Torque at the crank that a constant friction force on the piston asks for [N m].

    T = F |dx/dth|, virtual work; its mean over the cycle times 2 pi is 2 S F. Raises ValueError
    unless 0 <= rod_ratio < 1.
    angle: crank angle from top dead centre [rad]. force: friction force, the same both ways [N].
    stroke: of the piston [m]. rod_ratio: crank radius over rod length, 0 for a scotch yoke [1].
    Source: Khurmi & Gupta, Theory of Machines, ch. 15, turning moment on the crankshaft (from memory).

    >>> round(float(friction_torque(np.radians(270), 16.0, 0.028, 0.0)), 3)
    0.224
    """
    return np.abs(turning_moment(force, angle, stroke, rod_ratio))


def torque_at_motor(
    gas_torque: Values, friction_torque: Values, drive_torque: Values, ratio: Values, efficiency: Values
) -> FloatArray:
    """Torque that the motor shaft must supply at each instant [N m].

    T = (T_gas + T_friction)/(eta i) + T_drive; where the gas drives the crank, the transmission passes on eta of
    what friction leaves. The rotating parts' inertia, which evens the torque out, is left out: the safe side for a
    peak.
    gas_torque: at the crank [N m]. friction_torque: of the seal, at the crank [N m].
    drive_torque: that the linkage (and the motor itself, as wished) takes, at the motor shaft [N m].
    ratio: motor revolutions per crank revolution [1].
    efficiency: of the transmission, for all that the piston asks [1].
    Source: Khurmi & Gupta, Theory of Machines, efficiency of a gear train or belt, output over input (from memory).

    >>> round(float(torque_at_motor(2.4, 0.2, 0.05, 4.0, 0.96)), 4)
    0.7271
    """
    crank = np.asarray(gas_torque + friction_torque)
    return np.where(crank > 0, crank / efficiency, crank * efficiency) / ratio + drive_torque
