"""Plates that leave the picture on both sides: the joint between them is found all the same."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest

from benchmarks.render.butts import ButtShape, butt
from benchmarks.render.fillets import FilletShape, tee
from benchmarks.render.geometry import Drawing
from benchmarks.render.grooves import Edge, groove
from calibration.model import from_pixel_size
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


@pytest.mark.parametrize("turns", [0, 1])
def test_plates_that_leave_the_picture_beside_both_welds_of_a_lap(turns: int) -> None:
    """Of a long overlap the plates are a small part: it was refused, for neither was long enough to be one."""
    mm_per_px, upper_left, lower_right = 0.05, -60, 60
    upper, lower = [(upper_left, -6), (30, -6), (30, -4.4)], [(lower_right, 6), (-30, 6), (-30, 4.4)]
    metal = np.array([*upper, (36, 0), (lower_right, 0), *lower, (-36, 0), (upper_left, 0)])
    fine = np.full((2000, 6400), 60, np.uint8)
    cv2.fillPoly(fine, [np.rint((metal / mm_per_px + [800, 250]) * 4).astype(np.int32)], 180)
    gray = cv2.GaussianBlur(cv2.resize(fine, (1600, 500), interpolation=cv2.INTER_AREA), (0, 0), 0.9)
    gray = np.clip(gray + np.random.default_rng(5).normal(0, 1.5, gray.shape), 0, 255).astype(np.uint8)
    found = find_welds(np.ascontiguousarray(np.rot90(gray, turns)), from_pixel_size(mm_per_px))
    assert [weld.section.joint for weld in found.welds] == ["lap", "lap"]
