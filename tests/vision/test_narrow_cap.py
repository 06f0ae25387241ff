"""A weld that takes up little of the field is a weld, and no pit or spatter on a plate."""

from __future__ import annotations

import numpy as np
import pytest

from core.quantity import Quantity
from measurement import measure
from vision.find_profile import find_welds_in_profile
from vision.profile import Profile

STEP_MM, NOISE_MM = 0.045, 0.004


def butt(width_mm: float, height_mm: float, plate_mm: float, *, seed: int, pit_mm: float = 0.0) -> Profile:
    """A cap that is an arc of a parabola, above the plates or below them; a pit in the right one where it is given."""
    rng = np.random.default_rng(seed)
    x = np.arange(-plate_mm, plate_mm, STEP_MM)
    y = np.where(np.abs(x) < width_mm / 2, height_mm * (1 - (2 * x / width_mm) ** 2), 0.0)
    if pit_mm > 0:
        away = (x - width_mm / 2 - 6.0) / 0.4
        y = y - pit_mm * np.maximum(1 - away**2, 0.0)
    points = np.column_stack([x, y + rng.normal(0, NOISE_MM, len(x))])
    return Profile(points, np.full(len(x), NOISE_MM), False, np.zeros(len(x), bool), STEP_MM)


@pytest.mark.parametrize("height", [0.8, -0.4])
@pytest.mark.parametrize(("width", "plate"), [(6.0, 30.0), (6.0, 60.0), (4.0, 45.0), (12.0, 60.0)])
@pytest.mark.parametrize("pit", [0.0, 0.3])
def test_a_cap_is_found_however_much_plate_is_seen(height: float, width: float, plate: float, pit: float) -> None:
    for seed in (1, 2):
        profile = butt(width, height, plate, seed=seed, pit_mm=pit)
        (weld,) = find_welds_in_profile(profile, joint="butt").welds
        assert weld.section.face is not None
        assert not weld.section.face.untold
        values = measure(weld.section)
        for name, true in (("cap_width", width), ("reinforcement", max(height, 0.0)), ("underfill", max(-height, 0.0))):
            value = values[name]
            assert isinstance(value, Quantity)
            assert abs(value.value - true) <= 1.5 * (value.expanded_uncertainty or 0) + 0.002, (name, seed)
