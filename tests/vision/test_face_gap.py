"""A face of which points are missing goes on as what is seen beside the gap does."""

from __future__ import annotations

import math

import numpy as np
import pytest

from core.geometry import rotate
from vision.face_gap import bridged

RADIUS_MM = 18.0


def face(gap: tuple[float, float], turn_deg: float, noise_mm: float = 0.0008) -> tuple[np.ndarray, np.ndarray]:
    """Return an arc without the points of a stretch of its length, and the rims of that."""
    along = np.arange(-4.0, 4.0, 0.04)
    points = RADIUS_MM * np.column_stack([np.sin(along / RADIUS_MM), 1 - np.cos(along / RADIUS_MM)])
    points = points + np.random.default_rng(3).normal(0, noise_mm, points.shape)
    points = rotate(points, math.radians(turn_deg))
    kept = (along < gap[0]) | (along > gap[1])
    last = int(np.flatnonzero(along < gap[0])[-1])
    return points[kept], points[kept][last : last + 2]


@pytest.mark.parametrize("turn_deg", [0.0, 140.0, -75.0])
@pytest.mark.parametrize("gap", [(-1.0, 1.5), (0.5, 2.2)])
def test_the_bridge_follows_the_arc(gap: tuple[float, float], turn_deg: float) -> None:
    points, ends = face(gap, turn_deg)
    found = bridged(points, ends)
    assert found is not None
    filled, std = found
    centre = rotate(np.array([[0.0, RADIUS_MM]]), math.radians(turn_deg))[0]
    off = np.hypot(*(filled - centre).T) - RADIUS_MM
    sag = (gap[1] - gap[0]) ** 2 / (8 * RADIUS_MM)
    assert np.abs(off).max() < 0.25 * sag
    assert np.hypot(*np.diff(filled, axis=0).T).max() < 0.1
    assert 0.3 * sag < std < 0.5 * sag + 0.1


def test_little_seen_beside_a_gap_gives_no_bridge() -> None:
    points, ends = face((-3.9, 1.0), 0.0)
    assert bridged(points, ends) is None


def test_a_gap_elsewhere_is_none_of_the_face() -> None:
    points, _ = face((-1.0, 1.0), 0.0)
    assert bridged(points, np.array([[30.0, 5.0], [33.0, 5.0]])) is None
