"""A rule laid across a section: its edge is no plate surface."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from benchmarks.render.fillets import FilletShape, lap
from benchmarks.render.geometry import PlateEnd
from core.errors import NothingMeasurable
from vision.find import find_welds


def seam():
    return lap(
        lower_thickness_mm=8,
        upper_thickness_mm=9,
        weld=FilletShape(6.0, 7.0, bulge_mm=0.3),
        overlap_mm=16,
        lower_end=PlateEnd(20),
        upper_end=PlateEnd(20),
    )


def with_rule(photo, left_mm: float, right_mm: float, *, edges: str = "left right", set_in_mm: float = 0.0):
    """Lay a rule across a section, from top to bottom, with ticks 1 mm apart along the edges that are named."""
    gray: NDArray[np.uint8] = photo.gray.copy()

    def fixed(x: float, y: float) -> tuple[int, int]:
        return tuple(np.rint(photo.camera.to_px(np.array([[x, y]]))[0] * 16).astype(int).tolist())

    corners = [fixed(left_mm, -90), fixed(right_mm, -90), fixed(right_mm, 90), fixed(left_mm, 90)]
    cv2.fillPoly(gray, [np.array(corners, np.int32)], 215, cv2.LINE_AA, 4)
    for number, y in enumerate(np.arange(-90.0, 90.0)):
        long = 3.0 if number % 10 == 0 else 1.5
        for edge, inwards in (("left", 1.0), ("right", -1.0)):
            x = left_mm if edge == "left" else right_mm
            if edge in edges:
                cv2.line(
                    gray,
                    fixed(x + inwards * set_in_mm, y),
                    fixed(x + inwards * (set_in_mm + long), y),
                    30,
                    3,
                    cv2.LINE_AA,
                    4,
                )
    lain = np.zeros(gray.shape, np.uint8)
    cv2.fillPoly(lain, [np.array(corners, np.int32)], 1, cv2.LINE_8, 4)
    near = cv2.dilate(lain, np.ones((5, 5), np.uint8)) > 0
    return np.where(near, cv2.GaussianBlur(gray, (0, 0), 0.8), photo.gray).astype(np.uint8)


@pytest.mark.parametrize(
    ("edges", "set_in_mm"),
    [("left right", 0.0), ("left right", 1.0), ("left", 0.3)],  # the weld lies to the right of the rule
)
def test_a_rule_across_the_upper_plate_of_a_lap_is_left_out(photograph, edges: str, set_in_mm: float) -> None:
    """The edge of the rule passed for a standing plate behind the edge of the upper one: legs twice too long."""
    photo = photograph(seam(), rotation_deg=2.0)
    (plain,) = find_welds(photo.gray, photo.calibration).welds
    ruled = with_rule(photo, -22.0, -4.0, edges=edges, set_in_mm=set_in_mm)
    (weld,) = find_welds(ruled, photo.calibration).welds
    assert "rule_beside" in {flag.code for flag in weld.flags}
    for name, point in plain.points_px.items():
        assert math.dist(weld.points_px[name], point) < 1.5, name


def test_a_rule_that_hides_the_plate_is_no_plate(photograph) -> None:
    """Of a weld that runs on below a rule nothing is told: its edge is where a plate would begin."""
    photo = photograph(seam(), rotation_deg=2.0)
    ruled = with_rule(photo, -20.0, 3.0)
    try:
        welds = find_welds(ruled, photo.calibration).welds
    except NothingMeasurable:
        return
    for weld in welds:
        for name in ("toe_left", "toe_right"):
            across = photo.calibration.to_mm(np.array([weld.points_px[name]]))[0]
            assert abs(across[0] - 3.0) > 0.5, name


def test_a_plate_that_leads_across_ticks_is_one(photograph) -> None:
    """Its line crosses the ticks of a rule beyond its end, in one place: that is no rule along it."""
    photo = photograph(seam(), rotation_deg=-12.0)
    (plain,) = find_welds(photo.gray, photo.calibration).welds
    gray = photo.gray.copy()
    height, width = gray.shape
    end = max(0, int(plain.points_px["toe_right"][0]))
    gray[:, min(width - 60, end + 450) :] = 215
    for y in range(0, height, round(1.0 / photo.calibration.mm_per_px((0.0, 0.0)))):
        gray[y : y + 4, min(width - 60, end + 452) : min(width - 60, end + 500)] = 30
    (weld,) = find_welds(gray, photo.calibration).welds
    for name in ("toe_left", "toe_right", "root"):
        assert math.dist(weld.points_px[name], plain.points_px[name]) < 2.0, name
