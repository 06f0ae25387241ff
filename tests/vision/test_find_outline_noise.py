"""The noise an outline states of its points is what its points do."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from benchmarks.render.camera import add_noise, blur, coverage, to_integers
from vision.outline import refine_outline


@pytest.mark.parametrize("grain", [0.025, 0.15])
def test_noise_of_a_point_is_told(grain: float) -> None:
    """Within a factor of 2.5 of the scatter about a straight edge that is known."""
    rng = np.random.default_rng(0)
    ring = np.array([[200.3, 300.4], [1000.2, 340.7], [980.6, 600.3], [190.8, 580.9]])
    share = coverage([ring], 900, 1200)
    texture = cv2.GaussianBlur(rng.standard_normal(share.shape, dtype=np.float32), (0, 0), 1.5) * grain
    gray = to_integers(add_noise(blur(0.1 + (0.6 + texture) * share, 1.0), rng, read=0.006, shot=0.006), 8)
    outline = refine_outline(np.asarray(gray, np.uint8), ring, 5.0)
    along = (ring[1] - ring[0]) / np.hypot(*(ring[1] - ring[0]))
    offset = (outline.points_px - ring[0]) @ np.array([-along[1], along[0]])
    place = (outline.points_px - ring[0]) @ along
    true = float(offset[(np.abs(offset) < 3) & (place > 20) & (place < 780)].std())
    assert true / 2.5 < outline.noise_px < 2.5 * true
