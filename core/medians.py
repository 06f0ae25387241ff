"""Medians and other quantiles: over a short array most of what numpy's own take is not the sorting."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

FEW = 300
"""Up to so many values are sorted faster than they are parted."""


def median(values: ArrayLike) -> float:
    """Return the median of all values, NaN when there are none or one of them is NaN."""
    given = np.asarray(values)
    count = given.size
    middle = count // 2
    if count > FEW:
        ordered = np.partition(given, (middle - 1, middle), axis=None)
        greatest = ordered[middle:].max()  # NaN when one is among them
    else:
        ordered = np.sort(given, axis=None)
        greatest = ordered[-1] if count else np.nan  # what is no number is sorted to the end
    if greatest != greatest:
        return float("nan")
    return float(ordered[middle] if count % 2 else (ordered[middle - 1] + ordered[middle]) / 2)


def quantile(values: ArrayLike, share: float) -> float:
    """Return the value below which a share of all values lies, on the straight line between two of them.

    NaN when there are none; the values must be numbers.
    """
    given = np.asarray(values)
    if given.size == 0:
        return float("nan")
    place = share * (given.size - 1)
    low = int(place)
    high = min(low + 1, given.size - 1)
    parted = np.partition(given, (low, high), axis=None)
    below, above = float(parted[low]), float(parted[high])
    return below + (place - low) * (above - below)
