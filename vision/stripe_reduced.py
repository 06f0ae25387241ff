"""A laser frame reduced for a first look: where light stands out of the ground, and which way the line runs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from core.medians import median, quantile

FACTOR = 4
LEAST_LEVELS = 3.0
"""Least height of a line above its ground in the reduced frame, grey levels of 255."""

NOISE_TIMES = 5.0
LOCAL_SHARE = 0.25
"""What is below this share of the brightest light in reach across the line is its halo."""

FEW_ONCE = 0.3
"""Where a smaller share of the columns, or rows, with light has it once there is more than one line."""

REACH = 12
SAMPLED = 4
"""One reduced pixel in so many rows and columns tells the noise."""


@dataclass(frozen=True, slots=True, eq=False)
class Reduced:
    """A frame reduced by ``factor`` with its ground taken off, and where light stands out of it.

    Attributes
    ----------
    light
        (h, w) float32, grey levels above the ground.
    mask
        (h, w) bool.
    """

    light: NDArray[np.float32]
    mask: NDArray[np.bool_]
    factor: int
    noise: float

    def transposed(self) -> Reduced:
        """Return the same with rows and columns exchanged."""
        return Reduced(np.ascontiguousarray(self.light.T), np.ascontiguousarray(self.mask.T), self.factor, self.noise)


def reduce_frame(gray: NDArray[Any]) -> Reduced:
    """Return the reduced frame of a grey picture of any depth."""
    height, width = gray.shape
    factor = FACTOR if min(height, width) >= 64 * FACTOR else 2 if min(height, width) >= 128 else 1
    means = _block_means(gray, factor)
    ground = cv2.boxFilter(means, cv2.CV_32F, (31, 31), borderType=cv2.BORDER_REFLECT)
    light = np.asarray(cv2.subtract(means, ground, dst=ground, dtype=cv2.CV_32F), np.float32)
    sample = light[::SAMPLED, ::SAMPLED].ravel()
    noise = 1.4826 * median(np.abs(sample - np.float32(median(sample))))
    level = max(NOISE_TIMES * noise, LEAST_LEVELS)
    return Reduced(light, light > level, factor, noise)


def _block_means(gray: NDArray[Any], factor: int) -> NDArray[np.uint8] | NDArray[np.float32]:
    """Return the mean of each block of ``factor`` (1, 2 or 4) rows and columns in grey levels of 255, (h, w).

    Whole blocks only: places map back without a fraction. OpenCV is quick with blocks of two rows and columns, so
    that blocks of four are taken in two steps; of 8 bits each of them rounds to whole levels.
    """
    height, width = gray.shape[0] // factor, gray.shape[1] // factor
    means = gray[: height * factor, : width * factor]
    for step in range(1, factor.bit_length()):
        shape = (width * factor >> step, height * factor >> step)
        means = cv2.resize(means, shape, interpolation=cv2.INTER_AREA)
    if gray.dtype == np.uint8:
        return np.asarray(means, np.uint8)
    return np.asarray(means * np.float32(1 / 257), np.float32)


def across_only(reduced: Reduced) -> Reduced:
    """Return the reduced frame with the halo beside brighter light in the same column masked out."""
    lit = lit_rows(reduced.mask)
    near = slice(max(0, lit.start - REACH), lit.stop + REACH)
    high = cv2.dilate(reduced.light[near], np.ones((2 * REACH + 1, 1), np.uint8))[lit.start - near.start :]
    high = np.asarray(high * np.float32(LOCAL_SHARE))
    mask = np.zeros_like(reduced.mask)
    mask[lit] = reduced.mask[lit] & (reduced.light[lit] > high[: lit.stop - lit.start])
    return Reduced(reduced.light, mask, reduced.factor, reduced.noise)


def lit_rows(mask: NDArray[np.bool_]) -> slice:
    """Return the rows from the first to the last with any light: a line seldom takes up the whole height."""
    lit = np.flatnonzero(mask.any(axis=1))
    return slice(int(lit[0]), int(lit[-1]) + 1) if len(lit) else slice(0, 0)


def runs_along_rows(reduced: Reduced) -> bool:
    """Tell whether the line goes from left to right rather than from top to bottom.

    Across its own direction a line is met once and in many places: a V that leaves the picture at the top is
    met twice in each row.
    """
    lit = lit_rows(reduced.mask)
    light = reduced.light[lit]
    levels = light[reduced.mask[lit]]
    if not len(levels):
        return True
    bright = (light > 0.4 * quantile(levels, 0.9)).view(np.uint8)
    once, lit_columns = _met_once(bright)
    once_turned, lit_across = _met_once(np.asarray(cv2.transpose(bright), np.uint8))
    if max(once, once_turned) < FEW_ONCE * max(lit_columns, lit_across):
        return lit_columns >= lit_across  # two lines side by side are met twice all along, and once at their rims
    return once >= once_turned


def _met_once(bright: NDArray[np.uint8]) -> tuple[int, int]:
    """Return the number of columns in which light is met once, and at all, of a mask of ones."""
    begins = (bright[1:] > bright[:-1]).view(np.uint8)
    count = np.add.reduce(begins, axis=0, dtype=np.uint16) + bright[0]
    return int(np.count_nonzero(count == 1)), int(np.count_nonzero(count))
