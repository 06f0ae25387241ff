"""Two square edges seen from one side: measured when a person says that they are a groove, never by themselves."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from core.errors import NothingMeasurable
from core.quantity import NotMeasurable, Quantity
from measurement import measure
from vision.find_profile import find_welds_in_profile
from vision.profile import Profile
from vision.square_gap import gap_among


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


def test_not_by_itself_and_not_wider_than_gaps_are() -> None:
    with pytest.raises(NothingMeasurable):
        find_welds_in_profile(profile(2.0, 0.3))
    with pytest.raises(NothingMeasurable):
        find_welds_in_profile(profile(12.0, 0.0), joint="groove")


@pytest.mark.parametrize("more", [(8.0, 10.5), (1.6, 3.1), (-4.0, -3.2)])
@pytest.mark.parametrize("offset", [0.3, -0.8])
def test_surfaces_tell_the_gap_from_another_place_without_points(offset: float, more: tuple[float, float]) -> None:
    for seed in (1, 2, 3):
        (weld,) = find_welds_in_profile(profile(2.0, offset, more=more, seed=seed), joint="groove").welds
        values = measure(weld.section)
        for name, true in (("root_gap", 2.0), ("misalignment", offset)):
            value = values[name]
            assert isinstance(value, Quantity), name
            assert abs(value.value - true) <= max(value.expanded_uncertainty or 0, 0.02), name


@pytest.mark.parametrize("more", [(8.0, 10.5), (1.6, 3.1), (-4.0, -3.2)])
def test_level_plates_leave_open_which_place_is_the_gap(more: tuple[float, float]) -> None:
    for offset in (0.0, 0.03):
        (weld,) = find_welds_in_profile(profile(2.0, offset, more=more), joint="groove").welds
        values = measure(weld.section)
        gap, misalignment = values["root_gap"], values["misalignment"]
        assert isinstance(gap, NotMeasurable)
        assert "2 places" in gap.reason
        assert isinstance(misalignment, Quantity)
        assert abs(misalignment.value - offset) <= (misalignment.expanded_uncertainty or 0)


def test_an_end_that_stands_alone_parts_no_surface() -> None:
    """The place behind it passed for a step of the surfaces, and a dropout of 2.5 mm for the gap of 2 mm."""
    level = profile(2.0, 0.0, more=(8.0, 10.5))
    points = level.points_mm
    keep = np.ones(len(points), bool)
    for first, last in ((7.7, 7.98), (10.52, 10.8)):
        keep &= (points[:, 0] < first) | (points[:, 0] > last)
    assert np.count_nonzero(keep) < len(points)
    spoiled = replace(level, points_mm=points[keep], std_mm=level.std_mm[keep], cut=level.cut[keep], gaps=())
    (weld,) = find_welds_in_profile(spoiled, joint="groove").welds
    gap = measure(weld.section)["root_gap"]
    assert isinstance(gap, NotMeasurable)
    assert "2 places" in gap.reason


def test_surfaces_that_step_at_two_places_are_not_measured() -> None:
    stepped = profile(2.0, 0.5, more=(5.0, 6.0))
    points = stepped.points_mm.copy()
    points[points[:, 0] > 5.5, 1] += 0.6
    with pytest.raises(NothingMeasurable):
        find_welds_in_profile(replace(stepped, points_mm=points), joint="groove")


def test_a_strip_in_the_gap_is_part_of_it() -> None:
    plates = profile(4.0, 0.0)
    strip = np.column_stack([np.arange(-0.5, 0.5, 0.045), np.full(23, -9.0)])
    at = int(np.searchsorted(plates.points_mm[:, 0], 0.0))
    points = np.insert(plates.points_mm, at, strip, axis=0)
    chosen = gap_among(points, [at - 1, at + len(strip) - 1])
    assert chosen is not None
    assert chosen.doubt is None
    assert chosen.place.width(points) == pytest.approx(4.0, abs=0.1)


@pytest.mark.parametrize("beyond", [3, 6, 9])
def test_a_few_points_beyond_a_gap_are_no_plate(beyond: int) -> None:
    rng = np.random.default_rng(2)
    x = np.concatenate([np.arange(-15.0, 0.0, 0.2), 2.5 + 0.2 * np.arange(beyond)])
    points = np.column_stack([x, rng.normal(0, 0.01, len(x))])
    few = Profile(points, np.full(len(x), 0.01), False, np.zeros(len(x), bool), 0.2)
    with pytest.raises(NothingMeasurable):
        find_welds_in_profile(few, joint="groove")
