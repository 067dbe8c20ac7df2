"""What the physics functions take and give: floats and arrays of any shapes that broadcast."""

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

FloatArray: TypeAlias = NDArray[np.float64]  # what functions return: a NumPy scalar where all arguments are scalars
Values: TypeAlias = FloatArray | float  # what they accept
Mask: TypeAlias = NDArray[np.bool_]


def as_floats(values: Values) -> FloatArray:
    """The values in NumPy's own type [unit of the values]: the same array, or a NumPy scalar for a scalar.

    values: [any unit].

    >>> as_floats(2.0).shape, as_floats(np.ones(3)).shape
    ((), (3,))
    """
    floats: FloatArray = np.asarray(values, dtype=np.float64)[()]
    return floats


def ratio_or_nan(numerator: Values, denominator: Values) -> FloatArray:
    """Numerator over denominator [unit of the quotient], nan wherever the denominator is not positive.

    Written so that no warning is raised at a standstill.
    numerator: [any unit].
    denominator: [any unit].

    >>> float(ratio_or_nan(3.0, 2.0)), float(ratio_or_nan(3.0, 0.0))
    (1.5, nan)
    """
    return as_floats(numerator) / np.where(np.asarray(denominator) > 0, denominator, np.nan)
