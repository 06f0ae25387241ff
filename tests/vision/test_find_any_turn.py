"""A groove turned on end is a groove: the ground around it must not pass for a section of its own."""

from __future__ import annotations

import pytest

from benchmarks.render.geometry import PlateEnd
from benchmarks.render.grooves import Edge, groove
from vision.find import find_welds


@pytest.mark.parametrize("turn_deg", [-112, -80, 70, 80, 90, 112])
@pytest.mark.parametrize("look", ["bright on dark", "dark on bright"])
def test_groove_on_end_is_no_tee(photograph, look: str, turn_deg: float) -> None:
    left, right = Edge("bevel", 30, 1.6), Edge("bevel", 35, 2.0)
    ends = {"end_left": PlateEnd(14), "end_right": PlateEnd(13)}
    joint = groove(
        thickness_left_mm=10, thickness_right_mm=10, left=left, right=right, root_gap_mm=2.6, offset_mm=0.5, **ends
    )
    photo = photograph(joint, rotation_deg=turn_deg, look=look, seed=58)
    assert [weld.section.joint for weld in find_welds(photo.gray, photo.calibration).welds] == ["groove"]
