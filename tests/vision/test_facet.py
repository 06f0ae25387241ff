"""A piece of a weld's face that passes for a plate, in a frame."""

from __future__ import annotations

import numpy as np
import pytest

from core.fitting import robust_line
from vision.face_toe import Toe
from vision.surface import _is_facet


@pytest.mark.parametrize(("count", "slope_deg", "told"), [(36, 1.3, True), (36, 35.0, False), (120, 1.3, False)])
def test_a_short_plate_that_the_face_goes_over_into_is_none(count: int, slope_deg: float, told: bool) -> None:
    """The end of a hollow face passed for a lost plate: a joint of 120 degrees for 86, a leg of 2 mm for 8.6."""
    x = np.arange(count) * 0.05
    fit = robust_line(np.column_stack([x, 0.002 * np.sin(40 * x)]), 0.005)
    toe = Toe(np.zeros(2), 0.05, 10, None, slope_deg)
    assert _is_facet(fit, toe) is told
