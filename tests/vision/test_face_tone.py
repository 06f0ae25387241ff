"""The tone of a face's metal against that of its plates."""

from __future__ import annotations

import pytest

from benchmarks.render.fillets import FilletShape, tee
from benchmarks.render.geometry import PlateEnd
from vision.find import find_welds

ENDS = {"through_left": PlateEnd(14), "through_right": PlateEnd(17), "standing": PlateEnd(15)}


@pytest.mark.parametrize(
    ("look", "share"), [("bright on dark", 0.12 / 0.52), ("dark on bright", 0.06 / 0.58)], ids=["bright", "dark"]
)
def test_share_is_that_of_the_steps_to_the_ground(photograph, look, share):
    drawing = tee(through_thickness_mm=9, standing_thickness_mm=8, right=FilletShape(6.2, 7.1, bulge_mm=0.5), **ENDS)
    photo = photograph(drawing, look=look)
    (weld,) = find_welds(photo.gray, photo.calibration).welds
    assert weld.section.face is not None
    assert weld.section.face.unlike == pytest.approx(share, abs=0.05)
