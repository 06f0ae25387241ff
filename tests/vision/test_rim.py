"""Rims and gaps along the straight edges of a drawn plate, whose sides are known."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from benchmarks.render.camera import add_noise, blur, coverage, to_integers
from vision.outline import Outline, refine_outline
from vision.rim import Rim, rim_of
from vision.runs import straight_runs

SIZE = 800
CENTRE = np.array([401.37, 398.81])
HALF = np.array([290.3, 120.7])


def plate(turn_deg: float, wider_px: float = 0.0) -> np.ndarray:
    a = np.radians(turn_deg)
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * (HALF + wider_px)
    return CENTRE + corners @ np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]])


def picture(
    turn_deg: float,
    metal: float,
    ground: float,
    band: float | None = None,
    *,
    gap_px: float = 0.0,
    rim_px: float = 0.0,
    sigma: float = 1.0,
) -> np.ndarray:
    """Metal on a ground, with a gap around it or a rim within it."""
    rng = np.random.default_rng(3)
    share = coverage([plate(turn_deg)], SIZE, SIZE)
    texture = cv2.GaussianBlur(rng.standard_normal(share.shape, dtype=np.float32), (0, 0), 1.5) * 0.04
    tone, around = np.float32(metal) + texture, np.full(share.shape, ground, np.float32)
    if band is not None and gap_px:
        around += (band - ground) * coverage([plate(turn_deg, gap_px)], SIZE, SIZE)
    if band is not None and rim_px:
        tone += (band - tone) * (1 - coverage([plate(turn_deg, -rim_px)], SIZE, SIZE))
    clear = blur(np.asarray(around + (tone - around) * share, np.float32), sigma)
    return np.asarray(to_integers(add_noise(clear, rng, read=0.005, shot=0.006), 8), np.uint8)


def seen(gray: np.ndarray, turn_deg: float) -> tuple[Rim, float]:
    """What runs along the plate, and how far its long sides were found too far out."""
    ring = plate(turn_deg, 1.5)
    steps = np.linspace(0, 1, 200, endpoint=False)[:, None]
    coarse = np.vstack([a + steps * (b - a) for a, b in zip(ring, np.roll(ring, -1, axis=0), strict=True)])
    outline: Outline = refine_outline(gray, coarse, 6.0)
    runs = straight_runs(outline.points_px, outline.cut, closed=True, tolerance=1.5, shortest=60.0)
    assert len(runs) == 4
    a = np.radians(turn_deg)
    local = (outline.points_px - CENTRE) @ np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
    along = np.abs(local[:, 0]) < HALF[0] - 20
    return rim_of([outline], [runs]), float(np.median(np.abs(local[along, 1]) - HALF[1]))


@pytest.mark.parametrize("turn_deg", [0.0, 11.0, 43.0])
@pytest.mark.parametrize(("metal", "ground"), [(0.65, 0.1), (0.35, 0.85), (0.5, 0.62)])
def test_nothing_is_told_of_a_plain_plate(turn_deg: float, metal: float, ground: float) -> None:
    rim, off = seen(picture(turn_deg, metal, ground), turn_deg)
    assert rim == Rim()
    assert not rim.flags
    assert abs(off) < 0.05


@pytest.mark.parametrize("turn_deg", [0.0, 45.0, 90.0])
def test_pixels_along_a_sharp_edge_are_no_rim(turn_deg: float) -> None:
    rim, _ = seen(picture(turn_deg, 0.65, 0.1, sigma=0.4), turn_deg)
    assert rim == Rim()


@pytest.mark.parametrize("turn_deg", [0.0, 11.0, 43.0])
@pytest.mark.parametrize("gap_px", [1.0, 2.5, 5.0])
def test_a_dark_gap_in_light_resin_is_told_and_allowed_for(turn_deg: float, gap_px: float) -> None:
    rim, off = seen(picture(turn_deg, 0.45, 0.8, 0.1, gap_px=gap_px), turn_deg)
    assert off > 0.8 * gap_px, "the gap was read as metal"
    assert rim.share > 0.9
    assert off < 2 * rim.std_px < 2 * off + 1
    assert [flag.code for flag in rim.flags] == ["second_edge"]


@pytest.mark.parametrize("rim_px", [2.5, 4.0])
@pytest.mark.parametrize(("metal", "ground", "band"), [(0.7, 0.1, 0.52), (0.7, 0.1, 0.3), (0.4, 0.85, 0.2)])
def test_a_darkened_rim_is_told_and_allowed_for(metal: float, ground: float, band: float, rim_px: float) -> None:
    rim, off = seen(picture(11.0, metal, ground, band, rim_px=rim_px), 11.0)
    assert abs(off) > 0.1
    assert 2 * rim.std_px > abs(off)
    assert rim.flags


def test_an_outline_without_levels_tells_nothing() -> None:
    outline = Outline(np.zeros((9, 2)), np.zeros(9, bool), 1.0, 0.05, 0.5, -60.0, 1.0)
    assert rim_of([outline], [[]]) == Rim()
