"""Where the middle of a laser line lies in columns that hold it: by the peak, by the balance of its light."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from core.medians import median
from vision.stripe_width import counted

FOLLOWED = 2
"""So many times a window follows its centroid: a third time moves it by a hundredth of what speckle does (rms)."""

SATURATED_FOOT = 0.15
"""A saturated column is balanced above this share of its height: its flanks carry the place, its feet only noise."""

WIDER = 1.15
"""A saturated column that is so many times wider at its foot than usual may show something beside the line."""

DRAWN_COLUMNS, DRAWN_SHARE, DRAWN_REACHES = 25, 0.3, 3.0
"""Centroids that lie beside their peaks by this share of the line's width, in the mean over so many columns, are drawn
there; over so many times the reach of their window, for at a corner of the line they do so, too, within that."""

FLANK_PX = 3
"""Rows from where a saturated line is half as bright as in its middle to its foot."""


def log_parabola(
    smooth: NDArray[np.float32], peak: NDArray[np.int64], ground: NDArray[np.float32]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return the top of the parabola through the logarithms at a peak inside a band and beside it, height and bend."""
    count = smooth.shape[1]
    at = peak * count + np.arange(count)
    levels, low = smooth.ravel(), ground.astype(float)
    before, here, after = (np.maximum(levels[at + step] - low, 1e-3) for step in (-count, 0, count))
    log_before, log_here, log_after = np.log(before), np.log(here), np.log(after)
    bend = log_before - 2 * log_here + log_after
    shift = np.where(bend < -1e-9, 0.5 * (log_before - log_after) / np.minimum(bend, -1e-9), 0.0)
    return peak + np.clip(shift, -1.0, 1.0), here, bend


def centroid(
    band: NDArray[np.float32], start: NDArray[np.float64], ground: NDArray[np.float32], reach: float
) -> NDArray[np.float64]:
    """Return the centroid in a window that follows it, its rims weighted by their share of a pixel."""
    position = start.astype(np.float32)
    at = np.arange(len(band), dtype=np.float32)[:, None]
    light = band - ground
    for _ in range(FOLLOWED):
        away = at - position
        weight = np.abs(away)
        np.subtract(np.float32(reach + 0.5), weight, out=weight)
        np.clip(weight, 0.0, 1.0, out=weight)
        weight *= light
        total = weight.sum(axis=0)
        weight *= away
        position = position + weight.sum(axis=0) / np.maximum(total, np.float32(1e-3))
    return position.astype(float)


def drawn_aside(
    centre: NDArray[np.float64], peak: NDArray[np.float64], sigma_px: float, reach: float
) -> NDArray[np.bool_]:
    """Mark the columns along which centroids (N,) keep to one side of the peaks: other light lies in their window.

    Speckle moves both to and fro; a second line beside the first draws the wide window, half of which is ``reach``,
    towards it all along.
    """
    result = np.zeros(len(centre), bool)
    if len(result) <= DRAWN_REACHES * reach:
        return result
    off = np.ascontiguousarray(centre - peak, np.float32)[None]
    mean = cv2.blur(off, (DRAWN_COLUMNS, 1), borderType=cv2.BORDER_REPLICATE)[0]
    least = DRAWN_SHARE * sigma_px
    for drawn in (mean > least, mean < -least):
        for start, stop in np.flatnonzero(np.diff(drawn, prepend=False, append=False)).reshape(-1, 2).tolist():
            result[start:stop] |= stop - start > DRAWN_REACHES * reach
    return result


def flanks(
    band: NDArray[np.float32], start: NDArray[np.float64], ground: NDArray[np.float32], reach: float
) -> NDArray[np.float64]:
    """Return the balance of the light above the foot of a saturated column."""
    foot = ground + np.float32(SATURATED_FOOT) * (band.max(axis=0) - ground)
    light = np.maximum(band - foot, 0.0)
    away = np.arange(len(band), dtype=np.float32)[:, None] - start.astype(np.float32)
    light[np.abs(away) > reach] = 0.0
    lit = light > 0
    width = counted(lit)
    mixed = np.flatnonzero((width > WIDER * median(width) + 2) | (counted(lit[1:] & ~lit[:-1]) > 1))
    if len(mixed):
        light[:, mixed] = _without_neighbours(light[:, mixed], start[mixed])
    total = np.maximum(light.sum(axis=0), np.float32(1e-3))
    light *= away
    return np.asarray(start + light.sum(axis=0) / total, float)


def _without_neighbours(light: NDArray[np.float32], near: NDArray[np.float64]) -> NDArray[np.float32]:
    """Return the light of columns without what lies beside the bright run of rows nearest to a place.

    A reflection close to an overexposed line, which is wide, lies within reach of its balance.
    """
    at = np.arange(len(light))[:, None]
    dark = light < 0.5 * light.max(axis=0)
    middle = np.argmin(np.where(dark, np.inf, np.abs(at - near)), axis=0)
    above = np.where(dark & (at < middle), at, -1).max(axis=0)
    below = np.where(dark & (at > middle), at, len(light)).min(axis=0)
    return np.where((at > above - FLANK_PX) & (at < below + FLANK_PX), light, np.float32(0.0))
