"""A wide undercut is undercut, and not a pit in the plate as well; what hangs over a plate is weld."""

from __future__ import annotations

import pytest

from benchmarks.render.butts import ButtShape, butt
from benchmarks.render.fillets import FilletShape, tee
from benchmarks.render.geometry import Bumps, PlateEnd, Toe
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


def test_spatter_on_the_rim_of_an_undercut_is_not_the_toe(photograph) -> None:
    """The bead stands where the groove comes up to the plate: the face begins on the other side of the groove."""
    weld = ButtShape(4.5, 4.5, 1.6, right=Toe(0.65, 2.4), bumps=Bumps(right=((2.75, 0.3),)))
    drawing = butt(thickness_left_mm=6, thickness_right_mm=6, weld=weld, end_left=PlateEnd(22), end_right=PlateEnd(22))
    photo = photograph(drawing, mm_per_px=0.04)
    (found,) = find_welds(photo.gray, photo.calibration).welds
    measured = measure(found.section)
    assert measured["cap_width"].value == pytest.approx(9.0, abs=0.15)
    assert measured["undercut_right"].value == pytest.approx(0.65, abs=0.05)
    assert measured["underfill"].value < 0.05


@pytest.mark.parametrize("side", ["left", "right"])
def test_a_lobe_over_the_plate_belongs_to_the_weld(photograph, side: str) -> None:
    weld = FilletShape(5.0, 5.0, bulge_mm=0.0, **{side: Toe(overlap_mm=0.5)})
    ends = {"through_left": PlateEnd(17), "through_right": PlateEnd(20), "standing": PlateEnd(22)}
    drawing = tee(through_thickness_mm=9, standing_thickness_mm=8, right=weld, **ends)
    photo = photograph(drawing, mm_per_px=0.025, size_px=(1600, 1200))
    (found,) = find_welds(photo.gray, photo.calibration).welds
    measured = measure(found.section)
    true = drawing.welds[0].values
    for name in ("weld_area", "convexity", f"overlap_{side}"):
        allowed = 1.5 * measured[name].expanded_uncertainty
        assert measured[name].value == pytest.approx(true[name], abs=allowed), name
        assert allowed < 0.3 * true[name], name


@pytest.mark.parametrize("width_mm", [3.1, 3.3])
def test_a_groove_nearly_half_as_wide_as_the_cap_is_no_part_of_it(photograph, width_mm: float) -> None:
    """Along its bottom such a groove is longer than half of the face; it is its width that counts."""
    weld = ButtShape(3.4, 3.4, 0.9, left=Toe(0.85, width_mm))
    drawing = butt(thickness_left_mm=6, thickness_right_mm=6, weld=weld, end_left=PlateEnd(22), end_right=PlateEnd(22))
    photo = photograph(drawing, mm_per_px=0.04)
    (found,) = find_welds(photo.gray, photo.calibration).welds
    measured = measure(found.section)
    assert measured["cap_width"].value == pytest.approx(6.8, abs=0.15)
    assert measured["undercut_left"].value == pytest.approx(0.85, abs=0.05)
    assert measured["underfill"].value < 0.05
