"""Friction power of what turns between motor and piston: one function for each power of the speed."""

import numpy as np


def crank_speed(frequency):
    """Angular speed of the crank [rad/s].

    omega = 2 pi f, kinematics. Any shape.
    frequency: of the crank [Hz].

    >>> round(crank_speed(10.0), 4)
    62.8319
    """
    return 2 * np.pi * frequency


def coulomb_power(torque, frequency):
    """Power of a friction torque that does not change with speed [W].

    P = T omega (Coulomb's law of dry friction: loaded pins, belts, brushes). Any shapes that broadcast.
    torque: friction torque, referred to the crank [N m].
    frequency: of the crank [Hz].

    >>> round(coulomb_power(0.02, 10.0), 4)
    1.2566
    """
    return torque * crank_speed(frequency)


def rolling_bearing_power(coefficient, frequency):
    """Power of the load-independent friction of lubricated rolling bearings [W].

    P = k omega^(5/3): the moment grows with (nu n)^(2/3) (Palmgren, Ball and Roller Bearing Engineering, from
    memory). Trusted where the lubricant is flooded and isothermal, nu n above 2000 mm^2/s r/min; below, the
    moment is constant. Any shapes that broadcast.
    coefficient: moment over omega^(2/3), referred to the crank [N m s^(2/3)].
    frequency: of the crank, not negative [Hz].

    >>> round(rolling_bearing_power(0.001, 10.0), 4)
    0.993
    """
    return coefficient * crank_speed(frequency) ** (5 / 3)


def viscous_power(drag, frequency):
    """Power of a torque proportional to speed [W].

    P = c omega^2 (a Newtonian oil or grease film in shear; eddy currents grow alike). Trusted at constant
    film temperature. Any shapes that broadcast.
    drag: torque over angular speed, referred to the crank [N m s].
    frequency: of the crank [Hz].

    >>> round(viscous_power(0.001, 10.0), 4)
    3.9478
    """
    return drag * crank_speed(frequency) ** 2


def windage_power(drag, frequency):
    """Power spent on stirring the surrounding gas [W].

    P = c omega^3 (turbulent drag torque grows with the square of the speed, as in the fan laws). Any shapes
    that broadcast.
    drag: torque over squared angular speed, referred to the crank [N m s^2].
    frequency: of the crank [Hz].

    >>> round(windage_power(1e-6, 10.0), 4)
    0.2481
    """
    return drag * crank_speed(frequency) ** 3
