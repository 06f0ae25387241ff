"""Undercuts of a line that optics blur along as much as across: the interval holds what that takes of their depth."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d

from core.quantity import Quantity
from measurement import measure
from vision.find_profile import find_welds_in_profile
from vision.profile import Profile

STEP_MM, NOISE_MM = 0.045, 0.0015
FORMS = {
    "notch": lambda share: 1 - np.abs(2 * share - 1),
    "wave": lambda share: (1 - np.cos(2 * np.pi * share)) / 2,
    "bow": lambda share: 4 * share * (1 - share),
}


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize(("width", "depth", "sigma"), [(0.7, 0.4, 0.09), (0.9, 0.7, 0.1), (1.1, 0.5, 0.12)])
def test_the_interval_holds_what_blur_along_the_line_takes(form: str, width: float, depth: float, sigma: float) -> None:
    cap, rise, fine = 10.0, 1.5, 0.001
    at = np.arange(-25.0, 25.0, fine)
    share = (at - cap / 2) / width
    height = np.where(np.abs(at) < cap / 2, rise * (1 - (2 * at / cap) ** 2), 0.0)
    height -= np.where((share > 0) & (share < 1), depth * FORMS[form](share), 0.0)
    seen = np.arange(-24.0, 24.0, STEP_MM)
    blurred = np.interp(seen, at, gaussian_filter1d(height, sigma / fine))
    points = np.column_stack([seen, blurred + np.random.default_rng(1).normal(0, NOISE_MM, len(seen))])
    count = len(points)
    profile = Profile(
        points, np.full(count, NOISE_MM), False, np.zeros(count, bool), STEP_MM, blur_mm=0.5 * sigma, points_alone=True
    )
    found = measure(find_welds_in_profile(profile, joint="butt").welds[0].section)["undercut_right"]
    assert isinstance(found, Quantity)
    assert found.expanded_uncertainty is not None
    assert abs(found.value - depth) < found.expanded_uncertainty < 0.5 * depth
