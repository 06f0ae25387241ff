"""The best place of each single point of a laser line: neighbours share what they know where the line hardly bends.

A parabola is fitted to ever more neighbours of each point; a longer stretch is taken only while its value agrees with
that of the shorter one within the noise (the rule of O. V. Lepski, Theory of Probability and its Applications 35, 1991,
454-466). Corners, toes and steps break the agreement: there each point stays as it was found. Neighbours are then no
longer independent: fits, which average on their own, take the points as they were found.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
from numpy.typing import NDArray

from core.geometry import Points
from vision.stripe import Stripe
from vision.stripe_centre import LEAST_STD_PX

HALF_WIDTHS = (2, 4, 6)
"""Neighbours on each side, in turn."""

AGREEMENT = 1.5
"""Standard uncertainties of the shorter stretch within which the longer one must agree."""

LEAST_SCATTER = 0.9
"""Scatter of neighbours over that of points a few columns apart: less where speckle moves neighbours alike."""

APART = 4

BREAK_PX = 1.5
"""Points farther apart than this along the columns are no neighbours."""


def steadied(stripe: Stripe) -> Stripe:
    """Return a line with the points of smooth stretches steadied by their neighbours, each with its uncertainty."""
    order = slice(None, None, 1 if stripe.orientation == "rows" else -1)
    points, std = shared(np.ascontiguousarray(stripe.points_px[:, order]), stripe.std_px)
    return replace(stripe, points_px=np.ascontiguousarray(points[:, order]), std_px=std)


def shared(points: Points, std: NDArray[np.float64]) -> tuple[Points, NDArray[np.float64]]:
    """Return the points with the rows of neighbours averaged where the line is smooth, and their standard uncertainty.

    Parameters
    ----------
    points
        (N, 2) px in order, the line followed by columns; points that were found by rows are left as they are.
    std
        (N,) across the columns, independent of each other.
    """
    value, known = points[:, 1].copy(), std.copy()
    if not _is_independent(points[:, 1]):
        return points, std
    going = np.ones(len(points), bool)
    for half in HALF_WIDTHS:
        width = 2 * half + 1
        if len(points) < width:
            break
        weights, spread = _parabola(half)
        inner = slice(half, len(points) - half)
        step = np.diff(points[:, 0])
        breaks = np.concatenate([[0], np.cumsum((step < 0.5) | (step > BREAK_PX))])
        even = breaks[width - 1 :] == breaks[: len(points) - width + 1]
        mean = np.convolve(points[:, 1], weights, mode="valid")
        agrees = np.zeros(len(points), bool)
        agrees[inner] = going[inner] & even & (np.abs(mean - value[inner]) < AGREEMENT * known[inner])
        value[agrees] = mean[agrees[inner]]
        known[agrees] = np.maximum(spread * std[agrees], LEAST_STD_PX)
        going = agrees
    return np.column_stack([points[:, 0], value]), known


def _is_independent(rows: NDArray[np.float64]) -> bool:
    """Tell whether neighbours scatter against each other as much as points do that are some columns apart."""
    if len(rows) < 16 * APART:
        return False
    return _scatter(rows, 1) > LEAST_SCATTER * _scatter(rows, APART)


def _scatter(rows: NDArray[np.float64], step: int) -> float:
    """Return the median of third differences: they know nothing of slope and bend, and little of corners."""
    third = rows[3 * step :] - 3 * rows[2 * step : -step] + 3 * rows[step : -2 * step] - rows[: -3 * step]
    return float(np.median(np.abs(third)))


@cache
def _parabola(half: int) -> tuple[NDArray[np.float64], float]:
    """Return the weights by which rows give a parabola's middle, and the root of the sum of their squares."""
    from scipy.signal import savgol_coeffs

    weights = np.asarray(savgol_coeffs(2 * half + 1, 2))
    return weights, float(np.sqrt(np.sum(weights**2)))
