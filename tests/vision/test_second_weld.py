"""The other weld of a tee: of a bevel with little of a fillet before it, or with little plate beside it."""

from __future__ import annotations

import numpy as np
import pytest

from benchmarks.render.fillets import FilletShape, tee
from benchmarks.render.geometry import PlateEnd
from core.errors import NothingMeasurable
from measurement import measure
from vision.find import find_welds

FAR = {"through_left": PlateEnd(16), "through_right": PlateEnd(17), "standing": PlateEnd(20)}


def codes(weld) -> set[str]:
    return {flag.code for flag in weld.flags}


@pytest.mark.parametrize(("small", "large"), [(2.0, 8.0), (1.6, 9.0)])
def test_a_welded_bevel_across_the_plate_from_a_fillet_is_measured_and_told(photograph, small, large):
    shapes = {"right": FilletShape(5.5, 6.0, 0.3), "left": FilletShape(small, large, 0.1)}
    photo = photograph(tee(through_thickness_mm=9, standing_thickness_mm=10, **shapes, **FAR), rotation_deg=12)
    found = find_welds(photo.gray, photo.calibration).welds
    assert len(found) == 2
    bevel, fillet = found
    assert "unequal_legs" in codes(bevel)
    assert not codes(fillet) & {"unequal_legs", "weld_left_out"}
    values = measure(bevel.section)
    assert values["leg_left"].value == pytest.approx(small, abs=0.06)
    assert values["leg_right"].value == pytest.approx(large, abs=0.06)


def test_alone_it_may_be_the_foot_of_something_on_a_floor(photograph):
    photo = photograph(tee(through_thickness_mm=9, standing_thickness_mm=10, right=FilletShape(1.6, 9.0, 0.1), **FAR))
    with pytest.raises(NothingMeasurable, match="no weld"):
        find_welds(photo.gray, photo.calibration)


def test_of_the_second_weld_little_plate_need_be_seen(photograph):
    """Its plates show 0.9 of the width of its face together; the first one's 1.5."""
    ends = {"through_left": PlateEnd(15.5), "through_right": PlateEnd(16), "standing": PlateEnd(12.5)}
    shapes = {"right": FilletShape(6.0, 6.0, 0.3), "left": FilletShape(8.0, 8.0, 0.3)}
    photo = photograph(tee(through_thickness_mm=9, standing_thickness_mm=8, **shapes, **ends))
    found = find_welds(photo.gray, photo.calibration).welds
    assert len(found) == 2
    for weld, truth in zip(found, photo.truth_px(), strict=True):
        for name, point in truth.items():
            assert np.hypot(*(np.array(weld.points_px[name]) - point)) < 1.5, name
