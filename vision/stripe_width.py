"""How wide a laser line is along its columns, and what of it is blur: the rest is the thickness of its sheet of light.

Blur widens a line along a column by its slope; the thickness of the sheet reaches as far along the columns whatever the
slope. A steep surface is dimmer under a thick sheet, and its corners are rounded by the blur alone.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from core.medians import median

FULL = 255.0
"""Grey level at which a sensor is at its limit."""

LEAST_TOLD_SLOPE, MOST_LEVEL_SLOPE, FEWEST_TOLD, NARROWEST = 0.5, 0.3, 12, 0.05
"""Slopes from which on and up to which, and number of columns in which, a line shows how much of its width is blur; the
smallest share of its variance that a part of it keeps."""

TELL_WIDTH = 200
"""Columns that tell how wide an overexposed line is."""

CUT_LEVELS = (0.8, 0.3)
"""Shares of what a sensor can tell at which the width of an overexposed line is taken."""


def counted(true: NDArray[np.bool_]) -> NDArray[np.uint8] | NDArray[np.uint16]:
    """Return how many are true in each column of a band."""
    return np.asarray(np.add.reduce(true.view(np.uint8), axis=0, dtype=np.uint8 if len(true) < 256 else np.uint16))


def variances(
    band: NDArray[np.float32],
    ground: NDArray[np.float32],
    bend: NDArray[np.float64],
    saturated: NDArray[np.bool_],
    sigma_px: float,
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Return the variance of the line along each column, px², and where it is told.

    The bend of a Gaussian's logarithm is -1 over its variance, of which that of the smoothing is taken off. Where the
    top is cut off, the widths at two levels below that tell it, whatever the height was.
    """
    told = bend < -1e-9
    variance = -1.0 / np.where(told, bend, -1.0) - sigma_px**2
    if saturated.any():
        light, top = band[:, saturated] - ground[saturated], FULL - ground[saturated]
        high, low = (counted(light > share * top).astype(float) for share in CUT_LEVELS)
        variance[saturated] = (low**2 - high**2) / (8.0 * math.log(CUT_LEVELS[0] / CUT_LEVELS[1]))
        told[saturated] = low < len(band)
    return variance, told


def cut_off_width(
    band: NDArray[np.float32], ground: NDArray[np.float32], saturated: NDArray[np.bool_], slope: NDArray[np.float64]
) -> float:
    """Return how wide an overexposed line is across its direction, px, where it is half as bright as can be told."""
    some = np.flatnonzero(saturated)
    some = some[:: max(1, len(some) // TELL_WIDTH)]
    light, top = band[:, some] - ground[some], FULL - ground[some]
    return median(counted(light > 0.5 * top) / np.sqrt(1.0 + slope[some] ** 2))


def widths(
    variance: NDArray[np.float64],
    told: NDArray[np.bool_],
    slope: NDArray[np.float64],
    sigma_px: float,
    *,
    turned: bool,
) -> tuple[NDArray[np.float64], tuple[float, float]]:
    """Return the standard deviation of the line along each column, and how far light is spread along rows and columns.

    What is whose is seen in the variance where the line is level and where it is steep; where only one of them is seen
    all is taken for blur. What is followed along the rows, a thin stroke of a thick sheet, may be narrower altogether.

    Parameters
    ----------
    variance, told, slope
        (N,) of each column, px², and whether that is told; the slope of the line there, without its sign.
    sigma_px
        Usual width of the line.
    turned
        The columns are rows of the frame.
    """
    square = sigma_px**2
    rise = np.minimum(slope, 4.0) ** 2
    steep = slope > LEAST_TOLD_SLOPE
    if np.count_nonzero(told & steep) < FEWEST_TOLD and not turned:
        return sigma_px * np.sqrt(1 + rise), (sigma_px, sigma_px)
    level = told & (slope < MOST_LEVEL_SLOPE)
    if turned or np.count_nonzero(level) < FEWEST_TOLD:
        share = 1.0
        if told.any():
            share = min(max(median(variance[told] / (square * (1 + rise[told]))), NARROWEST), 1.0)
        alike = sigma_px * math.sqrt(share)
        return alike * np.sqrt(1 + rise), (alike, alike)
    own = min(max(median(variance[level]), NARROWEST * square), square)
    seen = told & steep
    blur = min(max(median((variance[seen] - own) / rise[seen]), 0.0), own)
    return np.sqrt(own + blur * rise), (math.sqrt(blur), math.sqrt(own))
