"""A cap that leaves its plates gently, under a clean line: its width is known far better than to half a millimetre."""

from __future__ import annotations

import numpy as np
import pytest

from measurement import measure
from vision.find_profile import find_welds_in_profile
from vision.profile import Profile

WIDTH_MM, NOISE_MM, STEP_MM = 12.0, 0.002, 0.045


@pytest.mark.parametrize("slope_deg", [5.0, 7.0, 9.0])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_gentle_cap_is_as_wide_as_stated_and_not_stated_far_too_widely(slope_deg: float, seed: int) -> None:
    """A parabola, so that its toes are where it was drawn to leave the plates."""
    x = np.arange(-25.0, 25.0, STEP_MM)
    rise = WIDTH_MM / 4 * np.tan(np.radians(slope_deg))
    z = rise * np.maximum(0.0, 1 - (2 * x / WIDTH_MM) ** 2)
    points = np.column_stack([x, z + np.random.default_rng(seed).normal(0.0, NOISE_MM, len(x))])
    stds, kept = np.full(len(x), NOISE_MM), np.zeros(len(x), bool)
    line = Profile(points, stds, False, kept, STEP_MM, points_alone=True)
    weld = find_welds_in_profile(line, joint="butt").welds[0]
    width = measure(weld.section)["cap_width"]
    assert abs(width.value - WIDTH_MM) <= width.expanded_uncertainty
    assert width.expanded_uncertainty < 0.25
