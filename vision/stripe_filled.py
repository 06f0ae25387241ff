"""Other light where a laser line is interrupted: a reflection or a ghost that fills the gap, beside the line."""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from core.geometry import Line, Points, step_lengths
from core.medians import median
from vision.stripe_sparks import ASIDE_PX, ASIDE_STDS, BULGE_SHARE, WIDEST_STEP_PX

NEAR_COLUMNS = 121
"""Points whose mean brightness shows where a stretch may be dim."""

DIM_SHARE, MAYBE_DIM_SHARE = 0.7, 0.8
"""What lies along the line, but beside it, is about as bright where it is metal: at less than the first share of the
line before and behind it is taken for other light. A mean that takes in the dim stretch is lower."""

ANCHOR_POINTS, STRAIGHT_STDS = 12, 4.0
"""Points before and behind a stretch that show where the line runs, and how far they may lie off it, in standard
uncertainties of their own."""

LEAST_COLUMNS, MOST_COLUMNS = 4, 60
"""A stretch dim for fewer columns is speckle; over more of them a surface may be dull."""

ALONG_SLOPE = 0.3
"""What leads down or up more steeply against the line may be a wall, which is dim as well."""


def filled_in(points: Points, std: NDArray[np.float64], height: NDArray[np.float64], sigma: float) -> NDArray[np.bool_]:
    """Mark the points of stretches that run along the line before and behind them, but beside it and much dimmer.

    A groove in the metal is dim on its walls; its floor, which lies along the line, hardly is. Where the line turns, as
    at a toe, what lies beside it is left.

    Parameters
    ----------
    points
        (N, 2) px, in order along the line; ``std`` and ``height``, in grey levels, (N,) belong to them.
    sigma
        Width of the line, px.
    """
    result = np.zeros(len(points), bool)
    if len(points) < NEAR_COLUMNS:
        return result
    light = np.ascontiguousarray(height, np.float32)[None]
    level = cv2.blur(light, (NEAR_COLUMNS, 1), borderType=cv2.BORDER_REPLICATE)
    dim = (cv2.blur(light, (3, 1), borderType=cv2.BORDER_REPLICATE) < MAYBE_DIM_SHARE * level)[0]
    changes = np.flatnonzero(np.diff(dim, prepend=False, append=False))
    reach = math.ceil(sigma) + 2
    for start, stop in _off_the_line(points, changes.reshape(-1, 2), reach).tolist():
        if _beside(points, std, height, start, stop, reach):
            result[start - reach : stop + reach] = True
    return result


def _off_the_line(points: Points, stretches: NDArray[np.int64], reach: int) -> NDArray[np.int64]:
    """Return the stretches (M, 2) of a fitting length whose middle lies beside the points before and behind: few do."""
    length = stretches[:, 1] - stretches[:, 0]
    fits = (length >= LEAST_COLUMNS) & (length <= MOST_COLUMNS)
    fits &= (stretches[:, 0] > reach) & (stretches[:, 1] < len(points) - reach)
    left = stretches[fits]
    before, behind = points[left[:, 0] - reach - 1], points[left[:, 1] + reach]
    way, aside = (behind - before).T, (points[left.sum(axis=1) // 2] - before).T
    off = np.abs(way[0] * aside[1] - way[1] * aside[0])
    return np.asarray(left[off > 0.5 * ASIDE_PX * np.sqrt(way[0] ** 2 + way[1] ** 2)])


def _beside(
    points: Points, std: NDArray[np.float64], height: NDArray[np.float64], start: int, stop: int, reach: int
) -> bool:
    """Tell whether a dim stretch of points lies beside the line, and along it."""
    first, last = start - reach, stop + reach
    if first < ANCHOR_POINTS or last > len(points) - ANCHOR_POINTS:
        return False
    near = points[first - ANCHOR_POINTS : last + ANCHOR_POINTS]
    if float(step_lengths(near).max()) > WIDEST_STEP_PX:
        return False
    before, behind = slice(first - ANCHOR_POINTS, first), slice(last, last + ANCHOR_POINTS)
    chord = Line.through(points[before].mean(axis=0), points[behind].mean(axis=0))
    allowed = ASIDE_PX + ASIDE_STDS * float(std[start:stop].max()) + BULGE_SHARE * (last - first)
    # The line itself runs straight, as far as its own points scatter and a face bulges.
    for part in (before, behind):
        bent = ASIDE_PX + STRAIGHT_STDS * median(std[part]) + 0.5 * BULGE_SHARE * (last - first)
        if float(np.abs(chord.offset(points[part])).max()) > bent:
            return False
    off = chord.offset(points[start:stop])
    bright = min(median(height[before]), median(height[behind]))
    aside = (np.abs(off) > allowed) & (np.abs(np.gradient(off)) < ALONG_SLOPE)
    return bool(np.count_nonzero(aside) >= LEAST_COLUMNS and median(height[start:stop][aside]) < DIM_SHARE * bright)
