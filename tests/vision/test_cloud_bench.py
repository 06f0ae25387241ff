"""What plates lie on, beside a section: left out where it is a bench, kept where it is a part of the joint."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from core.geometry import rotate
from core.quantity import Quantity
from measurement import measure
from vision.cloud import Cloud, sections
from vision.cloud_bench import bench_ends
from vision.find_profile import find_welds_in_profile
from vision.profile import Profile

NOISE_MM = 0.02


def along(corners: list[tuple[float, float]], spacing: float = 0.1) -> np.ndarray:
    """Points along straight pieces, those that go straight up or down left out, with scatter."""
    rng = np.random.default_rng(4)
    pieces = []
    for start, end in pairwise(corners):
        if start[0] != end[0]:
            count = int(np.hypot(end[0] - start[0], end[1] - start[1]) / spacing)
            pieces.append(np.linspace(start, end, count, endpoint=False))
    points = np.vstack(pieces)
    return points + rng.normal(0, NOISE_MM, points.shape)


BUTT = [(-20.0, 0.0), (-5.0, 0.0), (-2.0, 1.2), (2.0, 1.4), (5.0, 0.5), (20.0, 0.5)]


@pytest.mark.parametrize("drop_mm", [4.0, 15.0])
@pytest.mark.parametrize("turn_deg", [0.0, 20.0])
def test_a_bench_on_both_sides_is_left_out(drop_mm: float, turn_deg: float) -> None:
    corners = [(-45.0, -drop_mm), (-20.0, -drop_mm), *BUTT, (20.0, -drop_mm), (40.0, -drop_mm)]
    points = along(corners)
    first, last = bench_ends(rotate(points, np.radians(turn_deg)), NOISE_MM)
    assert points[first, 0] == pytest.approx(-20.0, abs=0.4)
    assert points[last - 1, 0] == pytest.approx(20.0, abs=0.4)


@pytest.mark.parametrize(
    "corners",
    [
        BUTT,
        [(-30.0, 0.0), (-6.0, 0.0), (0.0, 5.0), (0.0, 9.0), (20.0, 9.0)],  # a lap, the lower plate before its weld
        [(-30.0, 0.0), (-3.0, 0.0), (0.0, 3.0), (0.0, 30.0)],  # a tee whose standing plate shows no point
        [(-20.0, 0.0), (-6.0, 0.0), (-1.0, -9.0), (1.0, -9.0), (6.0, 0.0), (20.0, 0.0)],
    ],
)
def test_what_belongs_to_the_joint_is_kept(corners: list[tuple[float, float]]) -> None:
    points = along(corners)
    assert bench_ends(points, NOISE_MM) == (0, len(points))
    mirrored = (points * [-1.0, 1.0])[::-1]
    assert bench_ends(mirrored, NOISE_MM) == (0, len(points))


def test_plates_are_measured_and_not_the_bench_that_is_longer() -> None:
    """In a profile and in a cloud; the right plate lies 0.5 mm higher, both sides of the bench alike."""
    profile_points = along([(-60.0, -3.0), (-20.0, -3.0), *BUTT, (20.0, -3.0), (60.0, -3.0)])
    count = len(profile_points)
    profile = Profile(
        profile_points, np.full(count, NOISE_MM), closed=False, cut=np.zeros(count, bool), resolution_mm=0.1
    )
    told = [measure(find_welds_in_profile(profile, joint="butt").welds[0].section)["misalignment"]]

    rng = np.random.default_rng(8)
    line = np.array(BUTT)
    across = rng.uniform(-45, 45, 60_000)
    place = rng.uniform(-12, 42, 60_000)
    on_plate = (np.abs(across) < 20) & (place > 0) & (place < 30)
    height = np.where(on_plate, np.interp(across, line[:, 0], line[:, 1]), -10.0)
    cloud = np.column_stack([across, place, height]) + rng.normal(0, 0.03, (60_000, 3))
    found = sections(Cloud(cloud), 4.0, joint="butt")
    assert found.info.length_mm == pytest.approx(30.0, abs=8.0)
    assert found.info.bend_mm < 0.2
    flip = np.sign(found.info.seam[1])
    for section in found:
        if section.profile is not None:
            weld = find_welds_in_profile(section.profile, joint="butt").welds[0]
            told.append(measure(weld.section)["misalignment"])
    assert len(told) > 4
    for value, sign in zip(told, [1.0, *[flip] * (len(told) - 1)], strict=True):
        assert isinstance(value, Quantity)
        assert sign * value.value == pytest.approx(0.5, abs=0.08)
