"""The edge of an overexposed plate lies on the bright side of where it seems to, and the doubt says how far."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from benchmarks.render.camera import add_noise, blur, coverage, to_integers
from vision.outline import Outline, refine_outline

SIZE = 800
CENTRE = np.array([401.37, 398.81])
HALF = np.array([290.3, 120.7])


def plate(turn_deg: float, wider_px: float = 0.0) -> np.ndarray:
    a = np.radians(turn_deg)
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * (HALF + wider_px)
    return CENTRE + corners @ np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]])


def followed(metal: float, ground: float, sigma: float, turn_deg: float = 11.0) -> tuple[Outline, float]:
    """The outline of a plate, whose light may be beyond the limit of 1, and how far out its long sides were found."""
    share = coverage([plate(turn_deg)], SIZE, SIZE)
    clear = blur(np.asarray(ground + (metal - ground) * share, np.float32), sigma)
    noisy = add_noise(clear, np.random.default_rng(7), read=0.004, shot=0.004)
    return measured(np.asarray(to_integers(np.minimum(noisy, 1.0), 8), np.uint8), turn_deg)


def measured(gray: np.ndarray, turn_deg: float = 11.0) -> tuple[Outline, float]:
    ring = plate(turn_deg, 1.5)
    steps = np.linspace(0, 1, 200, endpoint=False)[:, None]
    coarse = np.vstack([a + steps * (b - a) for a, b in zip(ring, np.roll(ring, -1, axis=0), strict=True)])
    outline = refine_outline(gray, coarse, 8.0)
    a = np.radians(turn_deg)
    local = (outline.points_px - CENTRE) @ np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
    along = np.abs(local[:, 0]) < HALF[0] - 20
    return outline, float(np.median(np.abs(local[along, 1]) - HALF[1]))


@pytest.mark.parametrize("sigma", [0.8, 1.5, 2.5])
@pytest.mark.parametrize("stops", [0.5, 1.0, 2.0])
def test_the_edge_of_overexposed_metal_is_allowed_for(stops: float, sigma: float) -> None:
    outline, off = followed(2.0**stops, 0.08, sigma)
    assert off > 0.15 * sigma, "the edge was found where it is"
    assert abs(off) < 2 * outline.limit_doubt_px < 4 * max(sigma, 0.6)


@pytest.mark.parametrize("stops", [1.0, 2.0])
def test_the_edge_beside_an_overexposed_ground_is_allowed_for(stops: float) -> None:
    outline, off = followed(0.2, 2.0**stops, 1.2)
    assert off < -0.3
    assert abs(off) < 2 * outline.limit_doubt_px


@pytest.mark.parametrize("sigma", [0.9, 1.2, 2.0])
@pytest.mark.parametrize(("metal", "ground"), [(1.0, 0.05), (0.3, 1.0)])
def test_a_side_just_as_bright_as_the_limit_shows_a_whole_edge(metal: float, ground: float, sigma: float) -> None:
    outline, off = followed(metal, ground, sigma)
    assert abs(off) < 0.05
    assert outline.limit_doubt_px == 0.0


@pytest.mark.parametrize(("metal", "ground"), [(0.95, 0.05), (0.3, 0.95)])
def test_within_the_limit_nothing_is_allowed_for(metal: float, ground: float) -> None:
    outline, off = followed(metal, ground, 1.2)
    assert abs(off) < 0.05
    assert outline.limit_doubt_px == 0.0


def test_a_sharpened_edge_does_not_tell_whether_it_is_cut_off() -> None:
    """Sharpening takes the long foot of a cut edge away: it is allowed for, cut off or not."""
    share = coverage([plate(11.0)], SIZE, SIZE)
    clear = blur(np.asarray(0.05 + 1.95 * share, np.float32), 1.0)
    stored = np.minimum(add_noise(clear, np.random.default_rng(7), read=0.004, shot=0.004), 1.0)
    sharp = stored + 0.8 * (stored - cv2.GaussianBlur(stored, (0, 0), 1.2))
    outline, off = measured(np.asarray(to_integers(np.clip(sharp, 0.0, 1.0).astype(np.float32), 8), np.uint8))
    assert off > 0.2
    assert off < 2 * outline.limit_doubt_px
