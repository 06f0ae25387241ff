"""Sparks on a laser line: bright spots where the line is not overexposed elsewhere, which draw its centre aside."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from core.geometry import Line, Points

BESIDE = 40
"""Points on each side of a bright spot that show whether the line is overexposed there."""

MOST_OVEREXPOSED = 0.2
ANCHOR_POINTS = 6
"""Points before and behind a spot that show where the line runs."""

ASIDE_PX, ASIDE_STDS = 0.5, 6.0
"""A spot that lies so far beside the line before and behind it is no part of it; a glint of the metal lies on it."""

BULGE_SHARE = 0.02
"""A line may bend by this share of the length of a spot."""


def sparks(points: Points, std: NDArray[np.float64], saturated: NDArray[np.bool_], sigma: float) -> NDArray[np.bool_]:
    """Mark the points of overexposed spots that lie beside the line before and behind them.

    Parameters
    ----------
    points
        (N, 2) px, in order along the line; ``std`` and ``saturated`` (N,) belong to them.
    sigma
        Width of the line, px.
    """
    result = np.zeros(len(points), bool)
    changes = np.flatnonzero(np.diff(saturated, prepend=False, append=False))
    reach = math.ceil(sigma) + 2
    for start, stop in changes.reshape(-1, 2).tolist():
        near = np.concatenate([saturated[max(0, start - BESIDE) : start], saturated[stop : stop + BESIDE]])
        if not len(near) or float(near.mean()) > MOST_OVEREXPOSED:
            continue
        first, last = start - reach, stop + reach
        before, behind = points[max(0, first - ANCHOR_POINTS) : max(0, first)], points[last : last + ANCHOR_POINTS]
        if min(len(before), len(behind)) < ANCHOR_POINTS:
            continue
        chord = Line.through(before.mean(axis=0), behind.mean(axis=0))
        spot = slice(first, last)
        allowed = ASIDE_PX + ASIDE_STDS * float(std[spot].max()) + BULGE_SHARE * (last - first)
        if float(np.abs(chord.offset(points[spot])).max()) > allowed:
            result[spot] = True
    return result
