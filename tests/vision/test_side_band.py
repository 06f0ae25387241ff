"""The wall of a thick section seen from aside, or its shadow, is no part of the face."""

from __future__ import annotations

import math
from collections.abc import Mapping

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from benchmarks.render.butts import ButtShape, butt
from benchmarks.render.fillets import FilletShape, tee
from benchmarks.render.geometry import Drawing
from benchmarks.render.grooves import Edge, groove
from core.errors import NothingMeasurable
from core.geometry import Points
from vision.find import find_welds
from vision.followed import without_side_bands
from vision.segmentation import proposals, reduce_picture, silhouettes
from vision.side_band import band_of

WELD = FilletShape(6.0, 7.0, bulge_mm=0.4)
CAP = ButtShape(6.5, 7.0, 1.8, root_half_mm=(2.2, 2.8), root_bulge_mm=0.9)
EDGE = Edge("bevel", 30, 1.5)
CASES: dict[str, Drawing] = {
    "tee": tee(through_thickness_mm=9, standing_thickness_mm=8, right=WELD, left=WELD),
    "butt": butt(thickness_left_mm=10, thickness_right_mm=10, weld=CAP, offset_mm=0.7),
    "groove": groove(thickness_left_mm=10, thickness_right_mm=10, left=EDGE, right=EDGE, root_gap_mm=3.0),
}


def with_wall(
    gray: NDArray[np.uint8], metal: NDArray[np.bool_], reach_px: float, way_deg: float, level: int
) -> NDArray[np.uint8]:
    """Paint the wall: the face's shape displaced step by step, behind the face."""
    face = metal.astype(np.uint8)
    wall = face.copy()
    for reach in np.arange(1.0, reach_px + 0.5):
        x, y = reach * math.cos(math.radians(way_deg)), reach * math.sin(math.radians(way_deg))
        moved = cv2.warpAffine(face, np.array([[1, 0, x], [0, 1, y]]), face.shape[::-1], flags=cv2.INTER_NEAREST)
        wall = np.maximum(wall, moved)
    share = cv2.GaussianBlur((wall > face).astype(np.float32), (0, 0), 0.7)
    return np.clip(gray * (1 - share) + level * share, 0, 255).astype(np.uint8)


def apart_px(found: Mapping[str, tuple[float, float]], true: Mapping[str, Points]) -> float:
    return max(math.dist(found[name], true[name]) for name in found.keys() & true.keys())


@pytest.mark.parametrize("way_deg", [20, 75, 110])
@pytest.mark.parametrize(("look", "level"), [("bright on dark", 70), ("dark on bright", 30)])
@pytest.mark.parametrize("joint", CASES)
def test_the_face_is_measured_and_not_its_wall(photograph, joint: str, look: str, level: int, way_deg: float) -> None:
    photo = photograph(CASES[joint], rotation_deg=8, look=look, mm_per_px=0.045, seed=3)
    metal = photo.gray > 100 if look == "bright on dark" else photo.gray < 150
    metal = cv2.morphologyEx(metal.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((5, 5), np.uint8)) > 0
    gray = with_wall(photo.gray, metal, 16, way_deg, level)
    welds = find_welds(gray, photo.calibration).welds
    assert [weld.section.joint for weld in welds] == [joint] * len(photo.truth_px())
    for truth in photo.truth_px():
        weld = min(welds, key=lambda weld: apart_px(weld.points_px, truth))
        for name, point in truth.items():
            # A toe is where two edges meet at a small angle, and the wall begins there: its place is told less well.
            allowed = 15.0 if name.startswith("toe") else 3.0
            if name in weld.points_px:
                assert math.dist(weld.points_px[name], point) < allowed, name


def with_walls_in_depth(
    gray: NDArray[np.uint8], metal: NDArray[np.bool_], smaller: float, level: int, *, scale: float
) -> NDArray[np.uint8]:
    """Paint the walls of a thick piece under a near camera: its far end is seen smaller about what lies under that."""
    height, width = metal.shape
    face = metal.astype(np.uint8)
    wall = face.copy()
    middle = np.array([0.5 * width, -0.2 * height])
    for share in np.linspace(0.0, smaller, 40)[1:]:
        shift = share * middle
        move = np.array([[1.0 - share, 0.0, shift[0]], [0.0, 1.0 - share, shift[1]]])
        wall = np.maximum(wall, cv2.warpAffine(face, move, (width, height), flags=cv2.INTER_NEAREST))
    share = cv2.GaussianBlur((wall > face).astype(np.float32), (0, 0), 0.7)
    scaled = cv2.GaussianBlur(np.random.default_rng(9).standard_normal(gray.shape, np.float32), (0, 0), 4.0) * 12.0
    tone = np.clip(level + scale * scaled * level, 0, 255)
    return np.clip(gray * (1 - share) + tone * share, 0, 255).astype(np.uint8)


@pytest.mark.parametrize(("smaller", "scale"), [(0.04, 0.0), (0.08, 0.0), (0.08, 0.15), (0.08, 0.3)])
def test_walls_in_depth_are_no_part_of_a_plate(photograph, smaller: float, scale: float) -> None:
    """They are the wider the farther from the middle: no one vector displaces the face to their outer edge."""
    photo = photograph(CASES["tee"], rotation_deg=8, look="bright on dark", mm_per_px=0.045, seed=3)
    metal = cv2.morphologyEx((photo.gray > 100).astype(np.uint8), cv2.MORPH_CLOSE, np.ones((5, 5), np.uint8)) > 0
    gray = with_walls_in_depth(photo.gray, metal, smaller, 75, scale=scale)
    welds = find_welds(gray, photo.calibration).welds
    assert len(welds) == 2
    for weld in welds:
        assert "band_beside" in {flag.code for flag in weld.flags}
        truth = min(photo.truth_px(), key=lambda truth: apart_px(weld.points_px, truth))
        for name, point in truth.items():
            allowed = 15.0 if name.startswith("toe") else 4.0
            if name in weld.points_px:
                assert math.dist(weld.points_px[name], point) < allowed, name


TOLD = {"band_beside", "shadow_beside", "soft_outline"}


def in_a_shadow(photo, way_deg: float) -> NDArray[np.uint8]:
    """Lay a shadow with a soft rim beside dark metal: a tenth of the step to the paper brighter than that."""
    # Edge pixels of the paper belong to the shadow.
    metal = cv2.morphologyEx((photo.gray < 100).astype(np.uint8), cv2.MORPH_CLOSE, np.ones((5, 5), np.uint8)) > 0
    tone, paper = float(np.median(photo.gray[metal])), float(np.median(photo.gray[~metal]))
    level = round(tone + 0.1 * (paper - tone))
    shadow = metal | (with_wall(np.full_like(photo.gray, 255), metal, 30, way_deg, 0) < 128)
    dark = np.where(metal, 0.0, cv2.GaussianBlur(shadow.astype(np.float32), (0, 0), 5.0))
    gray: NDArray[np.uint8] = np.clip(photo.gray * (1 - dark) + level * dark, 0, 255).astype(np.uint8)
    return gray


@pytest.mark.parametrize("way_deg", [-70, 70, 125])
@pytest.mark.parametrize("joint", CASES)
def test_a_shadow_nearly_as_dark_as_the_metal_is_not_taken_for_it(photograph, joint: str, way_deg: float) -> None:
    """Its rim is soft, and it ends at the metal in a tenth of the step to the paper: it was measured as metal."""
    photo = photograph(CASES[joint], rotation_deg=8, look="dark on bright", mm_per_px=0.045, seed=5)
    gray = in_a_shadow(photo, way_deg)
    try:
        welds = find_welds(gray, photo.calibration).welds
    except NothingMeasurable:
        return
    assert {weld.section.joint for weld in welds} == {joint}
    for weld in welds:
        assert TOLD & {flag.code for flag in weld.flags}
        truth = min(photo.truth_px(), key=lambda truth: apart_px(weld.points_px, truth))
        for name, point in truth.items():
            allowed = 15.0 if name.startswith("toe") else 4.0
            if name in weld.points_px:
                assert math.dist(weld.points_px[name], point) < allowed, name


def test_a_person_may_mark_a_weld_beside_such_a_shadow(photograph) -> None:
    """What lies along the shadow is the rim of one, unless a person has marked the weld: then it is only told."""
    gray = in_a_shadow(photograph(CASES["tee"], rotation_deg=8, look="dark on bright", mm_per_px=0.045, seed=5), 70)
    reduced = reduce_picture(gray)
    dark = np.where(reduced.gray < 150, 255, 0).astype(np.uint8)
    outline = max(silhouettes(dark, reduced, "dark"), key=lambda each: each.area_px)
    for marked in (False, True):
        (faces,) = without_side_bands((outline,), (reduced,), marked=marked)
        assert faces.outlines == (outline,)
        assert not faces.bands
        assert [flag.code for flag in faces.flags] == ["band_beside"]
        assert bool(faces.taken_in) is not marked


@pytest.mark.parametrize(("wide_px", "long_px"), [(60, 400), (62, 400), (63, 400), (62, 460)])
def test_the_other_side_of_a_thin_plate_is_no_wall(wide_px: int, long_px: int) -> None:
    """As wide as the widest wall that is looked for, and behind its other side lies the ground."""
    gray = np.full((750, 1000), 60, np.uint8)
    cv2.rectangle(gray, (-10, 590), (1010, 730), 200, -1)
    cv2.rectangle(gray, (500, 590 - long_px), (500 + wide_px, 600), 200, -1)
    picture = reduce_picture(np.asarray(cv2.GaussianBlur(gray, (0, 0), 1.5), np.uint8))
    name, mask = next(iter(proposals(picture)))
    (outline,) = silhouettes(mask, picture, name)
    assert band_of(outline, picture) is None
