"""A prepared joint seen from one side: where its faces end, and what is said when one ends higher than the other."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from core.geometry import Line
from core.quantity import Quantity
from measurement import measure
from vision.find_profile import find_welds_in_profile
from vision.groove_edges import _in_pieces
from vision.open_groove import _dark_after
from vision.profile import Profile
from vision.runs import Run

STEP_MM, NOISE_MM = 0.045, 0.003


def profile(
    depth_left: float, depth_right: float, *, gap: float = 2.0, end_std_mm: float | None = 0.006, flat_mm: float = 0.0
) -> Profile:
    """Return two plates with bevels of 30 degrees, the left edge broken by a flat; what goes down is not lit."""
    slope = math.tan(math.radians(30.0))
    corner = -gap / 2 - depth_left * slope
    broken = [[corner - flat_mm * math.sqrt(0.5), 0.0], [corner + 0.41 * flat_mm, -0.71 * flat_mm]]
    left = [[-25.0, 0.0], *(broken if flat_mm else [[corner, 0.0]]), [-gap / 2, -depth_left]]
    right = [[gap / 2, -depth_right], [gap / 2 + depth_right * slope, 0.0], [25.0, 0.0]]
    pieces = [_sampled(np.array(piece)) for piece in (left, right)]
    points = np.vstack(pieces)
    points = points + np.random.default_rng(3).normal(0, NOISE_MM, points.shape)
    last = len(pieces[0]) - 1
    points[[last, last + 1]] = pieces[0][-1], pieces[1][0]
    ends = {}
    if end_std_mm is not None:
        ends = {last: _shifts(left[-1], left[-2], end_std_mm), last + 1: _shifts(right[0], right[1], end_std_mm)}
    count = len(points)
    return Profile(
        points, np.full(count, NOISE_MM), False, np.zeros(count, bool), STEP_MM, blur_mm=0.05, end_shifts_mm=ends
    )


def _shifts(end: list[float], before: list[float], std_mm: float) -> np.ndarray:
    """Return what is not known of an end along its face, and half as much across it."""
    along = np.subtract(end, before) / np.hypot(*np.subtract(end, before))
    return std_mm * np.array([along, [-0.5 * along[1], 0.5 * along[0]]])


def _sampled(line: np.ndarray) -> np.ndarray:
    length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    along = np.unique(np.concatenate([np.arange(0, length[-1], STEP_MM), length]))
    return np.column_stack([np.interp(along, length, line[:, i]) for i in (0, 1)])


def quantity(made: Profile, name: str) -> Quantity:
    (weld,) = find_welds_in_profile(made, joint="groove").welds
    value = measure(weld.section)[name]
    assert isinstance(value, Quantity)
    return value


@pytest.mark.parametrize(("name", "true"), [("root_gap", 2.0), ("preparation_depth_left", 6.0)])
def test_ends_that_are_told_make_gap_and_depth_sure(name: str, true: float) -> None:
    told, untold = (quantity(profile(6.0, 6.0, end_std_mm=std), name) for std in (0.006, None))
    assert told.value == pytest.approx(true, abs=0.01)
    assert abs(told.value - true) <= told.expanded_uncertainty < 0.025
    assert untold.expanded_uncertainty > 3 * told.expanded_uncertainty


@pytest.mark.parametrize(("right", "flagged"), [(6.0, False), (5.5, False), (4.4, True), (9.0, True)])
def test_faces_that_end_far_apart_are_told(right: float, flagged: bool) -> None:
    (weld,) = find_welds_in_profile(profile(6.0, right), joint="groove").welds
    assert ("face_ends_apart" in [flag.code for flag in weld.flags]) == flagged
    assert weld.flags == weld.section.flags


def test_a_broken_edge_is_not_taken_for_the_bevel() -> None:
    broken = profile(10.0, 10.0, flat_mm=0.9)
    for name, true, within in (("bevel_angle_left", 30.0, 0.1), ("root_gap", 2.0, 0.02), ("groove_angle", 60.0, 0.15)):
        assert quantity(broken, name).value == pytest.approx(true, abs=within), name


def spoiled(change: dict[int, tuple[float, float]]) -> Profile:
    """Return the profile of two alike bevels with single points moved, by their place from the left corner on."""
    made = profile(5.0, 5.0)
    points = np.array(made.points_mm)
    corner = int(np.argmin(np.hypot(*(points - [-1.0 - 5.0 * math.tan(math.radians(30.0)), 0.0]).T)))
    for place, by in change.items():
        points[corner + place] += by
    return replace(made, points_mm=points)


def test_sparks_at_an_edge_are_no_metal_above_the_groove() -> None:
    made = spoiled({-1: (0.0, 0.6), 1: (0.0, 0.9)})
    assert quantity(made, "root_gap").value == pytest.approx(2.0, abs=0.1)
    assert quantity(made, "bevel_angle_left").value == pytest.approx(30.0, abs=0.3)


def test_a_bevel_that_scatters_at_its_corner_still_follows_the_plate() -> None:
    """A dozen points of the face stray by a tenth of a millimetre there: its straight stretch begins below them."""
    rng = np.random.default_rng(5)
    made = spoiled({place: tuple(rng.normal(0, 0.09, 2)) for place in range(1, 50)})
    assert quantity(made, "root_gap").value == pytest.approx(2.0, abs=0.1)
    assert quantity(made, "preparation_depth_left").value == pytest.approx(5.0, abs=0.15)


def test_a_face_that_goes_on_beyond_missing_points_leaves_its_end_open() -> None:
    """The radius of a U preparation, or a strip behind the gap: nothing tells which."""
    slope = math.tan(math.radians(20.0))
    face = _sampled(np.array([[-25.0, 0.0], [-4.0, 0.0], [-4.0 + 5.0 * slope, -5.0]]))
    angle = np.linspace(math.radians(20.0), math.radians(85.0), 12)
    start = face[-1] + 1.5 * np.array([math.sin(math.radians(20.0)), -math.cos(math.radians(20.0))])
    arc = 0.8 * np.column_stack([np.cos(angle[0]) - np.cos(angle), np.sin(angle[0]) - np.sin(angle)])
    radius = start + arc
    right = _sampled(np.array([[1.0, -6.5], [1.0 + 6.5 * slope, 0.0], [25.0, 0.0]]))
    points = np.vstack([face, radius, right])
    points = points + np.random.default_rng(4).normal(0, NOISE_MM, points.shape)
    count = len(points)
    made = Profile(points, np.full(count, NOISE_MM), False, np.zeros(count, bool), STEP_MM, blur_mm=0.05)
    gap = quantity(made, "root_gap")
    true = 1.0 - float(radius[-1, 0])
    assert abs(gap.value - true) < (gap.expanded_uncertainty or 0.0)
    assert (gap.expanded_uncertainty or 0.0) > 0.3


def test_an_undercut_beside_a_cap_is_no_groove() -> None:
    """On tilted plates a piece of the cap is in line with the plate before the undercut: it is no plate itself."""
    x = np.arange(-30.0, 30.0, 0.06)
    cap = 4.0 * (1 - (x / 9.0) ** 2)
    cut = -1.1 * np.sin(math.pi * np.clip((x + 11.0) / 2.0, 0.0, 1.0))
    height = np.where(np.abs(x) < 9.0, cap, 0.0) + np.where(x < -9.0, cut, 0.0)
    turn = math.radians(20.0)
    points = np.column_stack([x, height]) @ np.array(
        [[math.cos(turn), math.sin(turn)], [-math.sin(turn), math.cos(turn)]]
    )
    points = points + np.random.default_rng(1).normal(0, NOISE_MM, points.shape)
    count = len(points)
    made = Profile(points, np.full(count, NOISE_MM), False, np.zeros(count, bool), 0.06, blur_mm=0.05)
    assert [weld.section.joint for weld in find_welds_in_profile(made, joint="auto").welds] == ["butt"]


def j_groove(slopes: tuple[float, float]) -> Profile:
    """Return two plates with a J of 10 degrees on the left, whose straight part bends a little, and one of 15."""
    halves = []
    for side, tilts in ((-1.0, slopes), (1.0, (15.0, 15.0))):
        x, y = 3.5, 0.0
        corners = [[25.0, 0.0], [x, y]]
        for length, tilt in zip((1.4, 2.8), tilts, strict=True):
            x, y = x - length * math.sin(math.radians(tilt)), y - length * math.cos(math.radians(tilt))
            corners.append([x, y])
        turn = np.radians(np.linspace(90.0 - tilts[1], 0.0, 25))
        # A radius of 1.5 mm that begins in the direction of the face and ends level.
        centre = np.array([x, y]) - 1.5 * np.array([np.sin(turn[0]), np.cos(turn[0])]) * [1.0, -1.0]
        arc = centre + 1.5 * np.column_stack([np.sin(turn), -np.cos(turn)])
        halves.append(_sampled(np.vstack([corners, arc])) * [side, 1.0])
    left, right = halves[0], halves[1][::-1]
    points = np.vstack([left, right])
    points = points + np.random.default_rng(2).normal(0, NOISE_MM, points.shape)
    last = len(left) - 1
    ends = {at: 0.006 * np.eye(2) for at in (last, last + 1)}
    count = len(points)
    return Profile(
        points, np.full(count, NOISE_MM), False, np.zeros(count, bool), STEP_MM, blur_mm=0.05, end_shifts_mm=ends
    )


def test_the_straight_part_of_a_j_is_no_root_face() -> None:
    """Where it bends by a few degrees its lower part stood square to the plate, and the depth was told as 1.3 mm."""
    for slopes in ((10.0, 10.0), (11.0, 5.0)):
        depth = quantity(j_groove(slopes), "preparation_depth_left")
        true = 1.4 * math.cos(math.radians(slopes[0])) + 2.8 * math.cos(math.radians(slopes[1]))
        true += 1.5 * (1.0 - math.sin(math.radians(slopes[1])))
        assert depth.value == pytest.approx(true, abs=0.1)


@pytest.mark.parametrize(("missing", "held"), [(False, False), (True, True)])
def test_a_face_that_ends_higher_is_less_sure_where_light_is_missing_elsewhere(missing: bool, held: bool) -> None:
    """An end that is seen is sure, but where dropouts are seen it may be the beginning of one more."""
    made = replace(profile(6.0, 4.4), points_alone=True)
    if missing:
        keep = ~((made.points_mm[:, 0] > -15.0) & (made.points_mm[:, 0] < -14.0))
        lost = int(np.count_nonzero(~keep))
        ends = {at - lost: shifts for at, shifts in made.end_shifts_mm.items()}
        made = replace(
            made, points_mm=made.points_mm[keep], std_mm=made.std_mm[keep], cut=made.cut[keep], end_shifts_mm=ends
        )
    depth = quantity(made, "preparation_depth_right")
    assert depth.value == pytest.approx(4.4, abs=0.02)
    assert (depth.expanded_uncertainty > 1.6) is held
    assert quantity(made, "preparation_depth_left").expanded_uncertainty < 0.1


@pytest.mark.parametrize(("before_dark", "dark"), [(0, True), (8, True), (30, False)])
def test_a_square_edge_ends_in_the_dark_though_a_spark_stands_on_it(before_dark: int, dark: bool) -> None:
    """The straight part of its plate ends some points before, and no groove with one bevel was recognised."""
    plate = _sampled(np.array([[-25.0, 0.0], [-2.0, 0.0]]))
    bevel = _sampled(np.array([[2.0, -6.0], [5.5, 0.0]]))
    points = np.vstack([plate, bevel])
    assert _dark_after(points, len(plate) - 1 - before_dark) is dark


def test_a_face_in_pieces_is_as_long_as_they_are_together() -> None:
    """Else the rounded edge before it, longer than a quarter of a piece, was taken for the bevel: 42 degrees for 30."""

    def run(at: int, deg: float, length: float) -> Run:
        way = np.array([math.cos(math.radians(deg)), math.sin(math.radians(deg))])
        return Run(at, at + 9, Line.through(np.zeros(2), way), length, cut=False)

    faces = (run(0, -50.0, 1.0), run(10, -65.0, 1.2), run(20, -64.0, 1.4), run(30, -65.5, 2.0))
    assert [round(_in_pieces(face, faces), 1) for face in faces] == [1.0, 4.6, 4.6, 4.6]
