"""The array helpers against IEEE arithmetic and NumPy's own types."""

import numpy as np
import pytest

from driveloss.physics import arrays


@pytest.mark.parametrize("values", [2, 2.0, np.float64(2.0), np.array([2.0]), np.ones((2, 3))])
def test_results_have_the_shape_and_type_of_numpy(values):
    floats = arrays.as_floats(values)
    assert floats.shape == np.shape(values)
    assert floats.dtype == np.float64
    assert (floats == values).all()


def test_a_quotient_without_meaning_is_nan_and_silent():
    """Warnings are errors here: 0/0 and 1/0 must not be worked out on the way."""
    quotients = arrays.ratio_or_nan(np.array([3.0, 0.0, 1.0, 1.0]), np.array([2.0, 0.0, 0.0, -1.0]))
    assert quotients == pytest.approx([1.5, np.nan, np.nan, np.nan], nan_ok=True)
