"""The median of a few numbers: most of what numpy's own takes over a short array is not the sorting."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike


def median(values: ArrayLike) -> float:
    """Return the median of all values, NaN when there are none or one of them is NaN."""
    ordered = np.sort(np.asarray(values), axis=None)
    count = len(ordered)
    # What is no number is sorted to the end.
    if count == 0 or ordered[-1] != ordered[-1]:
        return float("nan")
    middle = count // 2
    return float(ordered[middle] if count % 2 else (ordered[middle - 1] + ordered[middle]) / 2)
