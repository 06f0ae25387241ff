"""Plates that are bowed, on profiles drawn with known bends."""

from __future__ import annotations

import numpy as np
import pytest

from core.geometry import Points
from core.quantity import Quantity
from measurement import measure
from vision.find_profile import find_welds_in_profile
from vision.found import FoundWelds
from vision.profile_file import profile_from_points


def butt(radius_mm: float, seed: int, *, wander: float = 0.0) -> Points:
    """Return a cap between plates on a circle of a radius, or that wander over 1.2 mm, with noise."""
    rng = np.random.default_rng(seed)
    x = np.arange(-30.0, 30.0, 0.06)
    z = np.maximum(0.0, 1.2 * (1 - (x / 4.0) ** 2)) - (0.0 if radius_mm == 0 else x**2 / (2 * radius_mm))
    pieces = np.arange(-31.2, 32.4, 1.2)
    z = z + np.interp(x, pieces, rng.normal(0, wander, len(pieces))) + rng.normal(0, 0.01, len(x))
    return np.column_stack([x, z])


def found(points: Points) -> FoundWelds:
    return find_welds_in_profile(profile_from_points(points), joint="butt")


def codes(welds: FoundWelds) -> set[str]:
    return {flag.code for flag in welds.welds[0].flags}


@pytest.mark.parametrize("radius_mm", [1500.0, 2500.0])
def test_an_interval_holds_both_the_plates_as_a_whole_and_at_the_weld(radius_mm: float) -> None:
    """Where the plates meet they do not lean against each other; straight lines through them do."""
    for seed in range(4):
        welds = found(butt(radius_mm, seed))
        assert "plate_bowed" in codes(welds)
        angle = measure(welds.welds[0].section)["angular_misalignment"]
        assert isinstance(angle, Quantity)
        assert angle.value > 0.4
        # From the middle of one plate to the middle of the other the circle turns by so much.
        assert abs(angle.value - np.degrees(34.0 / radius_mm)) < angle.expanded_uncertainty
        assert angle.value < 2.0 * angle.expanded_uncertainty


def test_a_plate_that_is_straight_or_wanders_is_not_bowed() -> None:
    for seed in range(8):
        assert "plate_bowed" not in codes(found(butt(0.0, seed)))
        assert "plate_bowed" not in codes(found(butt(0.0, seed, wander=0.015)))


def test_the_flag_tells_how_far() -> None:
    """A chord of 26 mm of a circle of 1500 mm has a sagitta of 26² / (8 · 1500) = 0.056 mm."""
    messages = [flag.message for flag in found(butt(1500.0, 1)).welds[0].flags if flag.code == "plate_bowed"]
    assert messages
    assert all("by 0.05 mm" in text or "by 0.06 mm" in text for text in messages)
