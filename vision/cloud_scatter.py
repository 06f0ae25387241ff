"""How much points of a cloud scatter across the surface, and their means along it: seen in the points themselves.

Points of one device do not scatter each on its own. A camera smooths what it sees over its pixels, two passes of a
scanner lie off each other, and points in columns that are seen from aside lie in the order of their scatter. Means over
a few of them then stray by more than their number says.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from core.geometry import Points
from vision.line_scatter import across_chords

LAGS, LAG_MM = (1, 2, 3, 5), 0.15
"""Points compared with those so many farther on, but no farther than this apart: what differs then is scatter."""

STRIDES, STRIDE_MM = (1, 2, 3, 4, 6, 8), 1.0
"""Means compared with the line through those so many before and behind, but no farther off: beyond, a face bends."""

PIECE = 12
"""So many means in a row tell what they scatter: few enough for a corner or a face to spoil no others."""

MORE = 1.3
"""Means of points that scatter on their own stray as told within this factor, as few as they are."""


def scatter_of_points(along: NDArray[np.float64], across: NDArray[np.float64]) -> float:
    """Return the robust standard deviation of points across a surface, mm.

    Parameters
    ----------
    along, across
        (N,) places along the surface, rising, and distances from a line that follows it.
    """
    found = 0.0
    for lag in LAGS:
        if lag > 1 and (lag >= len(along) or float(np.median(along[lag:] - along[:-lag])) > LAG_MM):
            break
        # Differences of neighbours: neither slope nor bend of the surface is taken for scatter.
        found = max(found, 1.4826 * float(np.median(np.abs(across[lag:] - across[:-lag]))) / math.sqrt(2.0))
    return found


def more_than_told(means: Points, std_mm: NDArray[np.float64]) -> tuple[float, float]:
    """Return by which factor means (N, 2) stray more than told, at least 1, and over how many of them alike.

    Means that share a part of what makes them stray less from their next neighbours than from those farther off.
    """
    spacing = float(np.median(np.hypot(*np.diff(means, axis=0).T)))
    told = float(np.median(std_mm))
    spreads = {
        stride: spread_across(means, stride)
        for stride in STRIDES
        if len(means) > 2 * stride + 8 and (stride == 1 or stride * spacing <= STRIDE_MM)
    }
    largest = max(spreads.values(), default=0.0)
    if told <= 0 or largest <= MORE * told:
        return 1.0, 1.0
    return largest / told, float(min(stride for stride, spread in spreads.items() if spread > largest / MORE))


def spread_across(points: Points, stride: int) -> float:
    """Return how much points (N, 2) scatter across the lines through those a stride away on both sides, mm."""
    across, _ = across_chords(points, stride)
    if len(across) == 0:
        return 0.0
    ends = np.arange(0, len(across), PIECE)
    sums, counts = np.add.reduceat(across**2, ends), np.diff(np.append(ends, len(across)))
    # Corners and bent faces take up a few pieces whole: half of the others are below what all of them scatter.
    return float(np.sqrt(np.median(sums / counts)))
