"""Work from a recording of pressure through the cycle: the indicator diagram's area, and what a late angle does to it.

Pressure is taken as a sum of harmonics of the crank's turn, so its work on a piston of known motion is exact for any
number of samples that tells the harmonics; a chord trapezoid is not.
"""

import numpy as np

from driveloss.physics.arrays import FloatArray, Values, as_floats
from driveloss.physics.crank import piston_speed

FINE = 720  # crank angles over which the piston's travel is integrated


def harmonics(angle: FloatArray, readings: FloatArray, count: int) -> FloatArray:
    """Cosine and sine amplitudes of readings, (count, 2) in their unit [...].

    By least squares over one or more turns, beside the mean. Samples need not be even; two for each harmonic and one
    for the mean are the least. Raises ValueError with fewer.
    angle: of the crank, (n,) [rad]. readings: in any unit, (n,) [...]. count: of harmonics [1].
    Source: Press et al., Numerical Recipes, 3rd ed. (2007), ch. 15, general linear least squares (from memory).

    >>> angle = np.linspace(0, 2 * np.pi, 12, endpoint=False)
    >>> (harmonics(angle, 5 + 2 * np.cos(angle) - 3 * np.sin(2 * angle), 2).round(12) + 0.0).tolist()
    [[2.0, 0.0], [0.0, -3.0]]
    """
    if len(angle) < 2 * count + 1:
        raise ValueError(f"{count} harmonics need {2 * count + 1} samples or more, got {len(angle)}")
    orders = np.arange(1, count + 1)
    turns = np.multiply.outer(angle, orders)
    design = np.column_stack([np.ones(len(angle)), np.cos(turns), np.sin(turns)])
    found = np.linalg.lstsq(design, readings, rcond=None)[0]
    return np.column_stack([found[1 : count + 1], found[count + 1 :]])


def sum_of_harmonics(amplitudes: FloatArray, angle: FloatArray) -> FloatArray:
    """What harmonics add up to at crank angles, about the mean, (n,) in their unit [...].

    amplitudes: cosine and sine, (count, 2) in any unit [...]. angle: of the crank, (n,) [rad].
    Source: Fourier series, Bronshtein & Semendyayev, Handbook of Mathematics (from memory).

    >>> sum_of_harmonics(np.array([[2.0, 0.0], [0.0, 1.0]]), np.array([0.0, np.pi / 4])).round(6).tolist()
    [2.0, 2.414214]
    """
    turned = np.multiply.outer(angle, np.arange(1, len(amplitudes) + 1))
    return as_floats(np.cos(turned) @ amplitudes[:, 0] + np.sin(turned) @ amplitudes[:, 1])


def work_moved(phase: Values) -> FloatArray:
    """Share of the recorded work that a wrong dead centre moves, for each radian by which it is wrong [1/rad].

    |cot(phi)| of the fundamentals: nil at a quarter turn, beyond bounds for a gas spring.
    phase: by which the pressure peaks before top dead centre [rad].
    Source: derivative of W = pi p1 V1 sin(phi), the area of an ellipse (Bronshtein & Semendyayev, from memory).

    >>> round(float(work_moved(np.pi / 4)), 6)
    1.0
    """
    return as_floats(np.abs(1 / np.tan(as_floats(phase))))


def volume_harmonics(stroke: float, rod_ratio: float, count: int) -> FloatArray:
    """Harmonics of the piston's distance from top dead centre over the crank angle, (count, 2). [m]

    By integrating the exact piston travel per radian; the sine part is zero. Raises ValueError unless
    0 <= rod_ratio < 1.
    stroke: twice the crank radius [m]. rod_ratio: crank radius over rod length, 0 for a scotch yoke [1].
    count: of harmonics [1].
    Source: Khurmi & Gupta, Theory of Machines, ch. 15, displacement of the piston (from memory).

    >>> (volume_harmonics(0.03, 0.0, 2).round(12) + 0.0).tolist()
    [[-0.015, 0.0], [0.0, 0.0]]
    """
    angle = np.arange(FINE) * 2 * np.pi / FINE
    travel = piston_speed(angle, 1 / (2 * np.pi), stroke, rod_ratio)  # [m] a radian: sum of m b_m sin(m th)
    orders = np.arange(1, count + 1)
    sines = 2 / FINE * np.sin(np.multiply.outer(orders, angle)) @ travel
    return np.column_stack([-sines / orders, np.zeros(count)])


def loop_work(pressure: FloatArray, volume: FloatArray) -> FloatArray:
    """Work done on the gas in one cycle, minus the closed integral of p dV [J].

    With p = sum a_k cos(k th) + b_k sin(k th) and V alike with c_k, d_k: W = pi sum k (b_k c_k - a_k d_k). A constant
    in the pressure drops out. Harmonics beyond the shorter of the two do no work.
    pressure: its harmonics, (..., count, 2) [Pa]. volume: its harmonics, (..., count, 2) [m^3].
    Source: Heywood, Internal Combustion Engine Fundamentals (1988), sec. 2.4, indicated work (from memory).

    >>> round(float(loop_work(np.array([[0.0, 5e4]]), np.array([[-2e-5, 0.0]]))), 6)
    -3.141593
    """
    count = min(pressure.shape[-2], volume.shape[-2])
    a, b = pressure[..., :count, 0], pressure[..., :count, 1]
    c, d = volume[..., :count, 0], volume[..., :count, 1]
    return as_floats(np.pi * np.sum(np.arange(1, count + 1) * (b * c - a * d), axis=-1))


def late(pressure: FloatArray, angle: Values) -> FloatArray:
    """Harmonics of the same pressure with an angle added to that of every sample [Pa].

    Each harmonic k turns by k times the angle.
    pressure: its harmonics, (..., count, 2) [Pa]. angle: by which the samples' own comes out too small [rad].
    Source: shift theorem of the Fourier series, Bronshtein & Semendyayev, Handbook of Mathematics (from memory).

    >>> late(np.array([[1.0, 0.0]]), np.pi / 2).round(12).tolist()
    [[0.0, 1.0]]
    """
    turned = np.multiply.outer(as_floats(angle), np.arange(1, pressure.shape[-2] + 1))
    cosine, sine = np.cos(turned), np.sin(turned)
    a, b = pressure[..., 0], pressure[..., 1]
    return np.stack([a * cosine - b * sine, a * sine + b * cosine], axis=-1)


def unlagged(pressure: FloatArray, lag: Values, frequency: Values) -> FloatArray:
    """Harmonics of the pressure that a sensor with a first-order lag showed as these [Pa].

    Each harmonic k is divided by 1/(1 + i k omega tau): its amplitude grows and it moves ahead.
    pressure: as shown, its harmonics, (..., count, 2) [Pa]. lag: time constant [s]. frequency: of the crank [Hz].
    Source: first-order system, e.g. Doebelin, Measurement Systems, ch. 3 (from memory).

    >>> unlagged(np.array([[1.0, 0.0]]), 1 / (2 * np.pi), 1.0).round(12).tolist()
    [[1.0, -1.0]]
    """
    steps = 2 * np.pi * np.multiply.outer(as_floats(lag) * frequency, np.arange(1, pressure.shape[-2] + 1))
    a, b = pressure[..., 0], pressure[..., 1]
    return np.stack([a + b * steps, b - a * steps], axis=-1)


def phase_angle(pressure: FloatArray, volume: FloatArray) -> FloatArray:
    """Angle by which the fundamental of the pressure peaks before that of the volume's smallness [rad].

    Zero for a gas spring (pressure peaks at top dead centre), pi/2 where the pressure opposes the speed: then an angle
    that is off by little changes no work; dW/W = cot(phi) d(theta) (own reckoning from W = pi p1 V1 sin(phi)).
    pressure: its harmonics, (..., count, 2) [Pa]. volume: its harmonics, (..., count, 2) [m^3].
    Source: Radebaugh, J. Phys.: Condens. Matter 21 (2009) 164219, phase of pressure and flow (from memory).

    >>> round(float(np.degrees(phase_angle(np.array([[1.0, -1.0]]), np.array([[-1.0, 0.0]])))), 6)
    45.0
    """
    ahead = np.arctan2(pressure[..., 0, 1], pressure[..., 0, 0]) - np.arctan2(-volume[..., 0, 1], -volume[..., 0, 0])
    return as_floats(np.mod(-ahead + np.pi, 2 * np.pi) - np.pi)
