"""Plates that leave the picture on both sides: the joint between them is found all the same."""

from __future__ import annotations

import math

import pytest

from benchmarks.render.butts import ButtShape, butt
from benchmarks.render.fillets import FilletShape, tee
from benchmarks.render.geometry import Drawing
from benchmarks.render.grooves import Edge, groove
from vision.find import find_welds

WELD = FilletShape(6.0, 7.0, bulge_mm=0.4)
CAP = ButtShape(6.5, 7.0, 1.8, root_half_mm=(2.2, 2.8), root_bulge_mm=0.9)
EDGE = Edge("bevel", 30, 1.5)
CASES: dict[str, Drawing] = {
    "tee": tee(through_thickness_mm=9, standing_thickness_mm=8, right=WELD),
    "butt": butt(thickness_left_mm=10, thickness_right_mm=10, weld=CAP, offset_mm=0.7),
    "groove": groove(thickness_left_mm=10, thickness_right_mm=10, left=EDGE, right=EDGE, root_gap_mm=2.5),
}


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("turn_deg", [0, 12])
@pytest.mark.parametrize("joint", CASES)
def test_plates_cut_by_the_border(photograph, joint: str, turn_deg: float, seed: int) -> None:
    photo = photograph(CASES[joint], rotation_deg=turn_deg, mm_per_px=0.03, seed=seed)
    (weld,) = find_welds(photo.gray, photo.calibration).welds
    assert weld.section.joint == joint
    (truth,) = photo.truth_px()
    for name, point in truth.items():
        if name in weld.points_px:
            assert math.dist(weld.points_px[name], point) < 1.2, name
