"""A temperature that has not settled yet: one time constant, by readings at equal steps of time."""

import numpy as np

from driveloss.physics.arrays import FloatArray, Values, as_floats


def three_readings(first: Values, second: Values, third: Values) -> FloatArray:
    """Where a temperature settles of which three readings at equal steps of time are known, in their unit [K].

    (t2^2 - t1 t3)/(2 t2 - t1 - t3), exact for one time constant. nan where the steps do not shrink, so that nothing
    settles.
    first: in any one unit [K]. second: a step of time later [K]. third: another such step later [K].
    Source: the rule of machine testing, as in Theraja, A Textbook of Electrical Technology, vol. III, Ex. 45.12 (seen).

    >>> float(three_readings(0.0, 30.0, 40.0))
    45.0
    """
    a, b, c = as_floats(first), as_floats(second), as_floats(third)
    product = (c - b) * (b - a)
    shrinks = (product > 0) & (product < (b - a) ** 2)
    return np.where(shrinks, (b**2 - a * c) / np.where(shrinks, 2 * b - a - c, 1.0), np.nan)
