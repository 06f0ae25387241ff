"""Sparks on a laser line: single points and bright spots that draw its centre aside."""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from core.geometry import Line, Points, step_lengths

BESIDE = 40
"""Points on each side of a bright spot that show whether the line is overexposed there."""

MOST_OVEREXPOSED = 0.2
NEAR_COLUMNS, BRIGHTER = 121, 1.5
"""A spot is so many times brighter than the mean of so many columns about it."""

LEAST_COLUMNS = 3
"""A spark overexposes so many columns or more, speckle one here and there."""

MOST_COLUMNS = 60
"""A spot that is longer is no spark but overexposed metal, a bright weld between dull plates: it may bulge."""

WIDEST_STEP_PX = 25.0
"""Beyond a wider step the line is another stretch."""

ANCHOR_POINTS = 6
"""Points before and behind a spot that show where the line runs."""

STRAIGHT_POINTS, MOST_TURN = 16, 0.2
"""Points before and behind a spot whose ways turn by less (rad) where the line is straight."""

ASIDE_PX, ASIDE_STDS = 0.5, 6.0
"""A spot that lies so far beside the line before and behind it is no part of it; a glint of the metal lies on it."""

BULGE_SHARE = 0.02
"""A line may bend by this share of the length of a spot."""


def bright_spots(height: NDArray[np.float64], saturated: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Mark the points (N,) that are overexposed, or much higher (grey levels) than the line about them."""
    if len(height) < NEAR_COLUMNS:
        return saturated
    level = cv2.blur(np.ascontiguousarray(height, np.float32)[None], (NEAR_COLUMNS, 1), borderType=cv2.BORDER_REPLICATE)
    return np.asarray(saturated | (height > BRIGHTER * level[0]))


def sparks(
    points: Points,
    std: NDArray[np.float64],
    saturated: NDArray[np.bool_],
    sigma: float,
    bright: NDArray[np.bool_] | None = None,
) -> NDArray[np.bool_]:
    """Mark the points of bright spots that lie beside the line before and behind them.

    Parameters
    ----------
    points
        (N, 2) px, in order along the line; ``std``, ``saturated`` and ``bright`` (N,) belong to them.
    sigma
        Width of the line, px.
    bright
        Points of spots that are bright at least. A corner of the metal is brighter than the line beside it, too: a spot
        that is not overexposed must lie beside a straight line.
    """
    result = np.zeros(len(points), bool)
    spots = saturated if bright is None else bright
    changes = np.flatnonzero(np.diff(spots, prepend=False, append=False))
    reach = math.ceil(sigma) + 2
    for start, stop in changes.reshape(-1, 2).tolist():
        if not LEAST_COLUMNS <= stop - start <= MOST_COLUMNS:
            continue
        near = np.concatenate([spots[max(0, start - BESIDE) : start], spots[stop : stop + BESIDE]])
        if not len(near) or float(near.mean()) > MOST_OVEREXPOSED:
            continue
        first, last = start - reach, stop + reach
        before, behind = points[max(0, first - ANCHOR_POINTS) : max(0, first)], points[last : last + ANCHOR_POINTS]
        if min(len(before), len(behind)) < ANCHOR_POINTS:
            continue
        if float(step_lengths(points[first - ANCHOR_POINTS : last + ANCHOR_POINTS]).max()) > WIDEST_STEP_PX:
            continue
        if not saturated[start:stop].any() and not _straight(points, first, last):
            continue
        chord = Line.through(before.mean(axis=0), behind.mean(axis=0))
        spot = slice(first, last)
        allowed = ASIDE_PX + ASIDE_STDS * float(std[spot].max()) + BULGE_SHARE * (last - first)
        if float(np.abs(chord.offset(points[spot])).max()) > allowed:
            result[spot] = True
    return result


def _straight(points: Points, first: int, last: int) -> bool:
    """Tell whether a line runs on behind a spot as it did before."""
    if first < STRAIGHT_POINTS or last + STRAIGHT_POINTS > len(points):
        return False
    ways = (points[first - 1] - points[first - STRAIGHT_POINTS], points[last + STRAIGHT_POINTS - 1] - points[last])
    one, other = (math.atan2(way[1], way[0]) for way in ways)
    return abs(math.remainder(one - other, math.tau)) < MOST_TURN


def lonely(points: Points, std: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Mark points that stand off both neighbours while those agree with each other: a spark on the line."""
    result = np.zeros(len(points), bool)
    if len(points) < 7:
        return result
    value = points[:, 1]
    middle = _middle_of_five(*(value[i : len(value) - 4 + i] for i in range(5)))
    step = points[4:] - points[:-4]
    near = step[:, 0] ** 2 + step[:, 1] ** 2 < 12**2
    off = np.abs(value[2:-2] - middle)
    slope = np.abs(value[4:] - value[:-4]) / 4
    result[2:-2] = near & (off > 8 * std[2:-2] + 2.5 * slope + 0.5)
    return result


def _middle_of_five(
    one: NDArray[np.float64],
    two: NDArray[np.float64],
    three: NDArray[np.float64],
    four: NDArray[np.float64],
    five: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Return the median of five arrays place by place: sorting windows takes several times as long."""
    low = np.maximum(np.minimum(one, two), np.minimum(three, four))
    high = np.minimum(np.maximum(one, two), np.maximum(three, four))
    # The least and the greatest of the four are out: left are these two and the fifth.
    return np.asarray(np.maximum(np.minimum(low, high), np.minimum(np.maximum(low, high), five)))
