"""How long an imperfection is in a stretch that slides along a seam, counted by the cells of its sections."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Values = NDArray[np.float64]
Mask = NDArray[np.bool_]
DECIMALS = 6


def longest_in_window(places: Values, where: Mask, pitch_mm: float, window_mm: float) -> tuple[float, float | None]:
    """Return the largest summed length of marked cells in any window, and where that window begins.

    The sum changes linearly while the window moves, and is largest where it begins or ends with a marked cell.
    """
    if not where.any():
        return 0.0, None
    starts = places[where] - pitch_mm / 2
    edges = np.concatenate([places - pitch_mm / 2, places[-1:] + pitch_mm / 2])
    summed = np.concatenate([[0.0], np.cumsum(where * pitch_mm)])
    begins = np.concatenate([starts, starts + pitch_mm - window_mm])
    sums = np.interp(begins + window_mm, edges, summed) - np.interp(begins, edges, summed)
    best = int(np.argmax(np.round(sums, DECIMALS)))
    return float(sums[best]), float(max(begins[best] + pitch_mm / 2, places[0]))


def longest_about(where: Mask, pitch_mm: float, window_mm: float | None) -> Values:
    """Return for each cell the largest summed length of marked ones in any window that holds it, (N,) mm.

    Parameters
    ----------
    where
        (N,) marked cells of a seam, each one pitch long.
    window_mm
        Length of the window, None for the whole seam; it holds one cell at least.
    """
    count = len(where)
    if window_mm is None or window_mm >= count * pitch_mm:
        return np.full(count, where.sum() * pitch_mm)
    window = max(window_mm / pitch_mm, 1.0)
    edges = np.arange(count + 1.0)
    summed = np.concatenate([[0.0], np.cumsum(where)])
    # The sum is linear between these beginnings, so that it is largest at one of them.
    begins = np.unique(np.concatenate([edges, edges - window]).round(DECIMALS))
    sums = np.interp(begins + window, edges, summed) - np.interp(begins, edges, summed)
    first = np.searchsorted(begins, (edges[1:] - window).round(DECIMALS))
    last = np.searchsorted(begins, edges[:-1], side="right")
    return np.array([sums[a:b].max() for a, b in zip(first, last, strict=True)]) * pitch_mm
