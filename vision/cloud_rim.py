"""Where a surface ends in a cloud: the last of its points are as many as their scatter lets stray beyond its rim.

Points lie evenly along the last stretch of a surface and stray from their places along it, too. How likely a rim makes
them is known in closed form; the likeliest is taken, and how fast the likelihood falls beside it is its uncertainty.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

REACH_MM, LEAST_REACH_MM, FEWEST = 2.5, 0.5, 12
"""Stretch before a rim along which points lie evenly, least of it, and fewest points on it, that tell the rim."""

STRAYS, STRAY_MM = 0.01, 3.0
"""Share of points that belong to something else, anywhere over so many mm."""

ALONG_SHARE = 0.4
"""How far the rim is off, as a share of the scatter across a surface, beyond what its points tell (a standard
uncertainty), where the surface lies square to the line of sight: of a scanner that scatters in that line only it is
told 0.34 times the scatter too short (judged on drawn clouds). Along a steep face such scatter leads nearly wholly."""

STEP_MM = 0.005
_Z = np.linspace(-8.0, 8.0, 3201)
_BELOW = np.array([0.5 * math.erfc(-z / math.sqrt(2.0)) for z in _Z.tolist()])


def rim_of(along: NDArray[np.float64], noise_mm: float, square: float = 1.0) -> tuple[float, float] | None:
    """Return where a surface ends and the standard uncertainty of that, mm; None where too few points tell it.

    Parameters
    ----------
    along
        (N,) places of its points along the surface, the rim where they are largest.
    noise_mm
        How far a point strays from its place.
    square
        Sine of the angle between the surface and where it is seen from.
    """
    if len(along) < FEWEST or noise_mm <= 0:
        return None
    last = float(np.sort(along)[-3])
    start = max(float(along.min()), last - REACH_MM)
    near = along[along >= start]
    if last - start < LEAST_REACH_MM or len(near) < FEWEST:
        return None
    spacing = (last - start) / len(near)
    ends = np.arange(last - 4.0 * noise_mm, last + 2.0 * noise_mm + 8.0 * spacing, STEP_MM)
    ends = ends[ends > start + 2.0 * noise_mm]
    if len(ends) < 3:
        return None
    seen = _below((ends[:, None] - near[None]) / noise_mm)
    z = (ends - start) / noise_mm
    whole = noise_mm * (z * _below(z) + np.exp(-(z**2) / 2) / math.sqrt(2 * math.pi))
    likely = np.log((1 - STRAYS) * seen / whole[:, None] + STRAYS / STRAY_MM).sum(axis=1)
    weight = np.exp(likely - likely.max())
    weight /= weight.sum()
    rim = float(weight @ ends)
    return rim, math.hypot(math.sqrt(float(weight @ (ends - rim) ** 2)), ALONG_SHARE * square * noise_mm)


def _below(z: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the normal distribution, from a table."""
    return np.asarray(np.interp(z, _Z, _BELOW), np.float64)
