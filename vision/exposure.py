"""What an overexposed side does to the place of an edge.

Light beyond the limit of the sensor is stored as the limit. Half-way between the dark side and that limit is less than
half-way between the two sides, so the edge is found on the dark side of where it is: where the bright side is twice as
bright as is stored, by two thirds of the spread of the edge, where four times, by one and an eighth (the quantiles of a
normal distribution at a quarter and an eighth). Of the spread less is seen as well, six and four tenths of it.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

LIMIT = 251.0
"""Stored level from which a side is at the limit; conversions from colour and JPEG take a few off 255."""

LEAST_SHARE = 0.2
"""Share of an outline one side of which is at the limit, from which it tells."""

FARTHEST = 3.0
"""How far off the edge may be, in spreads of it that are seen, for a side up to four times as bright as is stored
(drawn edges, 2.7 to 3; more than two stops are seen by who takes the picture: judged, no source)."""

LEAST_SPREAD_PX = 0.6
"""Little is seen of an edge that is cut off at a quarter of its height: no less is taken for its spread."""


def is_overexposed(inner: NDArray[np.uint8], outer: NDArray[np.uint8]) -> bool:
    """Tell whether one side of an outline is at the limit of the sensor, from stored levels on both sides (N,)."""
    return max(float(np.mean(inner >= LIMIT)), float(np.mean(outer >= LIMIT))) > LEAST_SHARE


def limit_doubt_px(blur_px: float) -> float:
    """Return the standard uncertainty of the place of all edges beside an overexposed side, px.

    The place found is right for a side that is just as bright as is stored, and off by the farthest for the brightest
    (a rectangle that begins at the place found).
    """
    return FARTHEST * max(blur_px, LEAST_SPREAD_PX) / math.sqrt(3)
