"""How much single points of a line or a profile scatter, whatever its slope and bend are."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from core.geometry import Points
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


def across_chords(points: Points, stride: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return how far points (N, 2) lie off the chords through those a stride away on both sides, and their lengths.

    Distances are scaled so that points which scatter on their own show their own scatter, wherever between the two
    they lie. Chords without length are left out: none may be left.
    """
    before, here, after = points[: -2 * stride], points[stride:-stride], points[2 * stride :]
    chord = after - before
    length = np.hypot(chord[:, 0], chord[:, 1])
    usable = length > 0
    chord, length, offset = chord[usable], length[usable], (here - before)[usable]
    share = np.sum(offset * chord, axis=1) / length**2
    across = (chord[:, 0] * offset[:, 1] - chord[:, 1] * offset[:, 0]) / length
    return np.asarray(across / np.sqrt(1 + share**2 + (1 - share) ** 2)), length


def third_difference(
    one: NDArray[np.float64], two: NDArray[np.float64], three: NDArray[np.float64], four: NDArray[np.float64]
) -> NDArray[np.float64]:
    return np.asarray(four - 3 * three + 3 * two - one)
