"""A spark that sticks to an overexposed line draws no point aside; what the line itself does is left."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from benchmarks.render.laser import Light, stripe_picture
from vision.stripe import extract
from vision.stripe_stuck import stuck

SHAPE = (240, 640)
LIGHT = Light(amplitude=900.0, sigma_px=3.0, noise=3.0)


def frame_of(line: np.ndarray, spark: tuple[int, int, int, int] | None) -> np.ndarray:
    frame = stripe_picture(SHAPE, line, LIGHT, np.random.default_rng(1)).astype(np.float32)
    if spark is not None:
        stroke = np.zeros(SHAPE, np.float32)
        cv2.line(stroke, spark[:2], spark[2:], 700.0, 5)
        frame = frame + cv2.GaussianBlur(stroke, (0, 0), 1.0)
    return np.clip(np.rint(frame), 0, 255).astype(np.uint8)


@pytest.mark.parametrize("spark", [(300, 118, 316, 127), (300, 116, 306, 106), (310, 124, 311, 125)])
def test_no_point_is_drawn_to_a_spark_that_touches_the_line(spark: tuple[int, int, int, int]) -> None:
    """The band was up to 7 px wider there, and its middle up to 3.5 px aside."""
    line = np.column_stack([np.arange(-10.0, 660.0), 100.0 + 0.05 * np.arange(-10.0, 660.0)])
    stripe = extract(frame_of(line, spark))
    off = stripe.points_px[:, 1] - np.interp(stripe.points_px[:, 0], *line.T)
    assert np.abs(off).max() < 0.8
    assert len(off) > 570


@pytest.mark.parametrize("turn", [-0.8, 0.8])
def test_a_corner_and_a_hollow_of_the_line_are_left(turn: float) -> None:
    x = np.arange(-10.0, 660.0)
    corner = 120.0 + turn * np.maximum(x - 500.0, 0.0)
    hollow = 12.0 * np.exp(-0.5 * ((x - 250.0) / 14.0) ** 2)
    stripe = extract(frame_of(np.column_stack([x, corner + hollow]), None))
    seen = np.zeros(640, bool)
    seen[np.rint(stripe.points_px[:, 0]).astype(int)] = True
    assert seen[10:630].mean() > 0.99


def sides(upper: np.ndarray, lower: np.ndarray) -> np.ndarray:
    """Return a band (40, N) that is at the limit from one row to another."""
    at = np.arange(40)[:, None]
    return np.where((at >= upper) & (at <= lower), 255.0, 10.0).astype(np.float32)


def test_one_side_must_go_on_and_the_other_depart() -> None:
    upper, lower = np.full(200, 15.0), np.full(200, 25.0)
    ground, origin = np.full(200, 10.0, np.float32), np.zeros(200, np.int64)
    lower[90:110] += 5.0
    marked = np.flatnonzero(stuck(sides(upper, lower), ground, np.full(200, 20.0), origin))
    assert marked[0] == 88
    assert marked[-1] == 111
    # A glint of the metal is wider to both sides, and its middle stays.
    upper[90:110] -= 5.0
    assert not stuck(sides(upper, lower), ground, np.full(200, 20.0), origin).any()
    # What is wider up to the end of the line has nothing behind it that shows where the line goes on.
    upper[:], lower[:] = 15.0, 25.0
    lower[185:] += 5.0
    assert not stuck(sides(upper, lower), ground, np.full(200, 20.0), origin).any()
