"""A quotient that says nan where it means nothing."""

import numpy as np


def ratio_or_nan(numerator, denominator):
    """Numerator over denominator [unit of the quotient], nan wherever the denominator is not positive.

    Any shapes that broadcast. Written so that no warning is raised at a standstill.
    numerator: [any unit].
    denominator: [any unit].

    >>> float(ratio_or_nan(3.0, 2.0)), float(ratio_or_nan(3.0, 0.0))
    (1.5, nan)
    """
    return numerator / np.where(np.asarray(denominator) > 0, denominator, np.nan)
