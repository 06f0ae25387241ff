"""Points that were taken for a laser line and are none of it: light that fades out, runs together or stands alone."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from core.geometry import Points
from core.medians import median
from vision.stripe_ends import BREAK_PX, pieces

SPARK_PX = 12.0
"""So long a piece of a line may be a spark, however little light is spread along it."""

DARK_SHARE = 0.5
RUN_TOGETHER_SIGMAS = 1.5
"""Light of an end reaches into the dark, and that of the other into its own, over about this many widths."""


def beyond_ends(points: Points, height: NDArray[np.float64], sigma: float) -> NDArray[np.bool_]:
    """Mark points where the line only fades out beyond its end: less than half as bright as just before.

    A line that ends is blurred as it is across: at its true end it is half as bright as inside.
    """
    result = np.zeros(len(points), bool)
    reach = max(3, round(3 * sigma))
    for start, stop in pieces(points):
        if stop - start < 4 * reach:
            continue
        for order in (np.arange(start, stop), np.arange(stop - 1, start - 1, -1)):
            inside = median(height[order[reach : 3 * reach]])
            faded = height[order[:reach]] < 0.5 * inside
            count = int(np.argmin(faded)) if not faded.all() else reach
            result[order[:count]] = True
    return result


def bridges(points: Points, height: NDArray[np.float64], stretch: NDArray[np.int64], sigma: float) -> NDArray[np.bool_]:
    """Mark points of short walls that lead over the dark between two ends: the light of both runs together there.

    A wall of metal is lit; what only joins two ends is somewhere less than half as bright as what it joins.

    Parameters
    ----------
    stretch
        (N,) number of the stretch each point belongs to; odd ones are walls that were filled in.
    """
    result = np.zeros(len(points), bool)
    reach = max(6, round(4 * sigma))
    for wall in range(1, int(stretch.max(initial=0)) + 1, 2):
        inside = np.flatnonzero(stretch == wall)
        first, last = int(inside[0]), int(inside[-1])
        before, after = height[max(0, first - reach) : first], height[last + 1 : last + 1 + reach]
        if not len(before) or not len(after):
            continue
        dark = inside[height[inside] < DARK_SHARE * min(float(before.max()), float(after.max()))]
        if len(dark):
            near = np.arange(max(0, first - reach), min(len(points), last + 1 + reach))
            away = np.hypot(*(points[near, None] - points[dark][None]).transpose(2, 0, 1)).min(axis=1)
            result[near[away < RUN_TOGETHER_SIGMAS * sigma]] = True
    return result


def astray(points: Points, std: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Mark points that step aside from both neighbours farther than any corner does: light of two runs taken as one.

    A right angle followed pixel by pixel lies 0.7 px beside the chord of its neighbours.
    """
    result = np.zeros(len(points), bool)
    if len(points) < 3:
        return result
    chord = points[2:] - points[:-2]
    length = np.maximum(np.sqrt(chord[:, 0] ** 2 + chord[:, 1] ** 2), 1e-9)
    aside = points[1:-1] - points[:-2]
    off = np.abs(chord[:, 0] * aside[:, 1] - chord[:, 1] * aside[:, 0]) / length
    result[1:-1] = (length < BREAK_PX) & (off > 1.0 + 5.0 * std[1:-1])
    return result


def islands(points: Points, sigma: float, blur: float) -> NDArray[np.bool_]:
    """Mark points of pieces no longer than the line is wide, or than blur makes a spark: that is not told from them."""
    result = np.zeros(len(points), bool)
    for start, stop in pieces(points):
        if stop - start < max(min(5 * sigma, SPARK_PX), 5 * blur):
            result[start:stop] = True
    return result
