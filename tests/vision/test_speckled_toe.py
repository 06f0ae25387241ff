"""Toes of a line that scatters: more of the face tells them."""

from __future__ import annotations

import numpy as np

from core.quantity import Quantity
from measurement import measure
from vision.find_profile import find_welds_in_profile
from vision.profile import Profile

STEP_MM, NOISE_MM = 0.045, 0.015


def line(at: np.ndarray, height: np.ndarray, seed: int) -> Profile:
    scatter = np.random.default_rng(seed).normal(0, NOISE_MM, len(at))
    count = len(at)
    points = np.column_stack([at, height + scatter])
    return Profile(points, np.full(count, NOISE_MM), False, np.zeros(count, bool), STEP_MM, points_alone=True)


def test_the_width_of_a_gentle_cap_under_speckle() -> None:
    width, rise = 12.0, 0.9
    at = np.arange(-25.0, 25.0, STEP_MM)
    height = np.where(np.abs(at) < width / 2, rise * (1 - (2 * at / width) ** 2), 0.0)
    caps = [
        measure(find_welds_in_profile(line(at, height, seed), joint="butt").welds[0].section)["cap_width"]
        for seed in range(24)
    ]
    assert all(isinstance(cap, Quantity) for cap in caps)
    errors = np.array([cap.value - width for cap in caps if isinstance(cap, Quantity)])
    expanded = np.array([cap.expanded_uncertainty or 0.0 for cap in caps if isinstance(cap, Quantity)])
    assert np.sqrt(np.mean(errors**2)) < 0.1
    assert np.median(expanded) < 0.16
    assert np.count_nonzero(np.abs(errors) > expanded) <= 3
