"""What may lie hidden before the place where a face is seen to leave its plate: its own beginning, or a low bulge."""

from __future__ import annotations

import math

import numpy as np

from core.geometry import Line, Points, distance
from vision.toe_departure import FLATTEST_UNDERCUT, STAYS_ON_PLATE_MM

GENTLE_MM, GENTLE_SHARE = 1.5, 0.12
"""Length of face, from its departure, that tells the bend of a gentle one, and its largest share of the path."""

BULGE_POINTS = 5
"""A bulge lies beyond the line by the mean of so many points."""

LONGEST_HIDDEN = 1.0
"""No more of a face is hidden than this share of the stretch that tells its bend."""


def hidden_start(face: Points, towards: Line, threshold: float) -> float:
    """Return how far before its visible departure a face may have begun, as a standard uncertainty.

    A face that bends away from the plate line may have lain along it, or have bulged to its other side by less than
    the threshold. A parabola tells over which length that cannot be seen.
    """
    if len(face) < 12:
        return 0.0
    along, offset = towards.along(face), towards.offset(face)
    bend, slope, start = np.polyfit(along - along[0], offset * math.copysign(1.0, float(offset[-1])), 2)
    if bend <= 0:
        return 0.0
    lowest = float(start - slope**2 / (4 * bend))
    if not -threshold < lowest < threshold:
        return 0.0
    return min(math.sqrt((threshold - lowest) / bend), LONGEST_HIDDEN * float(np.ptp(along)))


def is_flat(plate: Points, towards: Line, sign: int) -> bool:
    """Tell whether the hollow at the end of a plate is flatter than a groove."""
    offset = sign * towards.offset(plate)
    below = np.flatnonzero(offset[::-1] < 0)
    if len(below) == 0:
        return True
    above = np.flatnonzero(offset[::-1][below[0] :] >= 0)
    first = len(plate) - 1 - (below[0] + (int(above[0]) if len(above) else len(plate) - 1 - int(below[0])))
    hollow = plate[max(first, 0) :]
    return -float(np.min(offset[max(first, 0) :])) < FLATTEST_UNDERCUT * distance(hollow[-1], hollow[0])


def bulge_before(plate: Points, towards: Line, sign: int, noticeable: float) -> float:
    """Return how far before its departure a face may have begun by a low bulge, as a standard uncertainty.

    A face that crosses the plate line at a gentle angle may have lain on its other side first, by no more than a plate
    wanders elsewhere. What lies there next to the departure, farther from the line than ``noticeable``, may be
    plate or weld.
    """
    if len(plate) < BULGE_POINTS:
        return 0.0
    beyond = -sign * towards.offset(plate)[::-1]
    # One point that strays is no bulge, nor the end of one.
    alike = np.convolve(beyond, np.full(BULGE_POINTS, 1.0 / BULGE_POINTS), mode="same")
    away = -(towards.along(plate)[::-1] - float(towards.along(plate[-1])))
    begun = np.flatnonzero((alike > noticeable) & (away < STAYS_ON_PLATE_MM + GENTLE_MM))
    if len(begun) == 0:
        return 0.0
    back = np.flatnonzero(alike[begun[0] :] <= 0)
    end = begun[0] + int(back[0]) if len(back) else len(away) - 1
    return 0.5 * max(0.0, float(away[end]))
