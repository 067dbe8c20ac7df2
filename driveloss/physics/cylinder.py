"""Areas and volumes of round things."""

import numpy as np

from driveloss.physics.arrays import FloatArray, Values, as_floats


def disc_area(diameter: Values) -> FloatArray:
    """Area of a disc [m^2].

    A = pi D^2/4.
    diameter: of the piston or the hole [m].
    Source: Bronshtein & Semendyayev, Handbook of Mathematics, plane geometry: the circle (from memory).

    >>> round(float(disc_area(0.042)) * 1e4, 3)
    13.854
    """
    return np.pi * as_floats(diameter) ** 2 / 4


def swept_volume(bore: Values, stroke: Values) -> FloatArray:
    """Volume that the piston sweeps in one stroke [m^3].

    V = pi B^2 S/4.
    bore: diameter of the cylinder [m]. stroke: of the piston [m].
    Source: Heywood, Internal Combustion Engine Fundamentals (1988), sec. 2.2 (from memory).

    >>> round(float(swept_volume(0.042, 0.028)) * 1e6, 3)
    38.792
    """
    return disc_area(bore) * stroke
