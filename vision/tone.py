"""How stored grey values follow light, and what not knowing it does to the place of an edge.

A lens spreads an edge in light. A camera that stores tones on a curve (sRGB, IEC 61966-2-1) shifts the place of
half contrast to the dark side, by up to two thirds of the edge spread where the contrast is high: all edges of a
bright section move outwards by as much. One picture does not tell on which curve it was stored: the shape of the edge
looks nearly the same on either.
"""

from __future__ import annotations

import math
from statistics import NormalDist
from typing import Literal

import numpy as np
from numpy.typing import NDArray

ToneCurve = Literal["unknown", "linear", "srgb"]

STEEPEST = 2.2
"""Power of the steepest curve in common use, about that of sRGB."""

KNOWN_TO = 0.2
"""Share of a stated curve's effect that stays in doubt: cameras raise contrast on top of it (judged, no source)."""


def light_table() -> NDArray[np.float32]:
    """Return the light behind each of 256 sRGB values, 0 to 255, (256,) (IEC 61966-2-1, 5.2)."""
    value = np.arange(256) / 255.0
    light = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)
    return np.asarray(255.0 * light, np.float32)


def half_level(curve: ToneCurve, first: float, second: float) -> float:
    """Return the stored value, 0 to 255, half-way in light between two: a symmetric blur leaves an edge there.

    On an unknown curve it is the mean of both.
    """
    if curve != "srgb":
        return 0.5 * (first + second)
    table = light_table()
    light = np.interp([first, second], np.arange(256), table)
    return float(np.interp(0.5 * (light[0] + light[1]), table, np.arange(256)))


def edge_doubt_px(curve: ToneCurve, dark: float, bright: float, blur_px: float) -> float:
    """Return the standard uncertainty of the place of all edges from the tone curve, px.

    An unknown curve lies anywhere between proportion and the steepest one: the place found is right for the one, and
    off by the whole shift for the other (a rectangle that begins at the place found).

    Parameters
    ----------
    dark, bright
        Stored values on both sides of the edge, 0 to 255.
    blur_px
        Standard deviation of the edge spread.
    """
    if curve == "linear" or bright - dark < 1:
        return 0.0
    low, high = max(dark, 0.0) ** STEEPEST, bright**STEEPEST
    share = (((dark + bright) / 2) ** STEEPEST - low) / (high - low)
    shift = abs(NormalDist().inv_cdf(min(max(share, 1e-3), 0.999))) * blur_px
    return shift / math.sqrt(3) if curve == "unknown" else KNOWN_TO * shift / math.sqrt(3)
