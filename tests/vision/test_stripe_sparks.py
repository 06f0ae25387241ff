"""A spark on a line that is not overexposed elsewhere draws no point aside; a glint of the metal stays."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from benchmarks.render.laser import Light, stripe_picture
from vision.stripe import extract
from vision.stripe_sparks import bright_spots, sparks

SHAPE = (200, 640)
LINE = np.column_stack([np.arange(-10.0, 660.0), 100.0 + 0.05 * np.arange(-10.0, 660.0)])


def spoiled(light: Light, spark: tuple[int, int, int, int] | None) -> np.ndarray:
    """Return a frame with a saturated stroke between two places (x, y, x, y)."""
    frame = stripe_picture(SHAPE, LINE, light, np.random.default_rng(1)).astype(np.float32)
    if spark is not None:
        stroke = np.zeros(SHAPE, np.float32)
        cv2.line(stroke, spark[:2], spark[2:], 500.0, 3)
        frame = frame + cv2.GaussianBlur(stroke, (0, 0), 1.0)
    return np.clip(np.rint(frame), 0, 255).astype(np.uint8)


@pytest.mark.parametrize("sigma", [1.5, 2.5, 4.0])
@pytest.mark.parametrize(
    "spark", [(300, 126, 318, 112), (300, 105, 322, 116), (310, 118, 310, 119), (296, 128, 312, 116)]
)
def test_no_point_lies_on_a_spark(sigma: float, spark: tuple[int, int, int, int]) -> None:
    stripe = extract(spoiled(Light(amplitude=200.0, sigma_px=sigma, noise=3.0), spark))
    off = stripe.points_px[:, 1] - np.interp(stripe.points_px[:, 0], *LINE.T)
    assert np.abs(off).max() < 1.0
    assert len(off) > 560


def line(count: int = 300) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    points = np.column_stack([np.arange(float(count)), np.full(count, 50.0)])
    return points, np.full(count, 0.03), np.zeros(count, bool)


def test_only_spots_beside_the_line_are_marked() -> None:
    points, std, saturated = line()
    saturated[140:152] = True
    assert not sparks(points, std, saturated, 2.0).any()
    points[140:152, 1] += 2.0
    marked = np.flatnonzero(sparks(points, std, saturated, 2.0))
    assert marked[0] == 136
    assert marked[-1] == 155


def test_an_overexposed_line_and_the_ends_of_one_are_left_alone() -> None:
    points, std, saturated = line()
    points[140:152, 1] += 2.0
    saturated[::2] = True
    assert not sparks(points, std, saturated, 2.0).any()
    saturated[:] = False
    saturated[:8] = True
    points[:8, 1] += 2.0
    assert not sparks(points, std, saturated, 2.0).any()


@pytest.mark.parametrize("beside", [10, 13, -12])
def test_an_overexposed_line_is_not_drawn_to_a_spark_close_beside_it(beside: int) -> None:
    spark = (300, 115 + beside, 322, 118 + beside)
    stripe = extract(spoiled(Light(amplitude=700.0, sigma_px=2.0, noise=3.0), spark))
    off = stripe.points_px[:, 1] - np.interp(stripe.points_px[:, 0], *LINE.T)
    assert np.abs(off).max() < 0.6
    assert len(off) > 600


def test_a_spark_that_was_left_out_is_not_found_again_as_a_wall() -> None:
    slope = np.column_stack([np.arange(-10.0, 420.0), 30.0 + 0.8 * np.arange(-10.0, 420.0)])
    light = Light(amplitude=165.0, sigma_px=1.6, noise=1.7, speckle=0.28)
    frame = stripe_picture((400, 400), slope, light, np.random.default_rng(3)).astype(np.float32)
    stroke = np.zeros(frame.shape, np.float32)
    cv2.line(stroke, (198, 194), (209, 199), 600.0, 3)
    frame += cv2.GaussianBlur(stroke, (0, 0), 1.0)
    stripe = extract(np.clip(np.rint(frame), 0, 255).astype(np.uint8), orientation="rows")
    across = (stripe.points_px[:, 1] - np.interp(stripe.points_px[:, 0], *slope.T)) / np.hypot(1.0, 0.8)
    assert np.abs(across).max() < 1.5


@pytest.mark.parametrize("tilt", [0.1, 0.3, 0.6])
@pytest.mark.parametrize(("amplitude", "row"), [(250.0, 111), (250.0, 115), (450.0, 111), (450.0, 119)])
def test_a_spark_beside_a_dim_line_draws_no_point_aside(tilt: float, amplitude: float, row: int) -> None:
    """Not at the limit of the sensor it is a bright spot all the same: points lay up to 5.6 px off."""
    frame = stripe_picture(SHAPE, LINE, Light(amplitude=95.0, sigma_px=1.3, noise=3.0), np.random.default_rng(1))
    stroke = np.zeros(SHAPE, np.float32)
    cv2.line(stroke, (300, row), (324, round(row + 24 * tilt)), amplitude, 2)
    spotted = frame.astype(np.float32) + cv2.GaussianBlur(stroke, (0, 0), 0.9)
    stripe = extract(np.clip(np.rint(spotted), 0, 255).astype(np.uint8))
    off = stripe.points_px[:, 1] - np.interp(stripe.points_px[:, 0], *LINE.T)
    assert np.abs(off).max() < 0.8
    assert len(off) > 580


def test_speckle_and_the_bright_metal_of_a_weld_are_no_sparks() -> None:
    light = Light(amplitude=150.0, sigma_px=2.0, noise=3.0, speckle=0.4)
    assert len(extract(stripe_picture(SHAPE, LINE, light, np.random.default_rng(4))).points_px) > 630
    height = np.full(400, 80.0)
    assert not bright_spots(height, np.zeros(400, bool)).any()
    height[200:210] = 150.0
    assert np.flatnonzero(bright_spots(height, np.zeros(400, bool))).tolist() == [*range(200, 210)]


def test_a_bright_corner_is_left_unless_it_is_overexposed() -> None:
    """Both legs light a corner of the metal; its points lie off the chord of those beside it."""
    points, std, saturated = line()
    points[150:, 1] += 0.8 * np.arange(150.0)
    bright = saturated.copy()
    bright[146:154] = True
    assert not sparks(points, std, saturated, 2.0, bright).any()
    assert sparks(points, std, bright, 2.0, bright)[146:154].all()
    points[:, 1] = 50.0
    points[146:154, 1] += 2.0
    assert sparks(points, std, saturated, 2.0, bright)[146:154].all()
