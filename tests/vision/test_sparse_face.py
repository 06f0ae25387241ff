"""A face that is steeper than the surfaces beside it, so that its points lie farther apart."""

import numpy as np
import pytest

from core.quantity import Quantity
from measurement import measure
from vision.find_profile import find_welds_in_profile
from vision.profile_file import profile_from_points


def lap(face_step_mm: float, seed: int) -> np.ndarray:
    """Return a lap of legs 6 and 7 mm on an upper plate of 10 mm: points every 0.11 mm but on face and edge."""
    corners = np.array([[-20.0, 10.0], [0.0, 10.0], [0.0, 6.0], [7.0, 0.0], [26.0, 0.0]])
    parts = []
    for first, last, step in zip(corners[:-1], corners[1:], (0.11, 0.11, face_step_mm, 0.11), strict=True):
        share = np.arange(0.0, 1.0, step / np.hypot(*(last - first)))[:, None]
        parts.append(first + share * (last - first))
    points = np.vstack(parts)
    return points + np.random.default_rng(seed).normal(0, 0.01, points.shape)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("face_step_mm", [0.11, 0.28, 0.33])
def test_the_toes_of_a_steep_face_are_told_by_few_points(face_step_mm: float, seed: int) -> None:
    values = measure(find_welds_in_profile(profile_from_points(lap(face_step_mm, seed)), joint="lap").welds[0].section)
    for name, true in (("leg_left", 6.0), ("leg_right", 7.0)):
        leg = values[name]
        assert isinstance(leg, Quantity)
        assert abs(leg.value - true) < max(1.5 * (leg.expanded_uncertainty or 0.0), 0.03)
        assert (leg.expanded_uncertainty or 1.0) < 0.4
