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

from vision.tone import ToneCurve

LIMIT = 251.0
"""Stored level from which a side is at the limit; conversions from colour and JPEG take a few off 255."""

LEAST_SKEWNESS, LEAST_SKEWNESS_UNKNOWN, LEAST_WHOLE_PX = 0.035, 0.01, 0.7
"""Skewness of an edge's slope, towards its dark side, and spread of it, from and below which it is cut off. Of whole
edges, drawn with spreads of 0.6 to 2.5 px, no skewness is above 0.028 (in light; below 0 where the curve is not known);
of those cut off at four fifths of their height or lower each has more or a spread below 0.5, and sharpening hides the
skewness of edges that it makes as narrow as the last."""

LOBE = 0.04
"""Share of an edge's slope by which it goes the other way beside it where the picture was sharpened: that takes the
skewness away with which it would show whether it is cut off."""

LEAST_SHARE = 0.2
"""Share of an outline one side of which is at the limit, from which it tells."""

FARTHEST = 3.0
"""How far off the edge may be, in spreads of it that are seen, for a side up to four times as bright as is stored
(drawn edges, 2.7 to 3; more than two stops are seen by who takes the picture: judged, no source)."""

LEAST_SPREAD_PX = 0.6
"""Little is seen of an edge that is cut off at a quarter of its height: no less is taken for its spread."""


def is_sharpened(profile: NDArray[np.float64]) -> bool:
    """Tell whether the slope across an edge, (N,), goes the other way beside it."""
    return -float(profile.min()) > LOBE * float(profile.max())


def is_cut_off(skewness: float, spread_px: float, curve: ToneCurve) -> bool:
    """Tell whether an edge with a side at the limit ends there abruptly, as light beyond the limit does.

    Paper or metal that is just as bright as the limit shows a whole edge. ``skewness`` is positive where the slope
    (its spread 1, its third moment) reaches farther to the dark side.
    """
    least = LEAST_SKEWNESS_UNKNOWN if curve == "unknown" else LEAST_SKEWNESS
    return skewness > least or spread_px < LEAST_WHOLE_PX


def limit_doubt_px(blur_px: float) -> float:
    """Return the standard uncertainty of the place of all edges beside an overexposed side, px.

    The place found is right for a side that is just as bright as is stored, and off by the farthest for the brightest
    (a rectangle that begins at the place found).
    """
    return FARTHEST * max(blur_px, LEAST_SPREAD_PX) / math.sqrt(3)
