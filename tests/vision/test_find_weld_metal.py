"""Weld metal of another tone than the plates belongs to the section."""

from __future__ import annotations

import math

import pytest

from benchmarks.render.fillets import FilletShape, tee
from benchmarks.render.geometry import PlateEnd
from vision.find import find_welds


@pytest.mark.parametrize("turn_deg", [0, 4, 8, 12])
def test_darker_weld_metal_is_not_left_out(photograph, turn_deg: float) -> None:
    """Short plates beside a fillet: the split that cuts the fillet out must not win."""
    drawing = tee(
        through_thickness_mm=9,
        standing_thickness_mm=7,
        right=FilletShape(6.2, 7.1, bulge_mm=0.6),
        through_left=PlateEnd(14),
        through_right=PlateEnd(16),
        standing=PlateEnd(13),
    )
    photo = photograph(drawing, rotation_deg=turn_deg, size_px=(1400, 1050), mm_per_px=0.04)
    (weld,) = find_welds(photo.gray, photo.calibration).welds
    (truth,) = photo.truth_px()
    for name, point in truth.items():
        assert math.dist(weld.points_px[name], point) < 1.0, name
