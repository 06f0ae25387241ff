"""Two square edges seen from one side: measured when a person says that they are a groove, never by themselves."""

from __future__ import annotations

import numpy as np
import pytest

from core.errors import NothingMeasurable
from core.quantity import NotMeasurable, Quantity
from measurement import measure
from vision.find import find_welds_in_profile
from vision.profile import Profile


def profile(gap_mm: float, offset_mm: float, *, more: tuple[float, float] | None = None, seed: int = 1) -> Profile:
    """Surfaces of two plates, points every 0.045 mm, nothing between them; ``more``: points missing there."""
    rng = np.random.default_rng(seed)
    x = np.arange(-15.0, 15.0, 0.045)
    x = x[np.abs(x) > gap_mm / 2]
    if more is not None:
        x = x[(x < more[0]) | (x > more[1])]
    points = np.column_stack([x, np.where(x > 0, offset_mm, 0.0) + rng.normal(0, 0.008, len(x))])
    std = np.full(len(x), 0.008)
    return Profile(points, std, False, np.zeros(len(x), bool), 0.045)


@pytest.mark.parametrize(("gap", "offset"), [(2.0, 0.0), (3.2, 0.8), (1.2, -0.6), (4.5, 1.5)])
def test_gap_and_misalignment(gap: float, offset: float) -> None:
    (weld,) = find_welds_in_profile(profile(gap, offset), joint="groove").welds
    values = measure(weld.section)
    assert weld.section.joint == "groove"
    assert "square_edges_taken" in [flag.code for flag in weld.flags]
    for name, true in (("root_gap", gap), ("misalignment", offset)):
        value = values[name]
        assert isinstance(value, Quantity)
        assert abs(value.value - true) <= max(value.expanded_uncertainty or 0, 0.02)
        assert value.expanded_uncertainty < 0.12
    for name in (
        "bevel_angle_left",
        "preparation_depth_left",
        "root_face_right",
        "thickness_left",
        "root_misalignment",
    ):
        assert isinstance(values[name], NotMeasurable), name


def test_not_by_itself_and_not_with_a_second_place_without_points() -> None:
    with pytest.raises(NothingMeasurable):
        find_welds_in_profile(profile(2.0, 0.3))
    with pytest.raises(NothingMeasurable):
        find_welds_in_profile(profile(2.0, 0.3, more=(8.0, 10.0)), joint="groove")
    with pytest.raises(NothingMeasurable):
        find_welds_in_profile(profile(12.0, 0.0), joint="groove")


@pytest.mark.parametrize("beyond", [3, 6, 9])
def test_a_few_points_beyond_a_gap_are_no_plate(beyond: int) -> None:
    rng = np.random.default_rng(2)
    x = np.concatenate([np.arange(-15.0, 0.0, 0.2), 2.5 + 0.2 * np.arange(beyond)])
    points = np.column_stack([x, rng.normal(0, 0.01, len(x))])
    few = Profile(points, np.full(len(x), 0.01), False, np.zeros(len(x), bool), 0.2)
    with pytest.raises(NothingMeasurable):
        find_welds_in_profile(few, joint="groove")
