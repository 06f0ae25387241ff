"""Drops of metal that stick to a weld, on profiles drawn with known dimensions."""

import numpy as np
import pytest
from numpy.typing import NDArray

from core.errors import NothingMeasurable
from core.geometry import Points
from core.quantity import Quantity
from inspection.gap_doubt import with_gaps
from measurement import measure
from vision.find_profile import find_welds_in_profile
from vision.found import FoundWelds
from vision.profile_file import profile_from_points
from vision.spatter import LEFT_OUT, bumps_of, without

STEP = 0.08


def butt(width: float = 8.0, height: float = 1.2) -> Points:
    """Return a profile of two level plates with a cap in the shape of a parabola."""
    x = np.arange(-25.0, 25.0, STEP)
    return np.column_stack([x, np.maximum(0.0, height * (1 - (2 * x / width) ** 2))])


def with_drop(points: Points, at: float, radius: float, share: float = 0.8) -> Points:
    """Put a half-ellipse on a profile, ``share`` of its radius high."""
    z = points[:, 1] + share * np.sqrt(np.maximum(radius**2 - (points[:, 0] - at) ** 2, 0.0))
    return np.column_stack([points[:, 0], z])


def noisy(points: Points, seed: int, std: float = 0.01) -> Points:
    return points + np.column_stack([np.zeros(len(points)), np.random.default_rng(seed).normal(0, std, len(points))])


def found(points: Points) -> FoundWelds:
    profile = profile_from_points(points)
    return with_gaps(find_welds_in_profile(profile, joint="butt"), profile)


def value(welds: FoundWelds, name: str) -> Quantity:
    quantity = measure(welds.welds[0].section)[name]
    assert isinstance(quantity, Quantity)
    return quantity


def codes(welds: FoundWelds) -> set[str]:
    return {flag.code for flag in welds.welds[0].flags}


@pytest.mark.parametrize("at", [-4.6, 4.6])
def test_a_drop_beside_a_toe_is_no_part_of_the_cap(at: float) -> None:
    points = noisy(with_drop(butt(), at, 0.7), 1)
    welds = found(points)
    assert LEFT_OUT in codes(welds)
    width = value(welds, "cap_width")
    assert abs(width.value - 8.0) < width.expanded_uncertainty
    # With the drop the cap would reach to the drop's outer foot.
    assert width.value < 8.0 + 0.6


def test_a_drop_on_the_cap_is_no_reinforcement() -> None:
    welds = found(noisy(with_drop(butt(), 0.5, 0.7), 2))
    assert LEFT_OUT in codes(welds)
    height = value(welds, "reinforcement")
    assert abs(height.value - 1.2) < max(height.expanded_uncertainty, 0.04)
    assert any("0.6 mm high" in flag.message or "0.5 mm high" in flag.message for flag in welds.welds[0].flags)


def test_a_drop_on_the_plate_is_told_as_spatter() -> None:
    """It is no part of the weld, and its height is a value of its own (definitions)."""
    welds = found(noisy(with_drop(butt(), -13.0, 0.7), 3))
    assert LEFT_OUT not in codes(welds)
    assert abs(value(welds, "spatter_height").value - 0.56) < 0.05
    assert abs(value(welds, "cap_width").value - 8.0) < 0.3


@pytest.mark.parametrize("std", [0.005, 0.03, 0.08])
def test_points_that_scatter_are_no_drops(std: float) -> None:
    for seed in range(10):
        assert bumps_of(profile_from_points(noisy(butt(), seed, std))) == []


def prepared_edge() -> Points:
    """Return a profile of a level plate and its bevel of 30 degrees."""
    at = np.arange(-15.0, 10.0, STEP)
    down = np.array([0.5, -np.sqrt(0.75)])
    return np.where(at[:, None] < 0, at[:, None] * [1.0, 0.0], at[:, None] * down)


@pytest.mark.parametrize("std", [0.03, 0.06, 0.09])
def test_the_corner_of_a_prepared_edge_is_no_drop_however_its_points_scatter(std: float) -> None:
    for seed in range(30):
        points = prepared_edge() + np.random.default_rng(seed).normal(0, std, (len(prepared_edge()), 2))
        assert bumps_of(profile_from_points(points)) == []


def test_a_drop_on_the_corner_of_a_prepared_edge_is_seen() -> None:
    points = prepared_edge()
    angle = np.radians(np.linspace(180.0, -60.0, 40))
    drop = 0.8 * np.column_stack([np.cos(angle), np.sin(angle)])
    inside = np.flatnonzero(np.hypot(*points.T) < 0.8)
    seen = noisy(np.vstack([points[: inside[0]], drop, points[inside[-1] + 1 :]]), 7)
    assert len(bumps_of(profile_from_points(seen))) == 1


def test_a_small_weld_is_none() -> None:
    """A cap as narrow as a drop is the weld where there is no other."""
    points = noisy(butt(2.0, 0.9), 4, 0.004)
    assert bumps_of(profile_from_points(points))
    try:
        welds = found(points)
    except NothingMeasurable:
        return
    assert LEFT_OUT not in codes(welds)


def test_what_is_left_out_is_a_gap_with_its_reason() -> None:
    profile = profile_from_points(noisy(with_drop(butt(), 0.0, 0.8), 5))
    (drop,) = bumps_of(profile)
    seen = without(profile, [drop])
    (gap,) = seen.gaps
    assert "spatter" in gap.reason
    assert gap.length_mm == pytest.approx(1.6, abs=0.25)
    assert len(seen.points_mm) == len(profile.points_mm) - (drop.stop - drop.start - 1)
    kept: NDArray[np.float64] = np.delete(profile.points_mm, np.arange(drop.start + 1, drop.stop), axis=0)
    assert np.array_equal(seen.points_mm, kept)


def test_the_outline_that_is_drawn_keeps_the_drop() -> None:
    """Hand gauges rest on what is there."""
    points = noisy(with_drop(butt(), 0.5, 0.7), 6)
    welds = found(points)
    assert len(welds.outline_mm[0]) == len(points)
