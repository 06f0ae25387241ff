"""Faces that scatter more than their plates: a dull bead between bright plates."""

from __future__ import annotations

import numpy as np

from core.quantity import Quantity
from measurement import measure
from vision.find_profile import find_welds_in_profile
from vision.profile import Profile

STEP_MM, LEG_MM = 0.05, 7.0


def tee(face_noise_mm: float, seed: int) -> Profile:
    """Return a tee with a flat face of 45 degrees, its plates seen with 3 micrometres of scatter."""
    rng = np.random.default_rng(seed)
    plate, face = np.arange(0.0, 20.0, STEP_MM), np.arange(0.0, LEG_MM * np.sqrt(2.0), STEP_MM)
    half = LEG_MM / np.sqrt(2.0)
    slant = np.sqrt(0.5)
    left = np.column_stack([-half - slant * plate[::-1], slant * plate[::-1]])
    right = np.column_stack([half + slant * plate, slant * plate])
    points = np.vstack([left, np.column_stack([face - half, np.zeros(len(face))])[1:-1], right])
    std = np.full(len(points), 0.003)
    std[len(left) : len(points) - len(right)] = face_noise_mm
    points[:, 1] += rng.normal(0.0, std)
    count = len(points)
    # what is told of the points is what is usual, as where all come from one estimator
    return Profile(points, np.full(count, 0.003), False, np.zeros(count, bool), STEP_MM, points_alone=True)


def test_values_of_a_dull_face_allow_for_its_own_scatter() -> None:
    held = []
    for seed in range(12):
        values = measure(find_welds_in_profile(tee(0.02, seed), joint="tee").welds[0].section)
        for name, true in (("toe_angle_left", 135.0), ("toe_angle_right", 135.0), ("throat", LEG_MM / np.sqrt(2.0))):
            found = values[name]
            assert isinstance(found, Quantity)
            held.append(abs(found.value - true) <= found.expanded_uncertainty)
    assert np.mean(held) >= 0.9


def test_a_face_as_bright_as_its_plates_is_told_as_before() -> None:
    section = find_welds_in_profile(tee(0.003, 1), joint="tee").welds[0].section
    assert section.point_std_mm < 0.005
