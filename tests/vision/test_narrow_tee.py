"""A picture that ends just beyond a toe: the plate is told by a few millimetres, the legs are measured."""

from __future__ import annotations

import numpy as np
import pytest

from benchmarks.render.fillets import FilletShape, tee
from benchmarks.render.geometry import PlateEnd
from core.quantity import Quantity
from measurement import measure
from vision.find import find_welds

DRAWING = tee(
    through_thickness_mm=9, standing_thickness_mm=8, right=FilletShape(5.2, 6.1, bulge_mm=0.4),
    through_left=PlateEnd(14), through_right=PlateEnd(40), standing=PlateEnd(15),
)  # fmt: skip


@pytest.mark.parametrize("beyond_mm", [1.7, 2.5])
def test_little_of_a_plate_beyond_the_toe_is_enough(photograph, beyond_mm: float) -> None:
    photo = photograph(DRAWING, rotation_deg=3.0, seed=4)
    (drawn,) = DRAWING.welds
    toe = photo.camera.to_px(np.array([drawn.points_mm["toe_right"]]))[0]
    last = round(float(toe[0]) + beyond_mm / photo.calibration.mm_per_px(toe))
    (weld,) = find_welds(np.ascontiguousarray(photo.gray[:, :last]), photo.calibration).welds
    assert "few_plate_points" in {flag.code for flag in weld.flags} or beyond_mm > 2.0
    values = measure(weld.section)
    for name in ("leg_left", "leg_right", "throat"):
        value = values[name]
        assert isinstance(value, Quantity), name
        assert abs(value.value - drawn.values[name]) <= 1.5 * (value.expanded_uncertainty or 0.0), name
