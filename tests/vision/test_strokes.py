"""Lines that somebody drew over a picture, and wires, are no part of a section."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest

from benchmarks.render.butts import ButtShape, butt
from benchmarks.render.fillets import FilletShape, tee
from benchmarks.render.geometry import Drawing
from vision.find import find_welds
from vision.strokes import bridged, strokes_of

WELD = FilletShape(6.0, 7.0, bulge_mm=0.4)
CAP = ButtShape(6.5, 7.0, 1.8, root_half_mm=(2.2, 2.8), root_bulge_mm=0.9)
CASES: dict[str, Drawing] = {
    "tee": tee(through_thickness_mm=9, standing_thickness_mm=8, right=WELD, left=WELD),
    "butt": butt(thickness_left_mm=10, thickness_right_mm=10, weld=CAP, offset_mm=0.7),
}
AWAY_MM = 4.0
"""How far from a toe, along its plate, the arrow crosses the surface."""


@pytest.mark.parametrize("lean", [-0.4, 0.0, 0.6])
@pytest.mark.parametrize(("look", "ink"), [("bright on dark", 200), ("dark on bright", 60)])
@pytest.mark.parametrize("joint", CASES)
def test_an_arrow_across_a_plate_moves_no_toe(photograph, joint: str, look: str, ink: int, lean: float) -> None:
    photo = photograph(CASES[joint], rotation_deg=8, look=look, mm_per_px=0.045, seed=3)
    truth = photo.truth_px()[0]
    other = "toe_right" if joint == "butt" else "root"
    along = truth["toe_left"] - truth[other]
    along = along / np.hypot(*along)
    across = np.array([-along[1], along[0]])
    at = truth["toe_left"] + AWAY_MM / 0.045 * along
    way = across + lean * along
    ends = [tuple(int(v) for v in np.rint(at + reach * way)) for reach in (-140, 140)]
    gray = photo.gray.copy()
    cv2.arrowedLine(gray, ends[0], ends[1], ink, 3, cv2.LINE_AA, tipLength=0.15)
    welds = find_welds(gray, photo.calibration).welds
    weld = min(welds, key=lambda weld: math.dist(weld.points_px["toe_left"], truth["toe_left"]))
    assert "drawn_over" in {flag.code for flag in weld.flags}
    for name in truth.keys() & weld.points_px.keys():
        assert math.dist(weld.points_px[name], truth[name]) < 2.5, name


def test_a_plate_without_strokes_has_none(photograph) -> None:
    photo = photograph(CASES["butt"], rotation_deg=8, mm_per_px=0.045, seed=3)
    assert "drawn_over" not in {flag.code for flag in find_welds(photo.gray, photo.calibration).welds[0].flags}


def test_a_line_is_a_stroke_and_corners_are_none() -> None:
    mask = np.zeros((200, 300), np.uint8)
    cv2.fillPoly(mask, [np.array([[40, 60], [150, 55], [180, 150], [45, 140]])], 255)
    assert strokes_of(mask) is None
    cv2.line(mask, (170, 100), (280, 60), 255, 3)
    strokes = strokes_of(mask)
    assert strokes is not None
    assert strokes[60, 280] == 255
    assert not strokes[60:140, 50:150].any()


def test_thin_metal_is_no_stroke() -> None:
    mask = np.zeros((200, 300), np.uint8)
    cv2.rectangle(mask, (20, 100), (280, 105), 255, -1)
    assert strokes_of(mask) is None


def test_a_bump_is_bridged_straight() -> None:
    x = np.arange(0.0, 100.0)
    bump = np.where(np.abs(x - 40) < 5, 6.0, 0.0)
    ring = np.vstack([np.column_stack([x, bump]), np.column_stack([x[::-1], np.full(100, 50.0)])])
    flat = bridged(ring, np.array([[40.0, 3.0]]), 9.0)
    assert np.abs(flat[:100, 1]).max() < 1e-9
    assert np.array_equal(flat[100:], ring[100:])
