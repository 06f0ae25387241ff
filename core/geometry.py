"""Plane geometry on (N, 2) arrays: lines, distances, areas, curves by arc length.

Arrays are float64 in one frame, x right and y up unless a function says otherwise.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Points = NDArray[np.float64]
_PARALLEL = math.sin(math.radians(0.1))


@dataclass(frozen=True, slots=True)
class Line:
    """A straight line through ``(x, y)`` with unit direction ``(dx, dy)``."""

    x: float
    y: float
    dx: float
    dy: float

    @staticmethod
    def through(first: Points, second: Points) -> Line:
        """Return the line from one point to another, directed from first to second."""
        (x, y), (to_x, to_y) = np.asarray(first, float).tolist(), np.asarray(second, float).tolist()
        length = math.hypot(to_x - x, to_y - y)
        if length == 0:
            raise ValueError("two different points are needed for a line")
        return Line(x, y, (to_x - x) / length, (to_y - y) / length)

    @property
    def point(self) -> Points:
        return np.array([self.x, self.y])

    @property
    def direction(self) -> Points:
        return np.array([self.dx, self.dy])

    @property
    def normal(self) -> Points:
        """Unit normal to the left of the direction."""
        return np.array([-self.dy, self.dx])

    def reversed(self) -> Line:
        """Return the same line with the opposite direction."""
        return Line(self.x, self.y, -self.dx, -self.dy)

    def along(self, points: Points) -> Points:
        """Return the coordinate of each point along the direction, (N,) or a scalar array."""
        return _product(points, self.dx, self.dy, self.x * self.dx + self.y * self.dy)

    def offset(self, points: Points) -> Points:
        """Return the signed distance of each point, positive to the left of the direction."""
        return _product(points, -self.dy, self.dx, self.y * self.dx - self.x * self.dy)

    def at(self, along: float) -> Points:
        """Return the point at a coordinate along the direction."""
        return np.array([self.x + along * self.dx, self.y + along * self.dy])


def _product(points: Points, dx: float, dy: float, less: float) -> Points:
    """Return the products of points, (N, 2) or (2,), with a vector, less a number; (N,) or a scalar array."""
    given = np.asarray(points, float)
    if given.ndim == 1:  # of a single point most of what arrays take is not the arithmetic
        x, y = given.tolist()
        return np.asarray(x * dx + y * dy - less)
    return np.asarray(given @ np.array([dx, dy]) - less)


def intersection(first: Line, second: Line) -> Points | None:
    """Return where two lines meet, or None when they are parallel within 0.1 degree."""
    cross = first.dx * second.dy - first.dy * second.dx
    if abs(cross) < _PARALLEL:
        return None
    return first.at(((second.x - first.x) * second.dy - (second.y - first.y) * second.dx) / cross)


def angle_between_deg(first: Points, second: Points) -> float:
    """Return the angle between two vectors, 0 to 180 degrees."""
    (ax, ay), (bx, by) = first.tolist(), second.tolist()
    return math.degrees(abs(math.atan2(ax * by - ay * bx, ax * bx + ay * by)))


def angle_between_lines_deg(first: Line, second: Line) -> float:
    """Return the angle between the directions of two lines, 0 to 180 degrees."""
    cross = first.dx * second.dy - first.dy * second.dx
    return math.degrees(abs(math.atan2(cross, first.dx * second.dx + first.dy * second.dy)))


def distance(first: Points, second: Points) -> float:
    """Return the distance of two points."""
    return math.dist(first.tolist(), second.tolist())


def signed_area(points: Points) -> float:
    """Return the area of a closed polygon (shoelace), positive when counter-clockwise."""
    x, y = points[:, 0], points[:, 1]
    closing = float(x[-1] * y[0] - x[0] * y[-1]) if len(points) else 0.0
    return 0.5 * (float(x[:-1] @ y[1:] - x[1:] @ y[:-1]) + closing)


def diagonal(points: Points) -> float:
    """Return the diagonal of the upright box around points (numpy goes over pairs of columns slowly)."""
    x, y = points[:, 0], points[:, 1]
    return math.hypot(float(x.max() - x.min()), float(y.max() - y.min()))


def arc_length(points: Points) -> Points:
    """Return the length along an open polyline up to each of its points, (N,)."""
    length = np.zeros(len(points))
    np.cumsum(step_lengths(points), out=length[1:])
    return length


NEAR_AT_A_TIME = 500
"""So many points are compared with all others at a time."""


def in_picture(x: float, y: float, width_px: float, height_px: float) -> bool:
    """Tell whether a point lies in a picture, the outer halves of its outermost pixels included."""
    return -0.5 <= x <= width_px - 0.5 and -0.5 <= y <= height_px - 0.5


def near(points: Points, others: Points, reach: float) -> NDArray[np.bool_]:
    """Return which points (N, 2) lie within a reach of any of some others (M, 2), (N,)."""
    found = np.zeros(len(points), bool)
    for start in range(0, len(points), NEAR_AT_A_TIME):
        part = points[start : start + NEAR_AT_A_TIME]
        away2 = np.square(part[:, None, 0] - others[None, :, 0])
        away2 += np.square(part[:, None, 1] - others[None, :, 1])
        found[start : start + NEAR_AT_A_TIME] = away2.min(axis=1) < reach**2
    return found


def step_lengths(points: Points) -> NDArray[np.float64]:
    """Return the distance from each point of a polyline to the next, (N - 1,)."""
    x, y = points[:, 0], points[:, 1]
    across, up = x[1:] - x[:-1], y[1:] - y[:-1]
    across *= across
    up *= up
    across += up
    return np.asarray(np.sqrt(across, out=across))


def rotate(points: Points, angle_rad: float, about: Points | None = None) -> Points:
    """Rotate points counter-clockwise (y up) about a centre, the origin unless given."""
    c, s = math.cos(angle_rad), math.sin(angle_rad)
    centre = np.zeros(2) if about is None else np.asarray(about, float)
    return np.asarray((np.asarray(points, float) - centre) @ np.array([[c, s], [-s, c]]) + centre)


def distance_to_segments(point: Points, polyline: Points) -> tuple[float, Points]:
    """Return the shortest distance from a point to an open polyline, and the nearest point on it."""
    start, end = polyline[:-1], polyline[1:]
    step = end - start
    length2 = np.maximum(np.sum(step**2, axis=1), 1e-30)
    share = np.clip(np.sum((point - start) * step, axis=1) / length2, 0.0, 1.0)
    nearest = start + share[:, None] * step
    distance2 = np.sum((nearest - point) ** 2, axis=1)
    best = int(np.argmin(distance2))
    return float(math.sqrt(distance2[best])), nearest[best]
