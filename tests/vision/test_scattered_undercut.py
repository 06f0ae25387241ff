"""An undercut beside a cap of which single points scatter up to the plate line is still no part of the face."""

from __future__ import annotations

import numpy as np
import pytest

from core.quantity import Quantity
from measurement import measure
from vision.find_profile import find_welds_in_profile
from vision.profile_file import profile_from_points


@pytest.mark.parametrize("seed", [2, 12, 38, 39])
def test_a_cap_ends_before_its_undercut(seed: int) -> None:
    """Of these four profiles three were told as 9.9 mm wide, without an undercut: the toe lay on its far rim."""
    rng = np.random.default_rng(seed)
    x = np.arange(-25, 25, 0.06)
    cap = 1.3 * (1 - (x / 4.5) ** 2)
    undercut = -0.24 * np.maximum(0, 1 - np.abs((x - 4.95) / 0.45))
    height = np.where(np.abs(x) < 4.5, cap, undercut) + rng.normal(0, 0.022, len(x))
    (weld,) = find_welds_in_profile(profile_from_points(np.column_stack([x, height])), joint="butt").welds
    values = measure(weld.section)
    width, depth = values["cap_width"], values["undercut_right"]
    assert isinstance(width, Quantity)
    assert abs(width.value - 9.0) < 0.3
    assert not isinstance(depth, Quantity) or depth.value > 0.1
