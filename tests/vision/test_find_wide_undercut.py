"""A wide undercut is undercut, and not a pit in the plate as well."""

from __future__ import annotations

import pytest

from benchmarks.render.fillets import FilletShape, tee
from benchmarks.render.geometry import PlateEnd, Toe
from measurement import measure
from vision.find import find_welds


@pytest.mark.parametrize(("depth_mm", "width_mm"), [(0.5, 1.4), (0.8, 2.2), (1.0, 2.8), (1.0, 3.2)])
def test_undercut_is_counted_once(photograph, depth_mm: float, width_mm: float) -> None:
    weld = FilletShape(9.0, 9.0, bulge_mm=0.6, left=Toe(depth_mm, width_mm))
    ends = {"through_left": PlateEnd(17), "through_right": PlateEnd(20), "standing": PlateEnd(22)}
    photo = photograph(tee(through_thickness_mm=9, standing_thickness_mm=8, right=weld, **ends), mm_per_px=0.05)
    (found,) = find_welds(photo.gray, photo.calibration).welds
    measured = measure(found.section)
    assert measured["undercut_left"].value == pytest.approx(depth_mm, abs=0.05)
    assert measured["undercut_width_left"].value == pytest.approx(width_mm, abs=0.2)
    assert measured["pit_depth"].value < 0.1
