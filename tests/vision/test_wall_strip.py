"""A wall beside a face of the ground's own tone looks like thin plates with a weld between them, and is none."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from benchmarks.render.butts import ButtShape, butt
from benchmarks.render.fillets import FilletShape, tee
from benchmarks.render.geometry import Drawing
from core.errors import NothingMeasurable
from vision.find import find_welds

GROUND, WALL = 190, 60
CASES: dict[str, tuple[Drawing, float]] = {
    "tee": (tee(through_thickness_mm=9, standing_thickness_mm=8, right=FilletShape(6.0, 7.0, bulge_mm=0.4)), -50),
    "butt": (butt(thickness_left_mm=10, thickness_right_mm=10, weld=ButtShape(6.5, 7.0, 1.8)), -80),
}


def wall_alone(gray: NDArray[np.uint8], reach_px: float, way_deg: float) -> NDArray[np.uint8]:
    """Paint the wall of a piece that is brighter than its ground, and the piece as the ground is."""
    face = cv2.morphologyEx((gray > 110).astype(np.uint8), cv2.MORPH_CLOSE, np.ones((7, 7), np.uint8))
    wall = face.copy()
    for reach in np.arange(1.0, reach_px + 0.5):
        x, y = reach * math.cos(math.radians(way_deg)), reach * math.sin(math.radians(way_deg))
        moved = cv2.warpAffine(face, np.array([[1, 0, x], [0, 1, y]]), face.shape[::-1], flags=cv2.INTER_NEAREST)
        wall = np.maximum(wall, moved)
    share = cv2.GaussianBlur((wall > face).astype(np.float32), (0, 0), 0.8)
    grain = np.random.default_rng(5).normal(0.0, 2.0, gray.shape)
    return np.clip(GROUND * (1 - share) + WALL * share + grain, 0, 255).astype(np.uint8)


@pytest.mark.parametrize("reach_px", [22, 34])
@pytest.mark.parametrize("joint", CASES)
def test_a_wall_of_a_piece_is_no_section(photograph, joint: str, reach_px: float) -> None:
    drawing, way_deg = CASES[joint]
    photo = photograph(drawing, rotation_deg=4, look="bright on dark", mm_per_px=0.045, seed=3)
    with pytest.raises(NothingMeasurable):
        find_welds(wall_alone(photo.gray, reach_px, way_deg), photo.calibration)
