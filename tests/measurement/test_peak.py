"""What stands out of a surface that wanders: narrow things as well as broad ones, and seldom by chance."""

from __future__ import annotations

import numpy as np
import pytest

from measurement.peak import standing_out
from measurement.uncertainty import Noise

STEP_MM = 0.03
WANDER_MM = 0.007
NOISE = Noise(0.008, 21.0, 0.001, 0.03, STEP_MM, {})
"""A plate whose wander is one piece of information over 0.6 mm."""


def wandering(rng: np.random.Generator, count: int = 400) -> tuple[np.ndarray, np.ndarray]:
    white = rng.standard_normal(count + 60)
    smooth = np.convolve(white, np.hanning(31) / np.sqrt(np.sum(np.hanning(31) ** 2)), "valid")[:count]
    return np.arange(count) * STEP_MM, WANDER_MM * smooth


@pytest.mark.parametrize(("width_mm", "height_mm"), [(0.3, 0.12), (0.4, 0.08), (1.5, 0.05)])
def test_a_bump_of_any_width_stands_out(width_mm: float, height_mm: float) -> None:
    found = []
    for seed in range(20):
        along, height = wandering(np.random.default_rng(seed))
        bump = height_mm * np.clip(1 - ((along - 6.0) / (width_mm / 2)) ** 2, 0, None)
        peak, _ = standing_out(along, height + bump, NOISE, 0.001)
        found.append(peak is not None and abs(peak.along - 6.0) < width_mm / 2 + 0.1)
    assert np.mean(found) >= 0.95


def test_what_it_takes_is_told_and_seldom_reached_by_chance() -> None:
    reached = 0
    for seed in range(200):
        along, height = wandering(np.random.default_rng(1000 + seed))
        peak, reach = standing_out(along, height, NOISE, 0.001)
        reached += peak is not None
        assert 3.5 * 0.008 < reach < 0.05
    assert reached <= 10
