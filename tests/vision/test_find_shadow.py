"""A section on a pale ground beside which a lamp's shadow lies, nearly or quite as dark as the metal."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from benchmarks.render.fillets import FilletShape, tee
from benchmarks.render.geometry import PlateEnd
from core.errors import NothingMeasurable
from vision.edge_of_metal import is_edge_of_metal, is_lost_in_shadow
from vision.find import find_welds
from vision.outline import Outline, refine_outline, with_soft_rim
from vision.segmentation import reduce_picture, silhouettes


def under_a_lamp(gray: NDArray[np.uint8], depth: float, away_px: tuple[float, float]) -> NDArray[np.uint8]:
    """Lay the shadow of the dark metal on its bright ground: it takes so much of the ground's light."""
    metal, ground = (float(level) for level in np.percentile(gray, [2, 98]))
    open_share = np.clip((gray - metal) / (ground - metal), 0.0, 1.0)
    move = np.array([[1.0, 0.0, away_px[0]], [0.0, 1.0, away_px[1]]])
    cast = cv2.warpAffine(1.0 - open_share, move, gray.shape[::-1], borderMode=cv2.BORDER_REPLICATE)
    light = 1.0 - depth * cv2.GaussianBlur(cast, (0, 0), 9.0)
    return np.asarray(gray - open_share * gray * (1.0 - light), np.uint8)


TOLD = {"shadow_beside", "soft_outline", "band_beside"}
"""Either way the person is told that a shadow lies beside the section."""


def fillet():
    return tee(
        through_thickness_mm=9,
        standing_thickness_mm=8,
        right=FilletShape(6.2, 7.1, bulge_mm=0.5),
        through_left=PlateEnd(14),
        through_right=PlateEnd(17),
        standing=PlateEnd(15),
    )


@pytest.mark.parametrize("depth", [0.4, 0.5])
def test_a_shadow_that_leaves_some_contrast_moves_nothing(photograph, depth: float) -> None:
    photo = photograph(fillet(), look="dark on bright", rotation_deg=4.0)
    (weld,) = find_welds(under_a_lamp(photo.gray, depth, (22, -22)), photo.calibration).welds
    (plain,) = find_welds(photo.gray, photo.calibration).welds
    assert weld.section.joint == "tee"
    for name, point in plain.points_px.items():
        assert math.dist(weld.points_px[name], point) < 1.2, name


@pytest.mark.parametrize("away_px", [(22, -22), (24, 16)])
def test_a_shadow_as_dark_as_the_metal_is_not_taken_for_it(photograph, away_px: tuple[float, float]) -> None:
    """The rim of the shadow is softer than the edges without one."""
    photo = photograph(fillet(), look="dark on bright", rotation_deg=4.0)
    assert_right_or_refused(photo, under_a_lamp(photo.gray, 0.85, away_px))


def assert_right_or_refused(photo, gray: NDArray[np.uint8]) -> None:
    (plain,) = find_welds(photo.gray, photo.calibration).welds
    try:
        (weld,) = find_welds(gray, photo.calibration).welds
    except NothingMeasurable:
        return
    assert TOLD & {flag.code for flag in weld.flags}
    for name, point in plain.points_px.items():
        assert math.dist(weld.points_px[name], point) < 2.0, name


def beside_a_thick_section(gray: NDArray[np.uint8], depth: float, away_px: tuple[float, float]) -> NDArray[np.uint8]:
    """Lay a shadow that begins at the metal without any rim and is the softer the farther off."""
    metal, ground = (float(level) for level in np.percentile(gray, [2, 98]))
    open_share = np.clip((gray - metal) / (ground - metal), 0.0, 1.0)
    cast = 1.0 - open_share
    for height in np.linspace(0.1, 1.0, 8):
        move = np.array([[1.0, 0.0, height * away_px[0]], [0.0, 1.0, height * away_px[1]]])
        moved = cv2.warpAffine(1.0 - open_share, move, gray.shape[::-1], borderMode=cv2.BORDER_REPLICATE)
        cast = np.maximum(cast, cv2.GaussianBlur(moved, (0, 0), 4.0 * height))
    return np.asarray(gray - open_share * gray * depth * cast, np.uint8)


@pytest.mark.parametrize("depth", [0.65, 0.75])
def test_the_rim_of_a_narrow_shadow_is_not_taken_for_the_edge(photograph, depth: float) -> None:
    """It was, without a flag: the rim is twice as soft as the edges in the light, not many times."""
    photo = photograph(fillet(), look="dark on bright", rotation_deg=4.0)
    assert_right_or_refused(photo, beside_a_thick_section(photo.gray, depth, (-12, -16)))


def test_a_section_is_found_by_its_sharp_edges_beside_a_shadow(photograph) -> None:
    photo = photograph(fillet(), look="dark on bright", rotation_deg=4.0)
    (weld,) = find_welds(beside_a_thick_section(photo.gray, 0.55, (-12, -16)), photo.calibration).welds
    (plain,) = find_welds(photo.gray, photo.calibration).welds
    assert TOLD & {flag.code for flag in weld.flags}
    for name, point in plain.points_px.items():
        assert math.dist(weld.points_px[name], point) < 1.8, name


def test_a_soft_rim_on_sides_that_nothing_rests_on_is_told_all_the_same(photograph) -> None:
    """The shadow lies beside the far end and below: legs and throat do not rest on these, but who looks should know."""
    photo = photograph(fillet(), look="dark on bright", rotation_deg=4.0)
    (weld,) = find_welds(beside_a_thick_section(photo.gray, 0.7, (-5, 20)), photo.calibration).welds
    assert TOLD & {flag.code for flag in weld.flags}


def test_what_is_refused_for_a_shadow_says_so(photograph) -> None:
    photo = photograph(fillet(), look="dark on bright", rotation_deg=4.0)
    with pytest.raises(NothingMeasurable, match="lost in a shadow"):
        find_welds(beside_a_thick_section(photo.gray, 0.65, (-12, -16)), photo.calibration)


def test_an_outline_half_as_sharp_on_one_side_is_unsharp_there(photograph) -> None:
    photo = photograph(fillet(), look="dark on bright", rotation_deg=4.0)
    left = np.linspace(0, 1, photo.gray.shape[1])[None, :] < 0.5
    gray = np.where(left, cv2.GaussianBlur(photo.gray, (0, 0), 3.5), photo.gray).astype(np.uint8)
    reduced = reduce_picture(photo.gray)
    dark = np.where(reduced.gray < 150, 255, 0).astype(np.uint8)
    silhouette = max(silhouettes(dark, reduced, "dark"), key=lambda each: each.area_px)
    outline, plain = (with_soft_rim(refine_outline(each, silhouette.points_px, 6.0)) for each in (gray, photo.gray))
    assert plain.unsharp == 0.0
    assert 0.3 < outline.unsharp < 0.7
    assert outline.soft is not None
    assert np.mean(outline.points_px[outline.soft, 0] < 0.52 * gray.shape[1]) > 0.95


@pytest.mark.parametrize(("one_way", "steady", "lost"), [(0.6, 0.85, True), (0.6, 1.0, False), (0.99, 0.85, False)])
def test_what_is_lost_in_a_shadow_is_told_from_what_only_has_less_contrast(
    one_way: float, steady: float, lost: bool
) -> None:
    outline = Outline(np.zeros((9, 2)), np.zeros(9, bool), 1.0, 0.05, 0.5, -60.0, 1.0, one_way, steady=steady)
    assert is_lost_in_shadow(outline) is lost


@pytest.mark.parametrize(("steady", "soft", "metal"), [(1.0, 0.0, True), (0.99, 0.0, False), (1.0, 0.01, False)])
def test_an_outline_that_leaves_the_metal_for_its_shadow_is_no_edge(steady: float, soft: float, metal: bool) -> None:
    points = np.zeros((1000, 2))
    outline = Outline(
        points,
        np.zeros(1000, bool),
        1.0,
        0.05,
        0.5,
        -100.0,
        1.0,
        0.6,
        soft=np.arange(1000) < 1000 * soft,
        steady=steady,
    )
    assert is_edge_of_metal(outline) is metal
