"""A groove of which one face lies in the dark, or whose ends run together, is not guessed at."""

from __future__ import annotations

import math

import numpy as np
import pytest

from core.geometry import Line
from core.quantity import NotMeasurable, Quantity
from measurement import measure
from vision.find_profile import find_welds_in_profile
from vision.found import FoundWeld
from vision.member_ends import gap_in_face
from vision.profile import Profile
from vision.profile_file import profile_from_points
from vision.runs import Run

STEP_MM, NOISE_MM = 0.045, 0.004
RADIUS_MM, BEVEL_DEG, GAP_MM, DEPTH_MM = 3.0, 12.0, 1.4, 9.0


def u_groove(*, dark: bool, seed: int = 1, land_mm: float = 0.0) -> Profile:
    """Two sides of a U: surface, bevel, radius, root face; the bevel on the left lies in the dark, or both are seen.

    Points follow each other by the way along the section.
    """
    rng = np.random.default_rng(seed)
    turn = np.radians(np.linspace(0.0, 90.0 - BEVEL_DEG, 60))
    arc = np.column_stack([RADIUS_MM * np.sin(turn), RADIUS_MM * (1 - np.cos(turn))])
    arc += [GAP_MM / 2, -DEPTH_MM]
    top = arc[-1, 0] - arc[-1, 1] * math.tan(math.radians(BEVEL_DEG))
    right = np.vstack([arc[:1] - [0.0, land_mm], arc, [[top, 0.0], [24.0, 0.0]]])
    parts = []
    for side in (-1, 1):
        corners = right * [side, 1]
        length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(corners, axis=0).T))])
        at = np.arange(0, length[-1], STEP_MM)
        points = np.column_stack([np.interp(at, length, corners[:, i]) for i in (0, 1)])
        if dark and side < 0:
            points = points[(points[:, 1] < arc[-1, 1] - 0.6) | (points[:, 1] > -0.001)]
        parts.append(points[::-1] if side < 0 else points)
    points = np.vstack(parts)
    points[:, 1] += rng.normal(0, NOISE_MM, len(points))
    return Profile(points, np.full(len(points), NOISE_MM), False, np.zeros(len(points), bool), STEP_MM)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_radius_is_not_taken_for_the_face_above_it(seed: int) -> None:
    (whole,) = find_welds_in_profile(u_groove(dark=False, seed=seed), joint="groove").welds
    for side in ("left", "right"):
        value = measure(whole.section)[f"bevel_angle_{side}"]
        assert isinstance(value, Quantity)
        assert abs(value.value - BEVEL_DEG) <= 2 * (value.expanded_uncertainty or 0)
    (weld,) = find_welds_in_profile(u_groove(dark=True, seed=seed), joint="groove").welds
    values = measure(weld.section)
    for name in ("bevel_angle_left", "groove_angle"):
        value = values[name]
        assert isinstance(value, NotMeasurable), name
        assert "left face" in value.reason
    seen = values["bevel_angle_right"]
    assert isinstance(seen, Quantity)
    assert abs(seen.value - BEVEL_DEG) <= 2 * (seen.expanded_uncertainty or 0)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_gap_is_that_of_the_ends(seed: int) -> None:
    (whole,) = find_welds_in_profile(u_groove(dark=False, seed=seed), joint="groove").welds
    gap = measure(whole.section)["root_gap"]
    assert isinstance(gap, Quantity)
    assert abs(gap.value - GAP_MM) <= (gap.expanded_uncertainty or 0)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_root_face_below_a_radius_is_no_part_of_the_depth(seed: int) -> None:
    (whole,) = find_welds_in_profile(u_groove(dark=False, seed=seed, land_mm=0.9), joint="groove").welds
    values = measure(whole.section)
    for name, true in (
        ("preparation_depth_left", DEPTH_MM),
        ("preparation_depth_right", DEPTH_MM),
        ("root_gap", GAP_MM),
        ("bevel_angle_left", BEVEL_DEG),
    ):
        value = values[name]
        assert isinstance(value, Quantity), name
        assert abs(value.value - true) <= max(value.expanded_uncertainty or 0, 0.06), name


def in_line(more: int) -> tuple[np.ndarray, list[Run]]:
    """Two plates, walls down to feet that lie in one line with a gap of 1.4 mm in it, and other gaps on the plates."""
    parts = [
        np.column_stack([np.arange(-12.0, -3.0, 0.1), np.zeros(90)]),
        np.column_stack([np.linspace(-3.0, -2.0, 50), np.linspace(-0.1, -5.0, 50)]),
        np.column_stack([np.arange(-2.0, -0.7, 0.1), np.linspace(-5.1, -5.2, 13)]),
        np.column_stack([np.arange(0.7, 2.0, 0.1), np.linspace(-5.3, -5.4, 13)]),
        np.column_stack([np.linspace(2.0, 3.0, 50), np.linspace(-5.4, 0.0, 50)]),
        np.column_stack([np.arange(3.1, 12.0, 0.1), np.zeros(89)]),
    ]
    for _ in range(more):
        parts[0] = parts[0][(parts[0][:, 0] < -8.0) | (parts[0][:, 0] > -6.9)]
    points = np.vstack(parts)
    ends = np.cumsum([0, *(len(part) for part in parts)])

    def run(first: int, last: int) -> Run:
        line = Line.through(points[first], points[last])
        return Run(first, last, line, math.dist(points[first], points[last]), cut=False)

    left, right = run(0, int(ends[1]) - 1), run(int(ends[5]), len(points) - 1)
    down, up = run(int(ends[2]), int(ends[3]) + 9), run(int(ends[3]) + 9, int(ends[5]) - 1)
    return points, [left, down, up, right]


def test_the_gap_between_feet_that_lie_in_line_is_seen() -> None:
    """One straight run leads over it. Where points are missing elsewhere it may be one more such place."""
    points, (left, down, up, right) = in_line(0)
    at = gap_in_face(points, down, up, left, right)
    assert at is not None
    assert points[at + 1, 0] - points[at, 0] == pytest.approx(1.5, abs=0.11)
    points, (left, down, up, right) = in_line(1)
    assert gap_in_face(points, down, up, left, right) is None


def half_v(first_mm: float) -> FoundWeld:
    """A bevel that ends 6 mm deep, and the surface of the other plate from a place on, 2.5 mm left of the middle."""
    right = np.array([[first_mm, 0.2], [25.0, 0.2]])
    corners = np.array([[-25.0, 0.0], [-6.0, 0.0], [-2.5, -6.0]])
    length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(corners, axis=0).T))])
    at = np.arange(0.0, length[-1], 0.1)
    left = np.column_stack([np.interp(at, length, corners[:, i]) for i in (0, 1)])
    along = np.arange(right[0, 0], right[1, 0], 0.1)
    points = np.vstack([left, np.column_stack([along, np.full(len(along), 0.2)])])
    points[:, 1] += np.random.default_rng(1).normal(0, 0.01, len(points))
    profile = Profile(points, np.full(len(points), 0.01), False, np.zeros(len(points), bool), 0.1)
    (weld,) = find_welds_in_profile(profile, joint="groove").welds
    return weld


@pytest.mark.parametrize(("first_mm", "told"), [(3.0, True), (-2.4, False)])
def test_a_face_that_is_seen_alone_is_told(first_mm: float, told: bool) -> None:
    """What the edge of the other plate hides looks like the end of the face: straight below it is none."""
    weld = half_v(first_mm)
    assert [flag.message for flag in weld.flags if flag.code == "face_ends_apart"] == [
        "only the left face is seen, which may go on where no light came back"
    ]
    depth = measure(weld.section)["preparation_depth_left"]
    assert isinstance(depth, Quantity) is told
    assert told or "may hide the lower part of the left face" in depth.reason


@pytest.mark.parametrize("missing", [0.0, 0.3])
def test_a_steep_face_is_known_to_end_no_better_than_its_points_are_apart(missing: float) -> None:
    """A device looks at equal steps across: on a face of 25 degrees two points lie far apart, and some are missing."""
    held = 0
    for seed in range(8):
        rng = np.random.default_rng(seed)
        x = np.arange(-25.0, 25.0, 0.08) + rng.uniform(0, 0.08)
        depth = np.clip(
            (1.25 + 8.0 * math.tan(math.radians(25.0)) - np.abs(x)) / math.tan(math.radians(25.0)), 0.0, None
        )
        seen = (np.abs(x) > 1.25) & (rng.random(len(x)) >= missing)
        points = np.column_stack([x, rng.normal(0, 0.02, len(x)) - depth])[seen]
        (weld,) = find_welds_in_profile(profile_from_points(points), joint="groove").welds
        gap = measure(weld.section)["root_gap"]
        assert isinstance(gap, Quantity)
        held += abs(gap.value - 2.5) <= (gap.expanded_uncertainty or 0.0)
    assert held >= 6


def v_groove(seed: int, *, right_mm: float = 6.0, left_mm: float = 6.0) -> np.ndarray:
    """Return the points of two plates with bevels of 30 degrees, 2 mm apart, that come back to so many mm of depth."""
    rng = np.random.default_rng(seed)
    lean = math.tan(math.radians(30.0))
    parts = []
    for side, seen_mm in ((-1, left_mm), (1, right_mm)):
        corners = np.array([[1.0 + (6.0 - seen_mm) * lean, -seen_mm], [1.0 + 6.0 * lean, 0.0], [24.0, 0.0]])
        length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(corners, axis=0).T))])
        at = np.arange(0.0, length[-1], 0.06)
        points = np.column_stack([side * np.interp(at, length, corners[:, 0]), np.interp(at, length, corners[:, 1])])
        parts.append(points[::-1] if side < 0 else points)
    points = np.vstack(parts)
    points[:, 1] += rng.normal(0, 0.01, len(points))
    return points


def values_of(points: np.ndarray) -> dict[str, Quantity | NotMeasurable]:
    (weld,) = find_welds_in_profile(profile_from_points(points), joint="groove").welds
    return dict(measure(weld.section))


@pytest.mark.parametrize("lost_mm", [1.6, 3.0])
def test_a_face_that_ends_higher_may_go_on_as_deep_as_the_other(lost_mm: float) -> None:
    """Its interval, and that of the gap, reach to where it would end then."""
    for seed in range(3):
        values = values_of(v_groove(seed, right_mm=6.0 - lost_mm))
        depth, gap, other = (values[n] for n in ("preparation_depth_right", "root_gap", "preparation_depth_left"))
        assert isinstance(depth, Quantity)
        assert isinstance(gap, Quantity)
        assert isinstance(other, Quantity)
        assert abs(depth.value - 6.0) <= (depth.expanded_uncertainty or 0)
        assert abs(gap.value - 2.0) <= (gap.expanded_uncertainty or 0)
        assert (other.expanded_uncertainty or 0) < 0.3


def test_points_between_two_surfaces_are_no_end_of_a_face() -> None:
    """A beam that falls half on the end of a face and half on the other plate is told in between."""
    for seed in range(3):
        points = v_groove(seed)
        end = int(np.argmax(np.diff(points[:, 0])))
        between = points[end] + np.array([[0.01, 0.2], [0.015, 0.6], [0.02, 2.2]])
        depth = values_of(np.insert(points, end + 1, between, axis=0))["preparation_depth_left"]
        assert isinstance(depth, Quantity)
        assert abs(depth.value - 6.0) <= max(depth.expanded_uncertainty or 0, 0.1)
        assert (depth.expanded_uncertainty or 0) < 0.5


@pytest.mark.parametrize("side", [-1, 1])
@pytest.mark.parametrize("offset_mm", [-0.8, 0.0, 0.6])
def test_surfaces_tell_the_misalignment_where_one_edge_shows_no_face(side: int, offset_mm: float) -> None:
    """A bevel against a square edge: the gap and what belongs to the square edge stay open."""
    rng = np.random.default_rng(5)
    x = np.arange(-25.0, 25.0, STEP_MM)
    height = np.where(x < 0, 0.0, offset_mm)
    bevel = (x * side < 5.0) & (x * side > 1.0)
    # The bevel goes down from 5 mm to 1 mm beside the middle; the square edge stands on the other side of the gap.
    height[bevel] -= (5.0 - x[bevel] * side) * 1.6
    seen = (x * side > 1.0) | (x * side < -1.0)
    points = np.column_stack([x, height + rng.normal(0, NOISE_MM, len(x))])[seen]
    profile = Profile(points, np.full(len(points), NOISE_MM), False, np.zeros(len(points), bool), STEP_MM)
    (weld,) = find_welds_in_profile(profile, joint="groove").welds
    assert (weld.section.edge_left is None) != (weld.section.edge_right is None)
    values = measure(weld.section)
    offset = values["misalignment"]
    assert isinstance(offset, Quantity)
    assert abs(offset.value - offset_mm) <= (offset.expanded_uncertainty or 0) < 0.02
    square = "left" if side > 0 else "right"
    for name in ("root_gap", "groove_angle", f"bevel_angle_{square}", f"preparation_depth_{square}"):
        assert isinstance(values[name], NotMeasurable), name
