"""Plane geometry against closed forms and against shapely, which computes the same things its own way."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely

from core.geometry import (
    Line,
    angle_between_deg,
    angle_between_lines_deg,
    arc_length,
    diagonal,
    distance_to_segments,
    intersection,
    rotate,
    signed_area,
)


def star(rng: np.random.Generator, count: int = 40) -> np.ndarray:
    """Return a polygon that does not cross itself: radii that vary, angles in order."""
    angles = np.sort(rng.uniform(0, 2 * np.pi, count))
    return rng.uniform(2, 5, count)[:, None] * np.column_stack([np.cos(angles), np.sin(angles)])


@pytest.mark.parametrize("turn_deg", [0, 17, 90, 133, 180, 271])
def test_line_frame_is_right_handed_at_any_turn(turn_deg: float) -> None:
    """Along grows with the direction, offset to its left, and both lead back to the point."""
    rng = np.random.default_rng(turn_deg)
    a = math.radians(turn_deg)
    line = Line.through(np.array([3.0, -2.0]), np.array([3.0 + 5 * math.cos(a), -2.0 + 5 * math.sin(a)]))
    points = rng.uniform(-20, 20, (50, 2))
    back = line.point + line.along(points)[:, None] * line.direction + line.offset(points)[:, None] * line.normal
    assert np.allclose(back, points, atol=1e-12)
    # A single point goes its own way through the arithmetic.
    assert [float(line.along(point)) for point in points] == pytest.approx(line.along(points).tolist(), abs=1e-12)
    assert [float(line.offset(point)) for point in points] == pytest.approx(line.offset(points).tolist(), abs=1e-12)
    assert math.hypot(line.dx, line.dy) == pytest.approx(1, abs=1e-15)
    assert line.dx * line.normal[1] - line.dy * line.normal[0] == pytest.approx(1)
    assert np.allclose(line.reversed().offset(points), -line.offset(points))
    assert np.allclose(line.reversed().along(points), -line.along(points))
    assert np.allclose(line.at(2.5), line.point + 2.5 * line.direction)


def test_line_takes_one_point_or_many() -> None:
    line = Line.through(np.array([0, 0]), np.array([10, 0]))
    assert float(line.along(np.array([4.0, 3.0]))) == 4.0
    assert float(line.offset(np.array([4.0, 3.0]))) == 3.0
    assert line.offset(np.array([[0.0, 1.0], [0.0, -1.0]])).tolist() == [1.0, -1.0]


def test_line_needs_two_points() -> None:
    with pytest.raises(ValueError, match="two different points"):
        Line.through(np.array([1.0, 1.0]), np.array([1.0, 1.0]))


@pytest.mark.parametrize("angle_deg", [1, 30, 90, 150, 179, -60])
def test_lines_meet_where_both_pass(angle_deg: float) -> None:
    a = math.radians(angle_deg)
    first = Line.through(np.array([-4.0, 1.0]), np.array([7.0, 1.0]))
    second = Line(9.0 + 3 * math.cos(a), 1.0 + 3 * math.sin(a), math.cos(a), math.sin(a))
    assert intersection(first, second) == pytest.approx([9.0, 1.0], abs=1e-9)
    assert intersection(second, first) == pytest.approx([9.0, 1.0], abs=1e-9)


@pytest.mark.parametrize(("angle_deg", "meet"), [(0, False), (180, False), (0.09, False), (0.11, True), (179.89, True)])
def test_lines_within_a_tenth_of_a_degree_do_not_meet(angle_deg: float, meet: bool) -> None:
    a = math.radians(angle_deg)
    found = intersection(Line(0, 0, 1, 0), Line(0, 1, math.cos(a), math.sin(a)))
    assert (found is not None) is meet


@pytest.mark.parametrize("angle_deg", [0, 1e-5, 45, 90, 135, 179.99999, 180])
def test_angle_between_vectors_of_any_length(angle_deg: float) -> None:
    a = math.radians(angle_deg)
    first, second = np.array([0.2, 0.0]), 30 * np.array([math.cos(a), math.sin(a)])
    assert angle_between_deg(first, second) == pytest.approx(angle_deg, abs=1e-9)
    assert angle_between_deg(second, first) == pytest.approx(angle_deg, abs=1e-9)
    lines = [Line.through(np.array([3.0, -2.0]), np.array([3.0, -2.0]) + 5 * way) for way in (first, second)]
    assert angle_between_lines_deg(*lines) == pytest.approx(angle_deg, abs=1e-9)


@pytest.mark.parametrize("seed", range(5))
def test_area_as_shapely_has_it(seed: int) -> None:
    polygon = star(np.random.default_rng(seed))
    area = shapely.Polygon(polygon).area
    assert signed_area(polygon) == pytest.approx(area, rel=1e-12)
    assert signed_area(polygon[::-1]) == pytest.approx(-area, rel=1e-12)
    assert signed_area(np.roll(polygon, 7, axis=0)) == pytest.approx(area, rel=1e-12)


def test_area_of_a_regular_polygon() -> None:
    """n/2 r² sin(2 pi / n), the closed form of a regular polygon."""
    angles = 2 * np.pi * np.arange(17) / 17
    ring = 3.0 * np.column_stack([np.cos(angles), np.sin(angles)])
    assert signed_area(ring) == pytest.approx(0.5 * 17 * 9 * math.sin(2 * math.pi / 17), rel=1e-12)


def test_arc_length_of_a_quarter_circle() -> None:
    angles = np.linspace(0, np.pi / 2, 2001)
    along = arc_length(4.0 * np.column_stack([np.cos(angles), np.sin(angles)]))
    assert along[0] == 0
    assert (np.diff(along) > 0).all()
    assert along[-1] == pytest.approx(2 * math.pi, rel=1e-6)


def test_turns_counter_clockwise_about_the_centre() -> None:
    quarter = rotate(np.array([[1.0, 0.0]]), math.pi / 2)
    assert quarter[0] == pytest.approx([0, 1], abs=1e-15)
    about = rotate(np.array([[4.0, 1.0]]), math.pi / 2, np.array([3.0, 1.0]))
    assert about[0] == pytest.approx([3, 2], abs=1e-15)


@pytest.mark.parametrize("seed", range(5))
def test_distance_as_shapely_has_it(seed: int) -> None:
    rng = np.random.default_rng(seed)
    polyline = rng.uniform(-5, 5, (30, 2))
    string = shapely.LineString(polyline)
    for point in rng.uniform(-8, 8, (20, 2)):
        distance, nearest = distance_to_segments(point, polyline)
        assert distance == pytest.approx(string.distance(shapely.Point(point)), abs=1e-12)
        assert math.dist(point, nearest) == pytest.approx(distance, abs=1e-12)
        assert string.distance(shapely.Point(nearest)) < 1e-9


def test_distance_beyond_an_end_and_over_a_repeated_point() -> None:
    polyline = np.array([[0.0, 0.0], [0.0, 0.0], [2.0, 0.0]])
    assert distance_to_segments(np.array([5.0, 4.0]), polyline)[0] == pytest.approx(5.0)
    assert distance_to_segments(np.array([1.0, -3.0]), polyline)[1] == pytest.approx([1.0, 0.0])


def test_diagonal_is_that_of_the_upright_box():
    assert diagonal(np.array([[1.0, 7.0], [4.0, 3.0], [2.0, 5.0]])) == 5.0
