"""Plane geometry against shapely and closed forms."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely.geometry import LineString, Point, Polygon

from core.geometry import (
    Line,
    angle_between_deg,
    arc_length,
    distance_to_segments,
    intersection,
    rotate,
    signed_area,
)

coordinate = st.floats(-100, 100)
point = st.tuples(coordinate, coordinate)


@given(point, st.lists(point, min_size=2, max_size=12))
def test_distance_to_polyline_is_that_of_shapely(where: tuple, corners: list) -> None:
    line = np.array(corners)
    if np.ptp(line, axis=0).max() < 1e-3:
        return
    distance, nearest = distance_to_segments(np.array(where), line)
    assert distance == pytest.approx(LineString(line).distance(Point(where)), abs=1e-6)
    assert np.hypot(*(nearest - where)) == pytest.approx(distance, abs=1e-6)


@given(st.integers(3, 40), st.floats(0.1, 50), point)
def test_area_and_length_are_those_of_shapely(count: int, radius: float, centre: tuple) -> None:
    angle = np.linspace(0, 2 * math.pi, count, endpoint=False)
    polygon = np.column_stack([radius * np.cos(angle), 0.5 * radius * np.sin(angle)]) + centre
    assert signed_area(polygon) == pytest.approx(Polygon(polygon).area, rel=1e-9)
    assert signed_area(polygon[::-1]) == pytest.approx(-Polygon(polygon).area, rel=1e-9)
    assert arc_length(polygon)[-1] == pytest.approx(LineString(polygon).length, rel=1e-9)


def test_intersection_and_parallel_lines() -> None:
    level = Line.through(np.array([0.0, 2.0]), np.array([5.0, 2.0]))
    steep = Line.through(np.array([3.0, -1.0]), np.array([3.0, 1.0]))
    assert intersection(level, steep) == pytest.approx([3.0, 2.0])
    assert intersection(level, Line.through(np.array([0.0, 0.0]), np.array([1000.0, 1.0]))) is None
    assert intersection(level, Line.through(np.array([0.0, 0.0]), np.array([100.0, 1.0]))) is not None


def test_left_of_the_direction_is_positive() -> None:
    line = Line.through(np.array([0.0, 0.0]), np.array([2.0, 0.0]))
    assert float(line.offset(np.array([1.0, 3.0]))) == 3.0
    assert float(line.along(np.array([1.0, 3.0]))) == 1.0
    assert float(line.reversed().offset(np.array([1.0, 3.0]))) == -3.0
    with pytest.raises(ValueError, match="two different points"):
        Line.through(np.array([1.0, 1.0]), np.array([1.0, 1.0]))


@given(st.floats(-math.pi, math.pi), point, point)
def test_rotation_keeps_distances_and_turns_counter_clockwise(angle: float, about: tuple, where: tuple) -> None:
    turned = rotate(np.array([where]), angle, np.array(about))[0]
    assert np.hypot(*(turned - about)) == pytest.approx(math.dist(where, about), abs=1e-9)
    assert rotate(np.array([[1.0, 0.0]]), math.pi / 2)[0] == pytest.approx([0, 1], abs=1e-12)


@pytest.mark.parametrize("degrees", [0, 0.001, 30, 90, 135, 179.999, 180])
def test_angle_between_vectors(degrees: float) -> None:
    turn = math.radians(degrees)
    vector = np.array([math.cos(turn), math.sin(turn)])
    assert angle_between_deg(np.array([1.0, 0.0]), 3 * vector) == pytest.approx(degrees, abs=1e-9)
