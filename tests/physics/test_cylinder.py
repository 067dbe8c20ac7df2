"""Areas and volumes against handbook geometry and an engine's data sheet convention."""

import numpy as np
import pytest

from driveloss.physics import cylinder


def test_disc_has_the_area_of_its_finely_cut_polygon():
    """A regular polygon of n sides in a circle: n/2 r^2 sin(2 pi/n), elementary geometry."""
    sides = 100000
    polygon = sides / 2 * 0.021**2 * np.sin(2 * np.pi / sides)
    assert cylinder.disc_area(np.array([0.042])) == pytest.approx(polygon, rel=1e-8)


def test_swept_volume_of_a_common_engine_size():
    """Bore 86 mm, stroke 86 mm, four cylinders: 1998 cm^3, as makers print it (from memory)."""
    assert 4 * cylinder.swept_volume(0.086, 0.086) == pytest.approx(1998e-6, abs=0.5e-6)
