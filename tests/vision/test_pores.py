"""Pores, inclusions and linear indications in weld metal, against drawn masks measured by scikit-image."""

import cv2
import numpy as np
import pytest
from shapely.geometry import LineString, Point
from skimage.measure import label, regionprops

from calibration.model import from_pixel_size
from vision.pores import _far_pieces, find_spots
from vision.tone import light_table

PIXEL_MM = 0.025


def weld_with(spots: list[tuple], *, tone: float = 150.0, grain: float = 5.0, blur_px: float = 1.0):
    """Return a picture of weld metal with ellipses (x, y, long, short, angle, tone) px, its outline and their mask."""
    rng = np.random.default_rng(4)
    texture = cv2.GaussianBlur(rng.standard_normal((400, 500)).astype(np.float32), (0, 0), 2.0)
    picture = tone + grain * texture / texture.std()
    mask = np.zeros(picture.shape, np.uint8)
    for x, y, long, short, angle, level in spots:
        one = np.zeros(picture.shape, np.uint8)
        cv2.ellipse(one, ((x, y), (long, short), angle), 1, -1)
        picture = np.where(one > 0, level, picture)
        mask |= one
    picture = cv2.GaussianBlur(picture.astype(np.float32), (0, 0), blur_px)
    outline = np.array([[20.0, 20.0], [480.0, 20.0], [480.0, 380.0], [20.0, 380.0]])
    return np.clip(picture, 0, 255).astype(np.uint8), outline, mask


def found_in(gray, outline, smallest_mm: float = 0.2):
    return find_spots(gray, [outline], [np.vstack([outline, outline[:1]])], from_pixel_size(PIXEL_MM), smallest_mm)


def test_sizes_and_places_agree_with_the_drawn_masks() -> None:
    spots = [(100, 100, 30, 28, 0, 20), (300, 150, 16, 14, 30, 15), (200, 300, 40, 34, 70, 25)]
    gray, outline, mask = weld_with(spots)
    found = sorted(found_in(gray, outline), key=lambda spot: spot.centre_px[0])
    true = sorted(regionprops(label(mask)), key=lambda region: region.centroid[1])
    assert [spot.kind for spot in found] == ["pore_or_inclusion"] * 3
    for spot, region in zip(found, true, strict=True):
        assert spot.centre_px == pytest.approx(region.centroid[::-1], abs=0.5)
        assert spot.area_mm2 == pytest.approx(region.area * PIXEL_MM**2, rel=0.06)
        assert spot.equivalent_diameter_mm == pytest.approx(region.equivalent_diameter_area * PIXEL_MM, rel=0.03)
        assert spot.length_mm == pytest.approx(region.axis_major_length * PIXEL_MM, rel=0.08)
        edge = min(region.bbox[0] - 20, region.bbox[1] - 20, 380 - region.bbox[2], 480 - region.bbox[3])
        assert spot.surface_distance_mm == pytest.approx(edge * PIXEL_MM, abs=0.06)


def test_a_long_thin_dark_spot_is_for_a_person() -> None:
    gray, outline, _ = weld_with([(250, 200, 60, 8, 40, 20)])
    (spot,) = found_in(gray, outline)
    assert spot.kind == "linear_indication"
    assert spot.length_mm == pytest.approx(60 * PIXEL_MM, rel=0.1)


def test_bright_inclusions_are_told_by_their_tone() -> None:
    gray, outline, _ = weld_with([(250, 200, 24, 22, 0, 240)])
    (spot,) = found_in(gray, outline)
    assert (spot.kind, spot.tone) == ("pore_or_inclusion", "bright")


def test_smaller_ones_than_asked_for_are_left_out() -> None:
    gray, outline, _ = weld_with([(100, 100, 30, 28, 0, 20), (300, 150, 12, 12, 0, 15)])
    assert len(found_in(gray, outline, 0.2)) == 2
    assert len(found_in(gray, outline, 0.5)) == 1


@pytest.mark.parametrize("grain", [0.0, 5.0, 12.0])
def test_plain_weld_metal_has_none(grain: float) -> None:
    gray, outline, _ = weld_with([], grain=grain or 0.01)
    assert found_in(gray, outline) == ()


def test_a_weld_beyond_the_picture_gives_nothing() -> None:
    gray, outline, _ = weld_with([])
    assert found_in(gray, outline + 5000.0) == ()


@pytest.mark.parametrize("shape", [(64, 96), (61, 99), (20, 7)])
def test_pieces_looked_for_in_a_reduced_mask_are_those_of_the_mask(shape: tuple[int, int]) -> None:
    """Pieces that fall together when reduced, cross its pixels or touch the rim: scikit-image tells what there is."""
    mask = np.random.default_rng(shape[1]).random(shape) < 0.2
    found = {
        frozenset(zip(*(part + cut.start for part, cut in zip(np.nonzero(piece), window, strict=True)), strict=True))
        for window, piece in _far_pieces(mask, least_px=4)
    }
    true = {frozenset(map(tuple, region.coords)) for region in regionprops(label(mask)) if region.area >= 4}
    assert len(true) > 0
    assert found == true


def test_the_distance_to_the_surface_is_that_of_the_nearest_segment() -> None:
    """Long and short segments, near ones on two sides of the spot, against shapely."""
    gray, outline, _ = weld_with([(250, 200, 30, 28, 0, 20)])
    far = np.array([[20.0, 20.0], [480.0, 20.0], [480.0, 380.0]])
    near = np.array([[100.0, 235.0], [240.0, 226.0], [245.0, 227.0], [400.0, 231.0]])
    (spot,) = find_spots(gray, [outline], [far, near], from_pixel_size(PIXEL_MM), 0.2)
    rim = Point(spot.centre_px).buffer(0.5 * spot.equivalent_diameter_mm / PIXEL_MM)
    assert spot.surface_distance_mm == pytest.approx(rim.distance(LineString(near)) * PIXEL_MM, abs=0.04)


@pytest.mark.parametrize("blur_px", [1.2, 2.2])
def test_the_rim_lies_half_way_in_light(blur_px: float) -> None:
    """A lens blurs light: on the curve of a camera's file a dark spot looks smaller than it is."""
    light, (x, y, radius) = np.full((400, 500), 0.35), (250, 200, 13.0)
    down, across = np.mgrid[0:400, 0:500]
    light[np.hypot(across - x, down - y) < radius] = 0.02
    light = cv2.GaussianBlur(light, (0, 0), blur_px) + 0.002 * np.random.default_rng(5).standard_normal(light.shape)
    gray = np.interp(255 * light, light_table(), np.arange(256)).astype(np.uint8)
    outline = np.array([[20.0, 20.0], [480.0, 20.0], [480.0, 380.0], [20.0, 380.0]])
    true = np.pi * (radius * PIXEL_MM) ** 2
    found = {
        curve: find_spots(gray, [outline], [outline], from_pixel_size(PIXEL_MM), 0.2, curve=curve, blur_px=blur_px)[0]
        for curve in ("srgb", "linear")
    }
    assert abs(found["srgb"].area_mm2 - true) <= 2 * found["srgb"].area_std_mm2
    assert found["linear"].area_mm2 < true - 2 * found["srgb"].area_std_mm2
