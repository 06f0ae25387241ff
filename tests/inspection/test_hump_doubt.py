"""A drop of spatter in an undercut is told with the weld."""

import numpy as np
import pytest

from inspection.picture import weld_entry
from inspection.settings import Settings
from measurement import measure
from vision.find_profile import find_welds_in_profile
from vision.profile_file import profile_from_points


def entry(hump_mm: float) -> dict:
    """Return the entry of a cap 10 mm wide with an undercut of 0.8 mm on its right, 2.6 mm wide."""
    x = np.arange(-25.0, 25.0, 0.06)
    z = np.maximum(0.0, 1.5 * (1 - (x / 5.0) ** 2))
    z -= np.where((x > 5.0) & (x < 7.6), 0.8 * np.sin(np.pi * (x - 5.0) / 2.6), 0.0)
    z += hump_mm / 0.45 * np.sqrt(np.maximum(0.45**2 - (x - 6.3) ** 2, 0.0))
    points = np.column_stack([x, z + np.random.default_rng(2).normal(0, 0.01, len(x))])
    weld = find_welds_in_profile(profile_from_points(points), joint="butt").welds[0]
    return weld_entry("1", weld, measure(weld.section), None, Settings(joint="butt"))


@pytest.mark.parametrize(("hump_mm", "told"), [(0.0, False), (0.3, True)])
def test_something_that_stands_in_an_undercut_is_told_and_leaves_its_depth_open(hump_mm: float, told: bool) -> None:
    found = entry(hump_mm)
    assert ("hump_in_undercut" in {flag["code"] for flag in found["flags"]}) == told
    depth = found["measurements"]["undercut_right"]
    assert abs(depth["value"] - 0.8) < depth["expanded_uncertainty"]
    assert (depth["value"] < 0.72) == told
    assert (depth["expanded_uncertainty"] > 0.1) == told
