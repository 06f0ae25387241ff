"""A laser line on a ground that is not even, as room light on brushed metal makes it."""

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from vision.stripe import Stripe, extract
from vision.stripe_ground import ground_courses, moved_by_ground

SIGMA = 3.0


def on_brushed_metal(seed: int, texture: float) -> tuple[NDArray[np.uint8], NDArray[np.float64]]:
    """Return a frame of a slightly tilted line over streaks that run along it, and the line's row in each column."""
    rng = np.random.default_rng(seed)
    height, width = 480, 1200
    row = 240.3 + 0.02 * np.arange(width)
    line = 130 * np.exp(-0.5 * ((np.arange(height)[:, None] - row) / SIGMA) ** 2)
    streaks = cv2.GaussianBlur(rng.normal(size=(height, width)), (0, 0), sigmaX=10, sigmaY=2)
    ground = 35 + texture * streaks / streaks.std()
    frame = line + ground + rng.normal(0, 2.0, (height, width))
    return np.clip(np.rint(frame), 0, 255).astype(np.uint8), row


def errors(stripe: Stripe, row: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(stripe.points_px[:, 1] - np.interp(stripe.points_px[:, 0], np.arange(len(row)), row))


@pytest.mark.parametrize("texture", [6.0, 10.0])
def test_points_state_what_a_texture_does_to_them(texture: float) -> None:
    """Neighbours are off together: their differences, which tell speckle and noise, are blind to it."""
    share, together = [], []
    for seed in range(4):
        frame, row = on_brushed_metal(seed, texture)
        stripe = extract(frame)
        share.append(np.std(errors(stripe, row)) / np.median(stripe.std_px))
        together.append(stripe.together)
    assert 0.75 < np.mean(share) < 1.25
    # Streaks of a Gaussian of 10 px are one piece of information over 2 sqrt(pi) 10 = 35 columns at most.
    assert 8 < np.mean(together) < 40


def test_the_estimator_is_taken_that_a_texture_moves_less() -> None:
    """A centroid four widths wide gathers what lies beside the line."""
    frame, row = on_brushed_metal(5, 10.0)
    stripe = extract(frame)
    assert stripe.estimator == "gaussian"
    assert np.std(errors(stripe, row)) < 0.55


def test_an_even_ground_changes_nothing() -> None:
    frame, row = on_brushed_metal(6, 0.0)
    stripe = extract(frame)
    assert stripe.together == 1.0
    assert np.std(errors(stripe, row)) < 1.1 * 1.062 * 2.0 / 130 * np.sqrt(SIGMA) + 0.01


def test_white_noise_moves_a_peak_as_the_bound_says() -> None:
    """Cramér-Rao bound for a Gaussian in white noise: 1.062 noise / height sqrt(width), of the smoothed line's top."""
    noise = np.random.default_rng(1).normal(0, 1, (31, 20000)).astype(np.float32)
    moved = moved_by_ground([noise], SIGMA, 12.0)
    assert moved.peak == pytest.approx(1.062 * np.sqrt(SIGMA), rel=0.03)
    assert moved.centroid == pytest.approx(np.sqrt(2 * 12.0**3 / 3) / (SIGMA * np.sqrt(2 * np.pi)), rel=0.1)
    assert moved.peak_points < 1.5


def test_ground_is_looked_for_inside_the_frame_only() -> None:
    course = np.full(50, 20.0)
    ((inside, rows),) = ground_courses(course, 200, SIGMA, 12)
    assert inside.all()
    assert (rows > course).all()
    assert ground_courses(course, 40, SIGMA, 12) == []
