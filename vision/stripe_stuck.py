"""Sparks and reflections that stick to one side of an overexposed laser line.

At the limit of the sensor the line and the light that touches it are one: only the outline of both is seen, and its
middle is drawn aside. The other side of the line goes on as before, which no groove or corner of the metal does.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.stripe_width import FULL, counted

SWOLLEN_PX, SWOLLEN_SHARE = 2.0, 0.2
"""Columns wider than usual there by each of these, px and share, may show more than the line."""

NEAR_COLUMNS = 61
"""Columns whose median is the usual width of an overexposed line."""

ANCHOR_COLUMNS, BESIDE_COLUMNS, APART_COLUMNS = 8, 2, 5
"""Columns before and behind a swollen stretch that show where its sides run, and those of its rims that are left to it;
stretches no farther apart are one."""

MOST_COLUMNS = 80
STEADY_PX, DEPARTS_PX, BENDS_SHARE = 1.5, 2.5, 0.02
"""A side that goes on lies no farther off its course, the other one somewhere at least so far; a line may bend by the
last share of the length of a stretch."""


def stuck(
    band: NDArray[np.float32], ground: NDArray[np.float32], position: NDArray[np.float64], origin: NDArray[np.int64]
) -> NDArray[np.bool_]:
    """Mark the columns in which other light sticks to one side of an overexposed line.

    Parameters
    ----------
    band
        (H, N) pixels around the course of the line in neighbouring columns; ``ground`` (N,) is theirs.
    position, origin
        (N,) middle of the line in the band, and the row of the frame at which each column of it begins.
    """
    result = np.zeros(band.shape[1], bool)
    if band.shape[1] < NEAR_COLUMNS:
        return result
    lit = band > 0.5 * (FULL + ground)
    for start, stop in _stretches(_swollen(counted(lit))):
        first, last = start - ANCHOR_COLUMNS, stop + ANCHOR_COLUMNS
        if stop - start > MOST_COLUMNS or first < 0 or last > len(result):
            continue
        near = slice(first, last)
        sides = [side + origin[near] for side in _sides(lit[:, near], position[near])]
        if _sticks(sides):
            result[start:stop] = True
    return result


def _swollen(width: NDArray[Any]) -> NDArray[np.bool_]:
    """Mark the columns (N,) that are wider than usual about them."""
    whole = np.ascontiguousarray(np.clip(width, 0, 255), np.uint8)
    usual = cv2.medianBlur(whole[None], NEAR_COLUMNS)[0].astype(float)
    return np.asarray(whole > usual + np.maximum(SWOLLEN_PX, SWOLLEN_SHARE * usual))


def _sides(lit: NDArray[np.bool_], position: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the last dark row above the middle and the first below it, (N,) each."""
    at, dark = np.arange(len(lit))[:, None], ~lit
    middle = np.nan_to_num(position)
    upper = np.where(dark & (at < middle), at, -1).max(axis=0)
    lower = np.where(dark & (at > middle), at, len(lit)).min(axis=0)
    return upper.astype(float), lower.astype(float)


def _stretches(swollen: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return the stretches of marked columns with their rims, those that lie near each other as one."""
    changes = np.flatnonzero(np.diff(swollen, prepend=False, append=False)).reshape(-1, 2)
    joined: list[tuple[int, int]] = []
    for first, last in changes.tolist():
        start, stop = first - BESIDE_COLUMNS, last + BESIDE_COLUMNS
        if joined and start - joined[-1][1] <= APART_COLUMNS:
            start = joined.pop()[0]
        joined.append((start, stop))
    return joined


def _sticks(sides: list[NDArray[np.float64]]) -> bool:
    """Tell whether one side of a stretch goes on between its neighbours all along, and the other departs from that.

    ``sides`` (2, M) hold the anchors as well.
    """
    count = len(sides[0])
    at = np.arange(count)
    anchors = np.r_[0:ANCHOR_COLUMNS, count - ANCHOR_COLUMNS : count]
    bends = BENDS_SHARE * (count - 2 * ANCHOR_COLUMNS)
    off = []
    for seen in sides:
        course = np.polyfit(at[anchors], seen[anchors], 1)
        away = np.abs(seen - np.polyval(course, at))
        if float(away[anchors].max()) > STEADY_PX:
            return False
        off.append(away)
    steady = np.minimum(*off) <= STEADY_PX + bends
    return bool(steady.all() and np.maximum(*off).max() >= DEPARTS_PX + bends)
