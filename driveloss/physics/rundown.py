"""A machine that coasts: its supply is cut, its own inertia turns it on, and its friction brings it down.

All goes by means over a turn. The run-down is integrated, never differentiated: times and turns follow from the
deceleration by quadrature, so that readings are met as they were read.
"""

import numpy as np

from driveloss.physics import crank
from driveloss.physics.arrays import FloatArray, Values, as_floats


def run_down_power(inertia: Values, frequency: Values, deceleration: Values) -> FloatArray:
    """Power that friction takes out of what turns [W].

    P = -d/dt (J omega^2 / 2) = (2 pi)^2 J f (-df/dt), the retardation test.
    inertia: of all that turns, referred to the shaft [kg m^2]. frequency: of that shaft [Hz].
    deceleration: -df/dt, above zero as it slows down [Hz/s].
    Sources: Bakshi & Bakshi, DC Machines and Synchronous Machines, Ex. 3.19; Theraja & Theraja, A Textbook of
    Electrical Technology, Ex. 31.17 (both seen).

    >>> round(float(run_down_power(74.89, 1000 / 60, 1 / 36)))  # 1030 to 970 r/min in 36 s
    1369
    """
    return (2 * np.pi) ** 2 * as_floats(inertia) * frequency * deceleration


def effective_inertia(inertia: Values, moving_mass: Values, stroke: Values, rod_ratio: Values) -> FloatArray:
    """Constant inertia that turns as fast, turn by turn, as one that swings with the piston [kg m^2].

    J(th) = J + m (dx/dth)^2. Within a turn the kinetic energy E hardly changes, so the turn takes the integral of
    sqrt(J(th)/(2 E)) dth, as long as with the square of the mean of sqrt(J(th)). Trusted where a turn takes little
    of the energy. Raises ValueError unless 0 <= rod_ratio < 1.
    inertia: of what turns with the crank [kg m^2]. moving_mass: of what goes to and fro with the piston [kg].
    stroke: twice the crank radius [m]. rod_ratio: crank radius over rod length, 0 for a scotch yoke [1].
    Sources: of the inertia referred to the crank Khurmi & Gupta, Theory of Machines, ch. 15 (from memory); the mean
    over a turn is our own.

    >>> round(float(effective_inertia(1e-3, 0.2, 0.036, 0.0)), 8)  # nearly J + m r^2/2
    0.00103227
    """
    speeds, weights = crank.half_turn_speeds(rod_ratio)
    reach = (as_floats(stroke) / 2)[..., None] * speeds
    swinging = as_floats(inertia)[..., None] + as_floats(moving_mass)[..., None] * reach**2
    return (np.sqrt(swinging) @ weights) ** 2


def fallen(frequency: FloatArray, rate: FloatArray) -> FloatArray:
    """Integral of a rate over falling frequency, from the first one down to each [unit of the rate times Hz].

    Shape (n, ...), by the trapezoidal rule.
    frequency: falling, (n,) [Hz]. rate: there, (n, ...) [any unit].
    Source: Davis & Rabinowitz, Methods of Numerical Integration, 2nd ed. (1984), sec. 2.1 (from memory).

    >>> fallen(np.array([10.0, 9.0, 8.0]), np.array([1.0, 2.0, 2.0])).tolist()
    [0.0, 1.5, 3.5]
    """
    steps = (rate[1:] + rate[:-1]) / 2
    down = (-np.diff(frequency) * steps.T).T
    return np.concatenate([np.zeros_like(down[:1]), np.cumsum(down, axis=0)])


def run_down_time(frequency: FloatArray, deceleration: FloatArray) -> FloatArray:
    """Time to slow down from the first frequency to each [s], shape (n, ...).

    t = integral of df / (-df/dt), by the trapezoidal rule.
    frequency: falling [Hz]. deceleration: there, (n,) or (n, ...) [Hz/s].
    Source: the definition of acceleration; Theraja & Theraja, Ex. 31.17, takes one step of it (seen).

    >>> [round(float(t), 3) for t in run_down_time(np.array([10.0, 9.0, 8.0]), np.array([0.5, 0.5, 0.4]))]
    [0.0, 2.0, 4.25]
    """
    return fallen(frequency, 1 / deceleration)


def run_down_turns(frequency: FloatArray, deceleration: FloatArray) -> FloatArray:
    """Turns made while slowing down from the first frequency to each [1], shape (n, ...).

    n = integral of f df / (-df/dt), by the trapezoidal rule.
    frequency: falling [Hz]. deceleration: there, (n,) or (n, ...) [Hz/s].
    Source: the definition of acceleration, as v dv = a dx (from memory).

    >>> [round(float(n), 3) for n in run_down_turns(np.array([10.0, 9.0, 8.0]), np.array([0.5, 0.5, 0.5]))]
    [0.0, 19.0, 36.0]
    """
    return fallen(frequency, (frequency / deceleration.T).T)


def inertia_by_added_inertia(added: Values, alone: Values, together: Values) -> FloatArray:
    """Inertia by the times that one span of speed takes without and with a known one added [kg m^2].

    J t2 = (J + J') t1, the friction being the same: J = J' t1/(t2 - t1).
    added: known inertia, referred to the shaft [kg m^2]. alone: time without it [s]. together: time with it [s].
    Source: the retardation test with a flywheel, Theraja & Theraja, A Textbook of Electrical Technology, ch. 31
    (from memory).

    >>> round(float(inertia_by_added_inertia(10.0, 20.0, 25.0)), 6)
    40.0
    """
    return as_floats(added) * alone / (as_floats(together) - alone)


def inertia_by_torque(torque: Values, saved: Values, crossed: Values) -> FloatArray:
    """Inertia by the time that a known brake saves over one span of speed [kg m^2].

    With decelerations a1 and a2 = a1 + M/(2 pi J), t1 - t2 = M/(2 pi J) times the integral of df/(a1 a2).
    torque: of the brake at the shaft [N m]. saved: t1 - t2 [s]. crossed: that integral [s^2/Hz].
    Source: Theraja & Theraja, A Textbook of Electrical Technology, Ex. 31.17 (seen), whose constant
    decelerations it takes over a span; 1 kW more brings 1525 to 1475 r/min down in 20 s, not 25 s.

    >>> round(float(inertia_by_torque(1000 / (2 * np.pi * 25), 5.0, 25 * 20 / (50 / 60))), 1)
    121.6
    """
    return as_floats(torque) * crossed / (2 * np.pi * as_floats(saved))
