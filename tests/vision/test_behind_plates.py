"""The ground around an outside corner looks like metal with a fillet in it; no weld is measured there."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from shapely.geometry import Polygon

from benchmarks.render.fillets import FilletShape, tee
from benchmarks.render.geometry import Drawing, circular_arc
from core.errors import NothingMeasurable
from vision.find import find_welds


def outside_corner() -> Drawing:
    """Return plates of 6 and 7 mm that meet at their corners, run out of the picture, and are welded outside."""
    face = circular_arc(np.array([0.6, -7.0]), np.array([-6.0, 0.4]), -1.8)
    return Drawing(Polygon([*face, (-6, 90), (0, 90), (0, 0), (90, 0), (90, -7)]))


@pytest.mark.parametrize(("look", "turn"), [("bright on dark", 8), ("dark on bright", 100)])
def test_no_fillet_is_seen_in_the_ground_around_a_corner(photograph, look, turn):
    photo = photograph(outside_corner(), look=look, rotation_deg=turn)
    with pytest.raises(NothingMeasurable):
        find_welds(photo.gray, photo.calibration)


@pytest.mark.parametrize("look", ["bright on dark", "dark on bright"])
def test_metal_that_fills_the_picture_to_its_border_is_measured(photograph, look):
    """Neither plate shows its other side: they are thicker than the picture is high."""
    shape = FilletShape(6.2, 7.1, 0.5)
    drawing = replace(tee(through_thickness_mm=60, standing_thickness_mm=90, right=shape), focus_mm=(48.0, 4.0))
    photo = photograph(drawing, look=look)
    (weld,) = find_welds(photo.gray, photo.calibration).welds
    (truth,) = drawing.welds
    for name, point in truth.points_mm.items():
        assert np.hypot(*(np.array(weld.points_px[name]) - photo.camera.to_px(point)[0])) < 1.5, name
