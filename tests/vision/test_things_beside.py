"""A rule that touches a section is told, and a second section in the picture measured, or told where it cannot be."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from benchmarks.render.butts import ButtShape, butt
from benchmarks.render.fillets import FilletShape, tee
from benchmarks.render.geometry import PlateEnd
from benchmarks.render.grooves import Edge, groove
from vision.find import find_welds
from vision.found import FoundWelds

CAP = ButtShape(6.5, 7.0, 1.8, root_half_mm=(2.2, 2.8), root_bulge_mm=0.9)
BUTT = butt(thickness_left_mm=10, thickness_right_mm=10, weld=CAP, end_left=PlateEnd(15), end_right=PlateEnd(15))


def codes(found: FoundWelds) -> set[str]:
    return {flag.code for weld in found.welds for flag in weld.flags}


@pytest.mark.parametrize("level", [110, 250])
def test_a_rule_against_the_root_side_is_told(photograph, level: int) -> None:
    photo = photograph(BUTT, rotation_deg=0, seed=4)
    metal = np.flatnonzero((photo.gray > 120).sum(axis=1) > 40)
    gray = photo.gray.copy()
    top = int(metal.max()) - 3
    cv2.rectangle(gray, (100, top), (1100, top + 110), level, -1)
    assert not codes(find_welds(photo.gray, photo.calibration)) & {"unlike_parts", "another_section"}
    assert "unlike_parts" in codes(find_welds(gray, photo.calibration))


@pytest.mark.parametrize("turn_deg", [0, 20])
def test_a_second_section_is_measured(photograph, turn_deg: float) -> None:
    photo = photograph(BUTT, rotation_deg=turn_deg, seed=4)
    found = find_welds(np.vstack([photo.gray, photo.gray]), photo.calibration)
    assert "another_section" not in codes(found)
    assert len(found.outline_px) == len(found.outline_mm) == 2
    down = np.array([0.0, photo.gray.shape[0]])
    for name, point in photo.truth_px()[0].items():
        if name.startswith("toe"):
            seen = sorted((np.array(weld.points_px[name]) for weld in found.welds), key=lambda place: place[1])
            for place, true in zip(seen, (point, point + down), strict=True):
                assert np.hypot(*(place - true)) < 1.5


def test_a_second_piece_that_shows_no_weld_is_told(photograph) -> None:
    """Its plates meet at 141 degrees, as those of no weld do."""
    roof = tee(
        through_thickness_mm=8,
        standing_thickness_mm=8,
        angle_deg=141.0,
        right=FilletShape(6.0, 6.0, 0.1),
        through_left=PlateEnd(14.0),
        through_right=PlateEnd(20.0),
        standing=PlateEnd(20.0),
    )
    pictures = [photograph(drawing, seed=4) for drawing in (BUTT, roof)]
    found = find_welds(np.vstack([photo.gray for photo in pictures]), pictures[0].calibration)
    assert [weld.section.joint for weld in found.welds] == ["butt"]
    assert "another_section" in codes(found)


def test_tees_side_by_side_are_no_joint_prepared_for_welding(photograph) -> None:
    """The cut ends of their plates face each other over 4 mm."""
    ends = {"through_left": PlateEnd(14), "through_right": PlateEnd(14), "standing": PlateEnd(14)}
    photo = photograph(tee(through_thickness_mm=7, standing_thickness_mm=7, right=FilletShape(5, 5.5, 0.3), **ends))
    ground = int(np.median(photo.gray[:40]))
    metal = np.flatnonzero((photo.gray > ground + 50).sum(axis=0) > 20)
    beside = photo.gray[:, metal.min() - 44 : metal.max() + 45]
    found = find_welds(np.hstack([beside, beside]), photo.calibration)
    assert [weld.section.joint for weld in found.welds] == ["tee", "tee"]


def test_the_radius_of_a_wide_u_preparation_is_no_fillet_of_another_section(photograph) -> None:
    sides = {"left": Edge("j", 14.0, 1.8, 1.8), "right": Edge("j", 9.0, 1.8, 1.8)}
    ends = {"end_left": PlateEnd(14), "end_right": PlateEnd(14)}
    drawn = groove(thickness_left_mm=10, thickness_right_mm=9, root_gap_mm=4.4, offset_mm=-0.4, **sides, **ends)
    photo = photograph(drawn, rotation_deg=90)
    assert [weld.section.joint for weld in find_welds(photo.gray, photo.calibration).welds] == ["groove"]


def test_a_rule_beside_a_section_is_no_second_one(photograph) -> None:
    photo = photograph(BUTT, rotation_deg=3, seed=4)
    gray = photo.gray.copy()
    cv2.rectangle(gray, (60, 760), (1140, 860), 245, -1)
    for tick in range(80, 1130, 22):
        cv2.line(gray, (tick, 760), (tick, 795), 20, 3)
    assert "another_section" not in codes(find_welds(gray, photo.calibration))
