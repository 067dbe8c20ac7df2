"""Friction power of what turns between motor and piston: one function for each power of the speed."""

import numpy as np

from driveloss.physics.arrays import FloatArray, Values, as_floats


def crank_speed(frequency: Values) -> FloatArray:
    """Angular speed of the crank [rad/s].

    omega = 2 pi f.
    frequency: of the crank [Hz].
    Source: ISO 80000-3:2019, angular frequency (from memory).

    >>> round(float(crank_speed(10.0)), 4)
    62.8319
    """
    return 2 * np.pi * as_floats(frequency)


def coulomb_power(torque: Values, frequency: Values) -> FloatArray:
    """Power of a friction torque that does not change with speed [W].

    P = T omega: loaded pins, belts, brushes, rolling bearings under load.
    torque: friction torque, referred to the crank [N m]. frequency: of the crank [Hz].
    Source: A bearing maker's handbook: N = 1.05e-4 M n, M in N mm and n in r/min (seen); the law is Coulomb's.

    >>> round(float(coulomb_power(0.02, 10.0)), 4)
    1.2566
    """
    return torque * crank_speed(frequency)


def rolling_bearing_power(coefficient: Values, frequency: Values) -> FloatArray:
    """Power of the load-independent friction of lubricated rolling bearings [W].

    P = k omega^(5/3): the moment grows with (nu n)^(2/3). Trusted where the lubricant is flooded and isothermal,
    nu n above 2000 mm^2/s r/min; below, the moment is constant.
    coefficient: moment over omega^(2/3), referred to the crank [N m s^(2/3)].
    frequency: of the crank, not negative [Hz].
    Source: Palmgren, Ball and Roller Bearing Engineering, 3rd ed. (1959), ch. 2 (from memory).

    >>> round(float(rolling_bearing_power(0.001, 10.0)), 4)
    0.993
    """
    return coefficient * crank_speed(frequency) ** (5 / 3)


def viscous_power(drag: Values, frequency: Values) -> FloatArray:
    """Power of a torque proportional to speed [W].

    P = c omega^2: a Newtonian oil or grease film in shear; eddy currents grow alike. Trusted at constant film
    temperature.
    drag: torque over angular speed, referred to the crank [N m s]. frequency: of the crank [Hz].
    Sources: of Petroff's law Hamrock, Fundamentals of Fluid Film Lubrication (from memory); of the eddy currents
    Theraja & Theraja, A Textbook of Electrical Technology, Ex. 32.29 (seen).

    >>> round(float(viscous_power(0.001, 10.0)), 4)
    3.9478
    """
    return drag * crank_speed(frequency) ** 2


def windage_power(drag: Values, frequency: Values) -> FloatArray:
    """Power spent on stirring the surrounding gas [W].

    P = c omega^3: turbulent drag torque grows with the square of the speed, as in the fan laws.
    drag: torque over squared angular speed, referred to the crank [N m s^2]. frequency: of the crank [Hz].
    Source: Cengel & Cimbala, Fluid Mechanics, ch. 14, affinity laws (from memory).

    >>> round(float(windage_power(1e-6, 10.0)), 4)
    0.2481
    """
    return drag * crank_speed(frequency) ** 3
