"""Motion of a piston on a crank and rod: its speed, and the means that losses need.

The crank angle runs from top dead centre, where the piston is farthest from the crankshaft; speed is
positive towards the crankshaft. The cylinder axis meets the crankshaft axis (no offset).
"""

from functools import lru_cache

import numpy as np

from driveloss.physics.arrays import FloatArray, Values, as_floats

# 200 nodes on half a turn keep mean(|v| exp(-(v/v_s)^2)) good to 1e-6 down to v_s = 0.007 of the peak speed;
# the polynomial means converge to rounding with far fewer.
HALF_TURN_NODES = 200
NEWTON_STEPS = 40  # enough for 1e-12 in the peak speed up to rod_ratio 0.999


def piston_speed(angle: Values, frequency: Values, stroke: Values, rod_ratio: Values) -> FloatArray:
    """Instantaneous piston speed [m/s], positive on the way from top to bottom dead centre.

    v = omega r sin(th) (1 + lambda cos(th)/sqrt(1 - lambda^2 sin^2 th)), the exact slider crank: time derivative of
    the rod-crank triangle. Trusted for constant crank speed. Raises ValueError unless 0 <= rod_ratio < 1.
    angle: crank angle from top dead centre [rad]. frequency: of the crank [Hz]. stroke: twice the crank radius [m].
    rod_ratio: crank radius over rod length, 0 for a scotch yoke [1].
    Sources: Heywood, Internal Combustion Engine Fundamentals (1988), eq. (2.11) (from memory); for the usual
    first-order form Khurmi & Gupta, Theory of Machines, ch. 15 (Ex. 15.4 and 15.5 seen).

    >>> round(float(piston_speed(np.radians(60), 7.5, 0.3, 0.25)), 4)
    6.9054
    """
    return crank_pin_speed(frequency, stroke) * _speed_shape(angle, _checked(rod_ratio))


def crank_pin_speed(frequency: Values, stroke: Values) -> FloatArray:
    """Speed of the crank pin on its circle, omega r [m/s].

    omega r = pi f S, the speed of uniform circular motion.
    frequency: of the crank [Hz]. stroke: twice the crank radius [m].
    Source: Khurmi & Gupta, Theory of Machines, ch. 2 (from memory).

    >>> round(float(crank_pin_speed(10.0, 0.036)), 4)
    1.131
    """
    return np.pi * as_floats(frequency) * stroke


def mean_piston_speed(frequency: Values, stroke: Values) -> FloatArray:
    """Cycle mean of the absolute piston speed [m/s].

    mean |v| = 2 S f: two strokes a revolution, whatever the rod. Exact.
    frequency: of the crank [Hz]. stroke: of the piston [m].
    Source: Khurmi & Gupta, Theory of Machines, ch. 15 (from memory).

    >>> float(mean_piston_speed(10.0, 0.036))
    0.72
    """
    return 2 * as_floats(stroke) * frequency


def mean_square_speed(frequency: Values, stroke: Values, rod_ratio: Values) -> FloatArray:
    """Cycle mean of the squared piston speed [m^2/s^2].

    (omega r)^2 times a shape factor of the rod alone, by quadrature of the exact slider crank; 1/2 for a scotch
    yoke. Raises ValueError unless 0 <= rod_ratio < 1.
    frequency: of the crank [Hz]. stroke: of the piston [m].
    rod_ratio: crank radius over rod length, 0 for a scotch yoke [1].
    Sources: of the speed Heywood, Internal Combustion Engine Fundamentals (1988), eq. (2.11) (from memory); of the
    quadrature Davis & Rabinowitz, Methods of Numerical Integration, 2nd ed. (1984), sec. 2.5.5 (from memory).

    >>> round(float(mean_square_speed(10.0, 0.036, 0.25)), 5)
    0.64987
    """
    return crank_pin_speed(frequency, stroke) ** 2 * _shape_factor(2, rod_ratio)


def mean_cubed_speed(frequency: Values, stroke: Values, rod_ratio: Values) -> FloatArray:
    """Cycle mean of the cubed absolute piston speed [m^3/s^3].

    (omega r)^3 times a shape factor of the rod alone, by quadrature of the exact slider crank; 4/(3 pi) for a
    scotch yoke. Raises ValueError unless 0 <= rod_ratio < 1.
    frequency: of the crank [Hz]. stroke: of the piston [m].
    rod_ratio: crank radius over rod length, 0 for a scotch yoke [1].
    Sources: of the speed Heywood, Internal Combustion Engine Fundamentals (1988), eq. (2.11) (from memory); of the
    quadrature Davis & Rabinowitz, Methods of Numerical Integration, 2nd ed. (1984), sec. 2.5.5 (from memory).

    >>> round(float(mean_cubed_speed(10.0, 0.036, 0.25)), 5)
    0.63785
    """
    speed = crank_pin_speed(frequency, stroke)
    return speed * speed**2 * _shape_factor(3, rod_ratio)  # whose cube NumPy would take as a power, ten times as long


def peak_piston_speed(frequency: Values, stroke: Values, rod_ratio: Values) -> FloatArray:
    """Largest piston speed of the cycle [m/s].

    The acceleration, the derivative of the exact speed, is zero where x = sin^2 th solves
    lambda^4 x^3 - lambda^2 x^2 - x + 1 = 0 (squared, and its false root divided out); found by Newton's method.
    Trusted for rod_ratio up to 0.999. Raises ValueError unless 0 <= rod_ratio < 1.
    frequency: of the crank [Hz]. stroke: of the piston [m].
    rod_ratio: crank radius over rod length, 0 for a scotch yoke [1].
    Source: Heywood, Internal Combustion Engine Fundamentals (1988), eq. (2.11) (from memory); the cubic is our own.

    >>> round(float(peak_piston_speed(10.0, 0.036, 0.25)), 4)
    1.1659
    """
    ratio = _checked(rod_ratio)
    square = ratio**2
    x = np.ones_like(ratio)
    for _ in range(NEWTON_STEPS):
        x = x - (square**2 * x**3 - square * x**2 - x + 1) / (3 * square**2 * x**2 - 2 * square * x - 1)
    return crank_pin_speed(frequency, stroke) * _speed_shape(np.arcsin(np.sqrt(x)), ratio)


def half_turn_speeds(rod_ratio: Values) -> tuple[FloatArray, FloatArray]:
    """Piston speed over crank-pin speed [1] at the quadrature angles of half a turn, and their weights.

    The two half turns mirror each other, so one serves for the mean of any function of |v|. |v| has its kinks at
    the dead centres, which are the ends of Fejer's rule here, so the mean of any smooth function of |v| converges
    exponentially. Returns (speeds of shape rod_ratio.shape + (n,), weights of shape (n,) that add up to one).
    Raises ValueError unless 0 <= rod_ratio < 1.
    rod_ratio: crank radius over rod length, 0 for a scotch yoke [1].
    Source: Davis & Rabinowitz, Methods of Numerical Integration, 2nd ed. (1984), sec. 2.5.5 (from memory).

    >>> speeds, weights = half_turn_speeds(0.25)
    >>> round(float(speeds @ weights * np.pi / 2), 12)
    1.0
    """
    angles, weights = _half_turn(HALF_TURN_NODES)
    if np.ndim(rod_ratio) == 0:
        return _scalar_half_turn(float(rod_ratio)), weights
    return _speed_shape(angles, _checked(rod_ratio)[..., np.newaxis]), weights


@lru_cache(maxsize=256)
def _scalar_half_turn(rod_ratio: float) -> FloatArray:
    """Remembered for a scalar, read-only: a fit asks again and again."""
    speeds = _speed_shape(_half_turn(HALF_TURN_NODES)[0], _checked(rod_ratio))
    speeds.flags.writeable = False
    return speeds


def _speed_shape(angle: Values, ratio: FloatArray) -> FloatArray:
    sine = np.sin(angle)
    return sine * (1 + ratio * np.cos(angle) / np.sqrt(1 - (ratio * sine) ** 2))


def _shape_factor(power: int, rod_ratio: Values) -> Values:
    """Mean of (|v|/(omega r))^power, remembered for a scalar."""
    if np.ndim(rod_ratio) == 0:
        return _scalar_shape_factor(power, float(rod_ratio))
    speeds, weights = half_turn_speeds(rod_ratio)
    return speeds**power @ weights


@lru_cache(maxsize=256)
def _scalar_shape_factor(power: int, rod_ratio: float) -> float:
    speeds, weights = half_turn_speeds(rod_ratio)
    return float(speeds**power @ weights)


@lru_cache(maxsize=8)
def _half_turn(count: int) -> tuple[FloatArray, FloatArray]:
    """Angles of Fejer's first rule on (0, pi) and weights that add up to one, both read-only.

    As good as Gauss-Legendre for smooth integrands, dense at the dead centres, and in closed form (Fejer 1933;
    Davis & Rabinowitz, Methods of Numerical Integration (1984), sec. 2.5.5; from memory).
    """
    places = (2 * np.arange(count) + 1) * np.pi / (2 * count)
    j = np.arange(1, count // 2 + 1)
    weights = (1 - 2 * (np.cos(2 * np.outer(places, j)) / (4 * j**2 - 1)).sum(axis=1)) / count
    angles = np.pi / 2 * (1 - np.cos(places))
    angles.flags.writeable = weights.flags.writeable = False
    return angles, weights


def _checked(rod_ratio: Values) -> FloatArray:
    ratio = np.asarray(rod_ratio, dtype=float)
    bad = ~((ratio >= 0) & (ratio < 1))
    if bad.any():
        first = float(ratio[bad].flat[0])
        raise ValueError(
            f"rod_ratio is the crank radius over the rod length and must lie in [0, 1), got {first:g}; "
            "the rod must be longer than half the stroke"
        )
    return ratio
