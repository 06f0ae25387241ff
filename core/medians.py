"""Medians and other quantiles: over a short array most of what numpy's own take is not the sorting."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

FEW = 3000
"""Up to so many values are sorted faster than they are parted."""


def median(values: ArrayLike) -> float:
    """Return the median of all values, NaN when there are none or one of them is NaN."""
    given = np.asarray(values).ravel()
    count = len(given)
    if count == 0:
        return math.nan
    if count <= FEW:
        ordered = np.sort(given)
        # What is no number is sorted to the end.
        if ordered[-1] != ordered[-1]:
            return math.nan
        below, above = ordered[(count - 1) // 2], ordered[count // 2]
    else:
        greatest = given.max()
        if greatest != greatest:
            return math.nan
        below, above = _at_places(given, (count - 1) // 2, count // 2)
    if count % 2:
        return float(above)
    # The sum of two bytes is no byte.
    return float((below + above) / 2) if given.dtype.kind == "f" else (float(below) + float(above)) / 2


def quantile(values: ArrayLike, share: float) -> float:
    """Return the value below which a share of all values lies, on the straight line between two of them.

    NaN when there are none; the values must be numbers.
    """
    given = np.asarray(values).ravel()
    if len(given) == 0:
        return math.nan
    place = share * (len(given) - 1)
    low = int(place)
    below, above = (float(value) for value in _at_places(given, low, min(low + 1, len(given) - 1)))
    return below + (place - low) * (above - below)


def _at_places(values: NDArray[Any], first: int, second: int) -> tuple[Any, Any]:
    """Return the values at one place of their order and at the same or the next, of values that are numbers."""
    if len(values) <= FEW:
        ordered = np.sort(values)
        return ordered[first], ordered[second]
    parted = values.copy()
    # Parting at two places takes twice the time of parting at one and looking for the greatest below.
    parted.partition(second)
    return parted[second] if first == second else parted[:second].max(), parted[second]
