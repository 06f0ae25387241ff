"""The sub-pixel outline of shapes whose edge is known: discs and turned rectangles of exact coverage.

Bounds: bias below 0.05 px, scatter below 0.2 px, also on textured metal.
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from benchmarks.render.camera import add_noise, blur, coverage, to_integers
from vision.outline import Outline, refine_outline
from vision.within_outlines import BLUR_LIMIT_PX

WIDTH, HEIGHT = 1200, 900
BIAS_PX, RMS_PX = 0.05, 0.2
CENTRE = np.array([601.37, 447.81])


def disc(radius: float) -> np.ndarray:
    angles = np.linspace(0, 2 * np.pi, 2000, endpoint=False)
    return CENTRE + radius * np.column_stack([np.cos(angles), np.sin(angles)])


def rectangle(turn_deg: float, half: tuple[float, float] = (410.3, 140.7)) -> np.ndarray:
    a = np.radians(turn_deg)
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * np.array(half)
    return CENTRE + corners @ np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]])


def picture(
    ring: np.ndarray,
    *,
    inside: float = 0.7,
    outside: float = 0.1,
    sigma: float = 1.0,
    grain: float = 0.01,
    seed: int = 0,
) -> np.ndarray:
    rng = np.random.default_rng(seed)
    share = coverage([ring], HEIGHT, WIDTH)
    texture = cv2.GaussianBlur(rng.standard_normal(share.shape, dtype=np.float32), (0, 0), 1.5) * 5 * grain
    clear = blur(outside + (inside + texture - outside) * share, sigma)
    return np.asarray(to_integers(add_noise(clear, rng, read=0.006, shot=0.006), 8), np.uint8)


def coarse(ring: np.ndarray, by: float = 2.5) -> np.ndarray:
    """Return the ring clockwise on the screen, wrong by a couple of pixels, slowly varying."""
    closed = np.vstack([ring, ring[:1]])
    steps = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    place = np.arange(0, steps[-1], 3.0)
    points = np.column_stack([np.interp(place, steps, closed[:, i]) for i in (0, 1)])
    x, y = points.T
    if np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y) < 0:
        points = points[::-1]
    phase = 2 * np.pi * np.arange(len(points)) / len(points)
    away = points - CENTRE
    away /= np.hypot(*away.T)[:, None]
    return points + (by * np.sin(9 * phase))[:, None] * away


def errors_of_rectangle(outline: Outline, turn_deg: float, clear_px: float = 15.0) -> np.ndarray:
    """Return signed distances from the nearest true side, outwards positive, away from the corners."""
    a = np.radians(turn_deg)
    local = (outline.points_px - CENTRE) @ np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
    half = np.array([410.3, 140.7])
    beyond = np.abs(local) - half
    on_long = (np.abs(beyond[:, 1]) < 3) & (beyond[:, 0] < -clear_px)
    on_short = (np.abs(beyond[:, 0]) < 3) & (beyond[:, 1] < -clear_px)
    assert (on_long | on_short).mean() > 0.9
    return np.concatenate([beyond[on_long, 1], beyond[on_short, 0]])


def bounded(errors: np.ndarray) -> None:
    assert abs(errors.mean()) < BIAS_PX
    assert errors.std() < RMS_PX


@pytest.mark.parametrize("sigma", [0.5, 1.0, 1.8, 3.0])
@pytest.mark.parametrize(("inside", "outside"), [(0.7, 0.1), (0.2, 0.85)])
def test_disc_at_any_blur_and_either_polarity(sigma: float, inside: float, outside: float) -> None:
    """On a disc of radius R the blurred edge moves inwards by about sigma²/(2R): below 0.02 px here."""
    radius = 310.43
    gray = picture(disc(radius), inside=inside, outside=outside, sigma=sigma)
    outline = refine_outline(gray, coarse(disc(radius)), 5.0)
    bounded(np.hypot(*(outline.points_px - CENTRE).T) - radius)
    assert np.sign(outline.contrast) == np.sign(inside - outside)
    # Told 5 px beside the edge, where the widest blur still takes a tenth of the step.
    assert abs(outline.contrast) == pytest.approx(255 * abs(inside - outside), rel=0.15)
    assert outline.support > 0.95
    assert not outline.cut.any()


@pytest.mark.parametrize("turn_deg", [0, 7.3, 30, 45, 63.1, 90])
@pytest.mark.parametrize(("inside", "outside"), [(0.7, 0.1), (0.2, 0.85)])
def test_straight_edges_at_any_turn(turn_deg: float, inside: float, outside: float) -> None:
    gray = picture(rectangle(turn_deg), inside=inside, outside=outside, sigma=0.9)
    bounded(errors_of_rectangle(refine_outline(gray, coarse(rectangle(turn_deg)), 5.0), turn_deg))


def test_each_side_by_itself_is_unbiased() -> None:
    """A shift of the whole outline would hide in the mean of opposite sides."""
    ring = rectangle(0)
    outline = refine_outline(picture(ring), coarse(ring), 5.0)
    local = outline.points_px - CENTRE
    for axis, half in ((0, 410.3), (1, 140.7)):
        other = np.array([410.3, 140.7])[1 - axis] - 15
        for sign in (-1, 1):
            side = (np.abs(sign * local[:, axis] - half) < 3) & (np.abs(local[:, 1 - axis]) < other)
            bounded(sign * local[side, axis] - half)


def test_textured_metal() -> None:
    ring = rectangle(12)
    bounded(errors_of_rectangle(refine_outline(picture(ring, grain=0.03), coarse(ring), 5.0), 12))


@pytest.mark.parametrize("sigma", [0.8, 1.5, 2.5])
def test_spread_of_the_edge_is_told(sigma: float) -> None:
    outline = refine_outline(picture(disc(300), sigma=sigma, grain=0.004), coarse(disc(300)), 6.0)
    assert outline.blur_px == pytest.approx(sigma, abs=0.4)


def test_wide_spread_is_beyond_the_limit_of_blur() -> None:
    """The window of 8 px to each side cuts the tails of so wide an edge off; it must still raise the doubt."""
    outline = refine_outline(picture(disc(300), sigma=4.0, grain=0.004), coarse(disc(300)), 6.0)
    assert BLUR_LIMIT_PX < outline.blur_px < 4.4


def test_steps_are_even_and_run_clockwise_on_the_screen() -> None:
    outline = refine_outline(picture(disc(300)), coarse(disc(300)), 5.0)
    x, y = outline.points_px.T
    assert np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y) > 0
    steps = np.hypot(*(np.roll(outline.points_px, -1, axis=0) - outline.points_px).T)
    assert np.median(steps) == pytest.approx(outline.step_px, rel=0.1)


def test_border_of_the_picture_is_no_edge() -> None:
    """A plate that leaves the picture on the left: those points are cut, the others are not."""
    ring = np.array([[-50.0, 300.2], [700.4, 300.2], [700.4, 600.6], [-50.0, 600.6]])
    seen = np.array([[0.0, 300.2], [700.4, 300.2], [700.4, 600.6], [0.0, 600.6]])
    outline = refine_outline(picture(ring), coarse(seen, by=0.0), 5.0)
    left = outline.points_px[:, 0] < 1.5
    assert outline.cut[left].all()
    assert not outline.cut[outline.points_px[:, 0] > 20].any()
    top = (np.abs(outline.points_px[:, 1] - 300.2) < 3) & (np.abs(outline.points_px[:, 0] - 350) < 300)
    bounded(outline.points_px[top, 1] - 300.2)
