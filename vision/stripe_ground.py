"""What a ground that is not even does to the centre of a laser line on it.

Room light on brushed or rolled metal leaves streaks that go on along the line for many columns: neighbouring columns
are off together, so that no difference between them tells it. The ground beside the line tells: what an estimator
makes of it there, it makes of it below the line.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from core.fitting import correlation_points

UNEVEN = 2.4
"""Blocks of pixels that scatter by so many times what the noise of pixels leaves in them show a texture."""

CLEAR_SIGMAS = 8.0
"""The line is gone so many of its widths away from its middle."""


def ground_courses(
    course: NDArray[np.float64], height: int, sigma_px: float, half: int
) -> list[tuple[NDArray[np.bool_], NDArray[np.float64]]]:
    """Return where the ground can be seen beside a line: columns whose band lies in the frame, and its middle rows.

    Both sides of the line are offered that have more than half of the columns.
    """
    sides = []
    for side in (-1.0, 1.0):
        beside = course + side * (CLEAR_SIGMAS * sigma_px + half)
        inside = (beside - half >= 0) & (beside + half <= height - 1)
        if np.count_nonzero(inside) > 0.5 * len(course):
            sides.append((inside, beside[inside]))
    return sides


@dataclass(frozen=True, slots=True)
class Moved:
    """How far the ground moves a line's centre.

    Attributes
    ----------
    peak, centroid
        Standard deviation, px for a line that is one grey level high: of the top of the smoothed line, of its centroid.
    peak_points, centroid_points
        Neighbouring columns that are moved together.
    """

    peak: float
    centroid: float
    peak_points: float
    centroid_points: float


def moved_by_ground(bands: Sequence[NDArray[np.float32]], sigma_px: float, reach: float) -> Moved:
    """Return how far the ground moves the peak of a smoothed line and its centroid.

    Both are linear in what is added to a line: their weights are laid over the ground beside it.

    Parameters
    ----------
    bands
        One or two of (2 half + 1, N) pixels of the ground, as high as the window of the centroid.
    sigma_px, reach
        Width of the line and half the window of the centroid.
    """
    half = len(bands[0]) // 2
    away = np.arange(-half, half + 1, dtype=float)
    bell = np.exp(-0.5 * (away / sigma_px) ** 2)
    # A line smoothed by its own width has 1/sqrt(2) of its height, and 1/(2 sigma²) of that as its bend.
    peak = away * bell / bell.sum() * 2.0 * math.sqrt(2.0)
    window = away * np.clip(reach + 0.5 - np.abs(away), 0.0, 1.0) / (sigma_px * math.sqrt(2 * math.pi))
    weights = np.stack([peak, window]).astype(np.float32)
    sides = [np.asarray(weights @ band, float) for band in bands]
    moved = np.concatenate(sides, axis=1)
    middle = np.median(moved, axis=1, keepdims=True)
    spread = 1.4826 * np.median(np.abs(moved - middle), axis=1)
    together = [max(correlation_points(side[which]) for side in sides) for which in (0, 1)]
    return Moved(float(spread[0]), float(spread[1]), *together)
