"""How much single points of a line scatter, whatever the line's slope and bend are."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from core.medians import median

THIRD_SPREAD = math.sqrt(20.0)
"""Standard deviation of third differences over that of a point."""

APART = 3


def scatter_std(columns: NDArray[np.int64], position: NDArray[np.float64]) -> float:
    """Return the robust scatter of a point from third differences, NaN with fewer than 12.

    Third differences are free of the line's own slope and bend. Columns three apart serve: speckle is one thing for
    columns side by side.
    """
    if len(columns) <= 3 * APART:
        return math.nan
    together = columns[3 * APART :] - columns[: -3 * APART] == 3 * APART
    one, two, three, four = (position[i * APART : len(position) - (3 - i) * APART] for i in range(4))
    third = third_difference(one, two, three, four)[together]
    third = third[np.isfinite(third)]
    if len(third) < 12:
        return math.nan
    return 1.4826 * median(np.abs(third)) / THIRD_SPREAD


def third_difference(
    one: NDArray[np.float64], two: NDArray[np.float64], three: NDArray[np.float64], four: NDArray[np.float64]
) -> NDArray[np.float64]:
    return np.asarray(four - 3 * three + 3 * two - one)
