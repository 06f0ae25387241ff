"""How a rigid body comes to rest on a profile: the line a straight edge rests on, the height of a tip let down.

A body touches metal where a support function has its maximum, so resting poses are found exactly on the polyline
and not by trial.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from core.geometry import Points

TOUCHING_MM = 0.002
"""Metal nearer than this to an edge that rests on it is part of the contact."""


@dataclass(frozen=True, slots=True, eq=False)
class Frame:
    """An origin, a unit vector along a body's edge and the unit vector out of the metal, square to it."""

    origin: Points
    along: Points
    out: Points

    def local(self, points: Points) -> Points:
        """Return (N, 2) coordinates along and out."""
        return np.asarray((np.atleast_2d(points) - self.origin) @ np.column_stack([self.along, self.out]))

    def world(self, local: Points) -> Points:
        """Return (N, 2) points of the section frame."""
        flat = np.atleast_2d(local)
        return np.asarray(self.origin + flat[:, :1] * self.along + flat[:, 1:] * self.out)

    def tilted(self, slope: float, height: float) -> Frame:
        """Return the frame whose axis is the line ``height + slope * x`` of this one, its origin at x = 0."""
        length = math.hypot(1.0, slope)
        along = (self.along + slope * self.out) / length
        out = (self.out - slope * self.along) / length
        return Frame(self.origin + height * self.out, along, out)


def window(local: Points, low: float, high: float) -> Points:
    """Return the part of a polyline with ``low <= x <= high``, its cuts included, (M, 2) in no promised order."""
    x = local[:, 0]
    parts = [local[(x >= low) & (x <= high)]]
    for limit in (low, high):
        before, after = x[:-1] - limit, x[1:] - limit
        at = np.flatnonzero(before * after < 0)
        if len(at):
            share = before[at] / (before[at] - after[at])
            y = local[at, 1] + share * (local[at + 1, 1] - local[at, 1])
            parts.append(np.column_stack([np.full(len(at), limit), y]))
    return np.concatenate(parts)


def resting_line(local: Points, press: float) -> tuple[float, float, NDArray[np.int64]]:
    """Return slope, height at x = 0 and the two touching points of a straight edge pressed down at x = ``press``.

    It is the edge of the upper hull above ``press``: whatever point rises most above the present edge takes the
    place of the end on its own side, until none rises.

    Raises
    ------
    ValueError
        When no metal lies on one side of ``press``: the edge would tip over.
    """
    x, y = local[:, 0], local[:, 1]
    if len(local) < 2 or not (x.min() < press < x.max()):
        raise ValueError("there must be metal on both sides of where the edge is pressed")
    left, right = int(np.lexsort((-y, x))[0]), int(np.lexsort((-y, -x))[0])
    slope = 0.0
    for _ in range(len(local)):
        slope = float((y[right] - y[left]) / (x[right] - x[left]))
        above = y - y[left] - slope * (x - x[left])
        top = int(np.argmax(above))
        if above[top] <= 1e-12:
            break
        if x[top] <= press:
            left = top
        else:
            right = top
    return slope, float(y[left] - slope * x[left]), np.array([left, right])


def touching(local: Points, height: float) -> Points:
    """Return the first and the last point at which metal comes up to a height, (1 or 2, 2)."""
    near = local[local[:, 1] >= height - TOUCHING_MM]
    first, last = near[np.argmin(near[:, 0])], near[np.argmax(near[:, 0])]
    highest = local[int(np.argmax(local[:, 1]))]
    return np.array([highest]) if last[0] - first[0] < 0.05 else np.array([first, last])


@dataclass(frozen=True, slots=True)
class Tip:
    """The end of a slide or needle, pointing at the metal.

    Attributes
    ----------
    width_mm
        Width of the flat end; 0 for a rounded or pointed one.
    radius_mm
        Radius of the rounded end; 0 for a sharp one.
    half_angle_deg
        Half the angle of the cone behind a rounded or sharp end.
    shank_mm
        Width of the shank the cone grows to.
    """

    width_mm: float = 0.0
    radius_mm: float = 0.0
    half_angle_deg: float = 30.0
    shank_mm: float = 3.0

    def __post_init__(self) -> None:
        if min(self.width_mm, self.radius_mm) < 0 or not 0 < self.half_angle_deg <= 90:
            raise ValueError("a tip has no negative size and a half angle of more than 0 and up to 90 degrees")
        if self.width_mm > 0 and self.radius_mm > 0:
            raise ValueError("a tip is flat or rounded, not both")

    @property
    def half_mm(self) -> float:
        """Half the width within which the tip meets metal."""
        if self.width_mm > 0:
            return self.width_mm / 2
        return max(self.shank_mm / 2, self.radius_mm * math.cos(math.radians(self.half_angle_deg)))

    def rise(self, across: Points) -> Points:
        """Return how far the tip's surface lies above its lowest point at a distance from its axis."""
        x = np.abs(across)
        if self.width_mm > 0:
            return np.asarray(np.zeros_like(x))
        half = math.radians(self.half_angle_deg)
        tangent = self.radius_mm * math.cos(half)
        ball = self.radius_mm - np.sqrt(np.maximum(self.radius_mm**2 - x**2, 0.0))
        cone = self.radius_mm * (1 - math.sin(half)) + (x - tangent) / math.tan(half)
        return np.asarray(np.where(x <= tangent, ball, cone))

    def outline(self, height: float, length: float) -> Points:
        """Return the outline of tip and shank in coordinates across and along its axis, (N, 2)."""
        half = np.linspace(0.0, self.half_mm, 15)
        x = np.concatenate([-half[::-1], half[1:]])
        top = np.array([[x[-1], length], [x[0], length]])
        body = np.vstack([np.column_stack([x, self.rise(x)]), top])
        return np.asarray(np.vstack([body, body[:1]]) + np.array([0.0, height]))


def let_down(local: Points, tip: Tip, at: float) -> tuple[float, Points]:
    """Return the height at which a tip let down along x = ``at`` comes to rest, and where it touches, (K, 2).

    Raises
    ------
    ValueError
        When there is no metal below the tip.
    """
    below = window(local, at - tip.half_mm, at + tip.half_mm)
    axis = window(local, at, at)
    below = np.concatenate([below, axis, _tangents(local, tip, at)])
    if len(below) == 0:
        raise ValueError("there is no metal below the tip")
    height = below[:, 1] - tip.rise(below[:, 0] - at)
    rest = float(height.max())
    near = below[height >= rest - TOUCHING_MM]
    ends = near[[int(np.argmin(near[:, 0])), int(np.argmax(near[:, 0]))]]
    best = below[int(np.argmax(height))]
    return rest, np.array([best]) if ends[1, 0] - ends[0, 0] < 0.05 else ends


def _tangents(local: Points, tip: Tip, at: float) -> Points:
    """Return where a rounded end can touch between the points of a polyline, (K, 2).

    A ball of radius R touches a stretch of slope m at a distance R m / sqrt(1 + m²) from its axis.
    """
    reach = tip.radius_mm * math.cos(math.radians(tip.half_angle_deg))
    x, y = local[:, 0] - at, local[:, 1]
    near = np.flatnonzero((np.minimum(x[:-1], x[1:]) < reach) & (np.maximum(x[:-1], x[1:]) > -reach))
    run, fall = x[near + 1] - x[near], y[near + 1] - y[near]
    near, run, fall = near[run != 0], run[run != 0], fall[run != 0]
    slope = fall / run
    touch = tip.radius_mm * slope / np.hypot(1.0, slope)
    share = (touch - x[near]) / run
    inside = (share > 0) & (share < 1) & (np.abs(touch) <= reach)
    return np.asarray(np.column_stack([touch + at, y[near] + share * fall])[inside])
