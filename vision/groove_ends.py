"""How well the lowest visible point of a prepared face is known in an open profile, where it does not end clearly.

Its last points may turn off the face, as the rounding of a line or the radius of a preparation does; they may lie far
apart, as on a steep face; a root face may show in a few of them; and the profile may go on beyond missing points.
"""

from __future__ import annotations

import math

import numpy as np

from core.geometry import Line, Points, intersection, step_lengths
from core.medians import median
from vision.plate_line import Detail

ON_LINE_MM = 0.12
ROUNDING_MM = 0.35
"""The end of a thick line rounds off over less than this."""

WIDE_STEPS = 5.0
GONE_ON = 0.7
"""Share, as a standard uncertainty, of what goes on beyond missing points: it belongs to the face, or does not."""

LEAST_DROP_MM = 0.3
UPRIGHT, FLAT = math.cos(math.radians(30.0)), math.cos(math.radians(55.0))
"""A root face goes down by so much, within 30 degrees of the square to the surface; a radius has flattened out before
it, to 55 degrees and more."""

FLAT_POINTS = 3
LAST_STEPS = 6
LAST_POINTS, FEWEST_ON_FACE = 24, 4
"""Points that tell how far apart those of a face lie at its end, and fewest of them."""

LEAST_LEAN = 0.17
"""Sine of the least angle between a bevel and the square to its surface that parts it from the root face."""


def end_doubt(points: Points, face: Line, end: int, *, step: int) -> Points | None:
    """Return the standard uncertainty (2,) of an end whose last points turn off the face.

    They may be a radius of the preparation or only the rounding of a line that ends: the end lies anywhere between.
    """
    back = end
    while abs(float(face.offset(points[back]))) >= ON_LINE_MM:
        back -= step
        if not 0 <= back < len(points) or float(np.hypot(*(points[end] - points[back]))) > ROUNDING_MM:
            return None
    return None if back == end else np.asarray((points[end] - points[back]) / math.sqrt(3.0))


def doubt_beyond(points: Points, face: Line, end: int, *, step: int) -> Points | None:
    """Return the standard uncertainty (2,) of an end from which the profile goes on after points were missing.

    It may be the radius of a preparation, which belongs to the face, or a strip behind the gap: the end lies anywhere
    on it. None where the profile breaks off at the end.
    """
    steps = step_lengths(points)
    breaks = np.flatnonzero(steps > WIDE_STEPS * median(steps))  # after these points
    at = int(np.searchsorted(breaks, end))
    before, behind = (breaks[:at], breaks[at:]) if step > 0 else (breaks[at:] + 1, breaks[:at] + 1)
    if step < 0:
        before, behind = before[::-1], behind[::-1]
    if not len(before) or abs(float(face.offset(points[before[-1]]))) > ON_LINE_MM:
        return None  # the face leads to its end without a break
    last = int(behind[0]) if len(behind) else len(points) - 1 if step > 0 else 0
    gone = points[last] - points[end]
    return np.asarray(GONE_ON * gone) if float(np.hypot(*gone)) > ROUNDING_MM else None


def sparse_doubt(points: Points, face: Line, end: int, detail: Detail, *, step: int) -> Points | None:
    """Return the standard uncertainty (2,) of an end whose points lie farther apart than those of the profile usually.

    On a steep face they do, and the face may go on for as much beyond the last of them.
    """
    last = points[max(0, end - LAST_STEPS) : end + 1] if step > 0 else points[end : end + LAST_STEPS + 1]
    if len(last) < 2:
        return None
    apart = float(step_lengths(last).mean())
    more = apart**2 - detail.step_mm**2
    return face.direction * math.sqrt(more / 3.0) if more > 0 else None


def beyond_last(
    points: Points, outside: Line, face: Line, end: int, detail: Detail, *, step: int
) -> tuple[Points, Points] | None:
    """Return how far (2,) a face goes on beyond its last point on average, and by what (1, 2) that may be off.

    The face ends somewhere before the next point would have been. Of steps s, even or not, E s^2 / (2 E s) lie beyond
    the last point, and E s^3 / (3 E s) in the mean of squares (the residual life of a renewal process; D. R. Cox,
    Renewal theory, 1962, from memory). Means over k points come back by (k^2 - 1) / (8 k) steps where the last height
    is repeated beyond the end, by none to twice of it where not. None where the last points do not lie on the face.
    """
    order = points[max(0, end - LAST_POINTS) : end + 1] if step > 0 else points[end : end + LAST_POINTS + 1][::-1]
    off = np.flatnonzero(np.abs(face.offset(order)) >= max(ON_LINE_MM, 3.0 * detail.noise_mm))
    order = order[int(off[-1]) + 1 :] if len(off) else order
    if len(order) < FEWEST_ON_FACE:
        return None
    onwards = face.direction * math.copysign(1.0, float((order[-1] - order[0]) @ face.direction))
    length = float((order[-1] - order[0]) @ onwards)
    steps = np.abs(np.diff(outside.along(order)))
    if steps.sum() < LEAST_LEAN * length:
        steps = np.abs(np.diff(face.along(order)))
    steps = steps * (length / steps.sum())
    mean = float((steps**2).mean() / (2.0 * steps.mean()))
    square = float((steps**3).mean() / (3.0 * steps.mean())) - mean**2
    # Points scatter along the light: part of that lies along the face.
    scatter = detail.noise_mm * abs(float(onwards @ outside.normal))
    meant = (detail.alike**2 - 1.0) / (8.0 * detail.alike) * float(steps.mean())
    std = math.hypot(math.sqrt(max(square, 0.0)), scatter, meant)
    return (mean + meant) * onwards, (std * onwards)[None]


def short_land(
    points: Points, outside: Line, bevel: Line, end: int, detail: Detail, *, step: int
) -> tuple[Points, Points] | None:
    """Return the corner of a bevel with a root face of a few points, and its standard uncertainty (2,), or None.

    The last points leave the bevel and go down more steeply than it. So few tell no line: the root face is taken as
    square to the surface.
    """
    back = end
    while 0 <= back < len(points) and abs(float(bevel.offset(points[back]))) >= ON_LINE_MM:
        back -= step
    if back == end or not 0 <= back < len(points):
        return None
    tail = points[back + step : end + step : step] if step > 0 else points[end:back][::-1]
    if math.dist(points[end], points[back]) < ROUNDING_MM:
        return None
    middle = tail.mean(axis=0)
    square = Line.through(middle, middle + outside.normal)
    corner = intersection(bevel, square)
    if corner is None or abs(float(outside.offset(points[end]))) <= abs(float(outside.offset(corner))):
        return None
    lean = abs(float(bevel.direction @ outside.direction))
    spread = max(float(np.ptp(outside.along(tail))) / 2, detail.noise_mm, ON_LINE_MM / 2)
    if lean < LEAST_LEAN or spread > ON_LINE_MM + 3 * detail.noise_mm:
        return None
    return corner, bevel.direction * (spread / lean)


def land_below_radius(points: Points, outside: Line, bevel: Line, end: int, *, step: int) -> Points | None:
    """Return the corner (2,) of a radius with the root face of a few points below it, None where none is seen.

    The radius of a J or U flattens out towards its root face, which goes down steeply again.
    """
    corner = end
    while 0 < corner - step < len(points) - 1 and _down(points[corner - step], points[corner], outside) > UPRIGHT:
        corner -= step
    before = corner - FLAT_POINTS * step
    if corner == end or not 0 <= before < len(points):
        return None
    drop = abs(float(outside.offset(points[end]) - outside.offset(points[corner])))
    flat = _down(points[before], points[corner], outside)
    # A radius leads away from the straight part of its face.
    if drop < LEAST_DROP_MM or abs(flat) > FLAT or abs(float(bevel.offset(points[corner]))) < ROUNDING_MM:
        return None
    return np.asarray(points[corner])


def _down(first: Points, second: Points, outside: Line) -> float:
    """Return the cosine of the angle between a step and the square into the metal."""
    along = float(np.hypot(*(second - first)))
    deeper = abs(float(outside.offset(second))) - abs(float(outside.offset(first)))
    return deeper / along if along > 0 else 0.0
