"""Ways to split a picture, and the outlines they give, on shapes of known area."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest

from benchmarks.render.camera import coverage
from vision.segmentation import contrast_of, flatten_light, proposals, reduce_picture, silhouettes

HEIGHT, WIDTH = 900, 1200
L_SHAPE = np.array([[200, 150], [900, 150], [900, 350], [420, 350], [420, 760], [200, 760]], float)
L_AREA = 700 * 200 + 220 * 410


def picture(inside: float, outside: float, *, gradient: float = 0.0, noise: float = 3.0) -> np.ndarray:
    """Return an L in levels of 255 under light that falls off to the right by a share."""
    share = coverage([L_SHAPE], HEIGHT, WIDTH)
    light = 1 - gradient * np.linspace(0, 1, WIDTH)[None, :]
    levels = (outside + (inside - outside) * share) * light
    return np.clip(levels + np.random.default_rng(0).normal(0, noise, share.shape), 0, 255).astype(np.uint8)


def best(gray: np.ndarray):
    """Return the outline of all proposals whose area comes nearest to the L's."""
    reduced = reduce_picture(gray)
    found = [outline for name, mask in proposals(reduced) for outline in silhouettes(mask, reduced, name)]
    return min(found, key=lambda outline: abs(outline.area_px - L_AREA))


@pytest.mark.parametrize(("inside", "outside"), [(200, 30), (60, 220), (110, 80)])
@pytest.mark.parametrize("gradient", [0.0, 0.5])
def test_shape_is_among_the_proposals(inside: float, outside: float, gradient: float) -> None:
    """Whatever is darker, and also where light falls off by half over the picture."""
    outline = best(picture(inside, outside, gradient=gradient))
    assert outline.area_px == pytest.approx(L_AREA, rel=0.02)
    contrast = contrast_of(outline, reduce_picture(picture(inside, outside, gradient=gradient)))
    assert np.sign(contrast) == np.sign(inside - outside)
    distance = [
        abs(cv2.pointPolygonTest(L_SHAPE.astype(np.float32), tuple(map(float, p)), True)) for p in outline.points_px
    ]
    assert np.percentile(distance, 95) < 4.0


def test_outlines_run_clockwise_on_the_screen_in_full_pixels() -> None:
    gray = picture(200, 30)
    reduced = reduce_picture(gray)
    assert reduced.factor == pytest.approx(1.2)
    for name, mask in proposals(reduced):
        for outline in silhouettes(mask, reduced, name):
            x, y = outline.points_px.T
            assert np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y) > 0
            assert -1 <= x.min() <= x.max() <= WIDTH
            assert -1 <= y.min() <= y.max() <= HEIGHT
            assert outline.proposal == name


def test_small_regions_are_left_out_and_largest_come_first() -> None:
    mask = np.zeros((500, 800), np.uint8)
    cv2.rectangle(mask, (50, 50), (349, 249), 255, -1)
    cv2.rectangle(mask, (500, 50), (599, 149), 255, -1)
    cv2.rectangle(mask, (700, 400), (720, 420), 255, -1)
    found = silhouettes(mask, reduce_picture(mask), "two")
    assert [outline.area_px for outline in found] == pytest.approx([299 * 199, 99 * 99], rel=0.01)


def test_holes_are_filled() -> None:
    mask = np.zeros((500, 800), np.uint8)
    cv2.rectangle(mask, (50, 50), (449, 349), 255, -1)
    cv2.circle(mask, (250, 200), 40, 0, -1)
    (whole,) = silhouettes(mask, reduce_picture(mask), "hole")
    assert whole.area_px == pytest.approx(399 * 299, rel=0.01)


def test_section_inside_a_ring_is_found_too() -> None:
    """A section in the ring of its mount is a region of its own."""
    mask = np.zeros((600, 800), np.uint8)
    cv2.circle(mask, (400, 300), 290, 255, 8)
    cv2.rectangle(mask, (300, 220), (500, 380), 255, -1)
    areas = [outline.area_px for outline in silhouettes(mask, reduce_picture(mask), "mount")]
    assert any(area == pytest.approx(200 * 160, rel=0.01) for area in areas)


def test_light_is_evened_without_touching_even_light() -> None:
    even = picture(200, 60, noise=0.0)
    assert flatten_light(even) is even
    flat = flatten_light(picture(200, 60, gradient=0.6, noise=1.0)).astype(float)
    inside = coverage([L_SHAPE], HEIGHT, WIDTH) > 0.99
    for part in (inside, ~inside & (coverage([L_SHAPE], HEIGHT, WIDTH) < 0.01)):
        columns = [np.median(flat[:, x : x + 40][part[:, x : x + 40]]) for x in (230, 500, 840)]
        assert max(columns) - min(columns) < 0.12 * 255
    assert np.median(flat[inside]) - np.median(flat[~inside]) > 100


@pytest.mark.parametrize("shape", [(40, 60), (600, 800), (3000, 2000)])
def test_reduced_picture_is_at_most_a_thousand_long(shape: tuple[int, int]) -> None:
    reduced = reduce_picture(np.zeros(shape, np.uint8))
    assert max(reduced.gray.shape) <= 1000
    assert reduced.factor >= 1.0
    for small, full in zip(reduced.gray.shape, shape, strict=True):
        assert math.isclose(small * reduced.factor, full, rel_tol=0.02)


@pytest.mark.parametrize("level", [0, 77, 255])
def test_blank_picture_gives_no_outline_of_contrast(level: int) -> None:
    reduced = reduce_picture(np.full((300, 400), level, np.uint8))
    for name, mask in proposals(reduced):
        assert all(contrast_of(outline, reduced) == 0 for outline in silhouettes(mask, reduced, name))


@pytest.mark.parametrize(("metal", "ground"), [(200, 60), (40, 150), (101, 100)])
def test_contrast_is_that_of_both_sides_of_the_outline(metal: int, ground: int) -> None:
    gray = np.full((400, 600), ground, np.uint8)
    shape = np.array([[100, 80], [480, 110], [470, 330], [250, 300], [120, 330]], np.int32)
    mask = np.zeros(gray.shape, np.uint8)
    cv2.fillPoly(mask, [shape], 255)
    gray[mask > 0] = metal
    # What lies far from the outline is none of its sides.
    gray[:40], gray[180:220, 260:320] = 255, 0
    reduced = reduce_picture(gray)
    (outline,) = silhouettes(mask, reduced, "drawn")
    assert contrast_of(outline, reduced) == metal - ground


@pytest.mark.parametrize(
    ("shape", "small", "factor"),
    [
        ((3024, 4032), (756, 1008), 4.0),
        ((2250, 3000), (750, 1000), 3.0),
        ((1500, 1600), (938, 1000), 1.6),
        ((8, 9000), (8, 1000), 9.0),
        ((700, 900), (700, 900), 1.0),
    ],
)
def test_reduced_pictures_are_about_so_long_and_tell_their_factor(
    shape: tuple[int, int], small: tuple[int, int], factor: float
) -> None:
    reduced = reduce_picture(np.zeros(shape, np.uint8))
    assert reduced.gray.shape == small
    assert reduced.factor == pytest.approx(factor)


def test_means_by_halves_lie_where_the_factor_says() -> None:
    """The middle of an edge stays where it was, to a twentieth of a reduced pixel."""
    gray = np.zeros((3001, 4003), np.uint8)
    gray[:, 2002:] = 200
    reduced = reduce_picture(gray)
    bright = float(np.mean(reduced.gray[300].astype(float) / 200.0))
    middle = (1.0 - bright) * reduced.gray.shape[1]
    assert (middle * reduced.factor) == pytest.approx(2002, abs=0.05 * reduced.factor + 2002 * 3 / 4003)
