"""Beside an undercut the face begins behind the crest: the wall that leans into the weld is no part of it."""

from __future__ import annotations

import math

import numpy as np
import pytest

from core.quantity import Quantity
from measurement import measure
from vision.find_profile import find_welds_in_profile
from vision.profile import Profile

STEP_MM, NOISE_MM, BLUR_MM = 0.045, 0.002, 0.05
HALF_MM, HEIGHT_MM = 6.0, 0.8


def cap(leaning_mm: float, *, deep_mm: float, seed: int) -> Profile:
    """A flat cap between plates, an undercut on both sides whose inner wall leans over the toe and comes up rounded."""
    x = np.linspace(-HALF_MM, HALF_MM, 400)
    face = np.column_stack([x, HEIGHT_MM * (1 - (x / HALF_MM) ** 2)])[3:-3]
    turn = np.linspace(0.0, 1.0, 60)
    groove = np.column_stack([-HALF_MM - 1.6 * (1 - turn), -deep_mm * np.sin(math.pi * turn**0.6)])
    wall = [[-HALF_MM + leaning_mm, -0.3 * deep_mm], [-HALF_MM + leaning_mm + 0.03, 0.0]] if leaning_mm > 0 else []
    left = np.vstack([[[-26.0, 0.0]], groove[: 52 if wall else 60], *([wall] if wall else [])])
    corners = np.vstack([left, face[face[:, 0] > left[-1, 0] + 0.02][:-1], left[::-1] * [-1, 1]])
    corners = corners[np.concatenate([[True], np.hypot(*np.diff(corners, axis=0).T) > 1e-9])]
    length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(corners, axis=0).T))])
    at = np.arange(0.0, length[-1], STEP_MM)
    points = np.column_stack([np.interp(at, length, corners[:, i]) for i in (0, 1)])
    points[:, 1] += np.random.default_rng(seed).normal(0, NOISE_MM, len(points))
    count = len(points)
    return Profile(points, np.full(count, NOISE_MM), False, np.zeros(count, bool), STEP_MM, blur_mm=BLUR_MM)


@pytest.mark.parametrize("leaning", [0.0, 0.04, 0.08])
@pytest.mark.parametrize("deep", [0.5, 0.8])
def test_the_toe_angle_is_that_of_the_face(leaning: float, deep: float) -> None:
    true = 180.0 - math.degrees(math.atan(2 * HEIGHT_MM / HALF_MM))
    for seed in (1, 2, 3):
        (weld,) = find_welds_in_profile(cap(leaning, deep_mm=deep, seed=seed), joint="butt").welds
        values = measure(weld.section)
        for side in ("left", "right"):
            angle, depth = values[f"toe_angle_{side}"], values[f"undercut_{side}"]
            assert isinstance(angle, Quantity)
            assert isinstance(depth, Quantity)
            assert abs(angle.value - true) <= 1.5 * (angle.expanded_uncertainty or 0), (seed, side)
            assert depth.value == pytest.approx(deep, abs=0.05)
