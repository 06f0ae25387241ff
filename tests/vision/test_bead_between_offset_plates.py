"""A root bead between plates that lie at different heights hardly rises over the lower one: it is no spatter there."""

from __future__ import annotations

import pytest

from benchmarks.render.butts import ButtShape, butt
from benchmarks.render.geometry import PlateEnd
from measurement import measure
from vision.find import find_welds


@pytest.mark.parametrize(("thicker_mm", "bulge_mm"), [(1.2, 0.64), (1.2, 0.75), (-1.2, 0.7), (1.0, 0.55)])
def test_the_bead_begins_where_it_leaves_the_lower_plate(photograph, thicker_mm: float, bulge_mm: float) -> None:
    weld = ButtShape(6.0, 6.5, 1.3, root_half_mm=(1.2, 1.2), root_bulge_mm=bulge_mm)
    drawing = butt(
        thickness_left_mm=7.4 + max(thicker_mm, 0.0),
        thickness_right_mm=7.4 + max(-thicker_mm, 0.0),
        weld=weld,
        end_left=PlateEnd(18),
        end_right=PlateEnd(18),
    )
    photo = photograph(drawing, mm_per_px=0.03)
    (found,) = find_welds(photo.gray, photo.calibration).welds
    measured, true = measure(found.section), drawing.welds[0].values
    for name in ("root_width", "root_reinforcement", "root_misalignment"):
        assert measured[name].value == pytest.approx(true[name], abs=0.06), name
