"""A groove through whose root gap a strip is seen: the faces end above it, wherever it lies."""

from __future__ import annotations

import math

import numpy as np
import pytest

from core.geometry import Points
from core.quantity import Quantity
from measurement import measure
from vision.find_profile import find_welds_in_profile
from vision.profile import Profile

STEP_MM, NOISE_MM = 0.05, 0.004
GAP_MM, DEPTH_MM = 3.0, 6.0


def _sampled(corners: list[list[float]]) -> Points:
    line = np.array(corners)
    length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    along = np.arange(0, length[-1] + 1e-9, STEP_MM)
    return np.column_stack([np.interp(along, length, line[:, i]) for i in (0, 1)])


def on_backing(
    bevel_deg: float, below_mm: tuple[float, float], *, leaned_mm: float = 0.0, turn_deg: float = 0.0
) -> Profile:
    """Return bevels 6 mm deep over a strip that lies so far below the left and the right edge.

    ``leaned_mm`` is what the left edge hides of the strip.
    """
    slope = math.tan(math.radians(bevel_deg))
    half = GAP_MM / 2
    left = _sampled([[-25.0, 0.0], [-half - DEPTH_MM * slope, 0.0], [-half, -DEPTH_MM]])
    strip = _sampled([[-half + leaned_mm, -DEPTH_MM - below_mm[0]], [half + 0.5 * leaned_mm, -DEPTH_MM - below_mm[1]]])
    right = _sampled([[half, -DEPTH_MM], [half + DEPTH_MM * slope, 0.0], [25.0, 0.0]])
    points = np.vstack([left, strip, right])
    turn = math.radians(turn_deg)
    points = points @ np.array([[math.cos(turn), math.sin(turn)], [-math.sin(turn), math.cos(turn)]])
    points = points + np.random.default_rng(3).normal(0, NOISE_MM, points.shape)
    count = len(points)
    return Profile(points, np.full(count, NOISE_MM), False, np.zeros(count, bool), STEP_MM, blur_mm=0.05)


@pytest.mark.parametrize("turn_deg", [-25.0, 0.0, 20.0])
@pytest.mark.parametrize(
    ("bevel_deg", "below_mm", "leaned_mm"),
    [
        (30.0, (1.5, 1.5), 0.1),  # on the lines of both faces
        (45.0, (0.7, 0.7), 0.1),
        (45.0, (0.3, 0.9), 0.1),  # a step that is wide at one end alone
        (20.0, (0.55, 1.25), 0.2),  # one step less than half of the other
    ],
)
def test_a_strip_behind_the_gap_is_no_part_of_a_face(
    bevel_deg: float, below_mm: tuple[float, float], leaned_mm: float, turn_deg: float
) -> None:
    (weld,) = find_welds_in_profile(
        on_backing(bevel_deg, below_mm, leaned_mm=leaned_mm, turn_deg=turn_deg), joint="groove"
    ).welds
    found = measure(weld.section)
    for name, true in (
        ("root_gap", GAP_MM),
        ("preparation_depth_left", DEPTH_MM),
        ("preparation_depth_right", DEPTH_MM),
        ("bevel_angle_left", bevel_deg),
        ("bevel_angle_right", bevel_deg),
    ):
        value = found[name]
        assert isinstance(value, Quantity), name
        assert value.value == pytest.approx(true, abs=0.1), name


def test_a_face_that_goes_on_beyond_missing_points_is_followed_to_its_end() -> None:
    """What lies on the line of a face and leads along it belongs to it, with a strip behind or without."""
    made = on_backing(30.0, (1.5, 1.5), leaned_mm=0.1)
    depth = made.points_mm[:, 1]
    missing = (made.points_mm[:, 0] < 0) & (depth < -3.5) & (depth > -4.7)
    points = made.points_mm[~missing]
    count = len(points)
    seen = Profile(points, np.full(count, NOISE_MM), False, np.zeros(count, bool), STEP_MM, blur_mm=0.05)
    (weld,) = find_welds_in_profile(seen, joint="groove").welds
    value = measure(weld.section)["preparation_depth_left"]
    assert isinstance(value, Quantity)
    assert value.value == pytest.approx(DEPTH_MM, abs=0.1)
