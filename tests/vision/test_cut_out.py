"""What a ground of the metal's own tone adds to an outline is cut off again."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from benchmarks.render.textures import cloud
from vision.cut_out import redrawn, without_hairs
from vision.segmentation import ReducedPicture, Silhouette

TONE = 155
BOX = (150, 120, 420, 260)
"""Left, top, right and bottom of the metal."""


def section_on_stone(seed: int) -> tuple[ReducedPicture, Silhouette]:
    """Return bright metal on stone whose light grains are as bright, and the outline a grey level gives."""
    rng = np.random.default_rng(seed)
    tone = 112 + 20 * cloud(400, 600, 9, rng) + 12 * cloud(400, 600, 25, rng)
    left, top, right, bottom = BOX
    tone[top:bottom, left:right] = TONE
    gray = np.asarray(np.clip(cv2.GaussianBlur(tone, (0, 0), 0.8) + rng.normal(0, 1.5, tone.shape), 0, 255), np.uint8)
    mask = np.asarray((cv2.medianBlur(gray, 5) > TONE - 16) * 255, np.uint8)
    contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    points = max(contours, key=cv2.contourArea).reshape(-1, 2).astype(float)
    area = cv2.contourArea(points.astype(np.float32), oriented=True)
    return ReducedPicture(gray, 1.0), Silhouette(points if area > 0 else points[::-1], abs(area), "bright")


def away_from_metal(points: np.ndarray) -> np.ndarray:
    left, top, right, bottom = BOX
    corners = np.array([(left, top), (right, top), (right, bottom), (left, bottom)], np.float32) - 0.5
    return np.array([abs(cv2.pointPolygonTest(corners, (float(x), float(y)), True)) for x, y in points])


@pytest.mark.parametrize("seed", range(4))
def test_grains_of_the_metals_tone_are_cut_off(seed: int) -> None:
    picture, coarse = section_on_stone(seed)
    (found,) = redrawn((coarse,), picture)
    before, after = (away_from_metal(outline.points_px) for outline in (coarse, found))
    assert np.mean(before > 5) > 0.07
    assert np.mean(after > 5) < 0.25 * np.mean(before > 5)


def test_on_a_plain_ground_the_outline_is_left_alone() -> None:
    gray = np.full((400, 600), 60, np.uint8)
    left, top, right, bottom = BOX
    gray[top:bottom, left:right] = TONE
    sides = [(x, top) for x in range(left, right)] + [(right, y) for y in range(top, bottom)]
    sides += [(x, bottom) for x in range(right, left, -1)] + [(left, y) for y in range(bottom, top, -1)]
    outline = Silhouette(np.array(sides, float), 270.0 * 140.0, "bright")
    (found,) = redrawn((outline,), ReducedPicture(gray, 1.0))
    assert found is outline


def test_a_line_that_ends_at_the_metal_is_cut_off_and_its_corners_stay() -> None:
    mask = np.zeros((300, 400), np.uint8)
    cv2.fillPoly(mask, [np.array([(80, 120), (300, 90), (330, 200), (110, 220)])], 255)
    hairy = mask.copy()
    hairy[30:120, 200:203] = 255
    assert np.count_nonzero(without_hairs(mask) != mask) == 0
    assert np.count_nonzero(cv2.absdiff(without_hairs(hairy), mask)) < 25


def test_spatter_is_thin_and_stays_where_the_ground_is_plain() -> None:
    gray = np.full((400, 600), 60, np.uint8)
    left, top, right, bottom = BOX
    gray[top:bottom, left:right] = TONE
    gray[top - 14 : top, 300:306] = TONE
    sides = [(x, top) for x in range(left, 300)] + [(300, top - 14), (305, top - 14)]
    sides += [(x, top) for x in range(305, right)] + [(right - 1, y) for y in range(top, bottom)]
    sides += [(x, bottom - 1) for x in range(right - 1, left, -1)] + [(left, y) for y in range(bottom - 1, top, -1)]
    outline = Silhouette(np.array(sides, float), 270.0 * 140.0, "bright")
    (found,) = redrawn((outline,), ReducedPicture(gray, 1.0))
    assert found is outline


def test_a_cut_that_takes_a_weld_off_is_not_made(monkeypatch: pytest.MonkeyPatch) -> None:
    """Weld metal of another tone than its plates may look like ground; it is thicker than the crumbs of a grain."""
    picture, coarse = section_on_stone(0)

    def without_a_weld(mask: np.ndarray, _: ReducedPicture) -> np.ndarray:
        cut = mask.copy()
        cut[120:160, 150:190] = 0
        return cut

    monkeypatch.setattr("vision.cut_out.cut_out", without_a_weld)
    (found,) = redrawn((coarse,), picture)
    assert found is coarse
