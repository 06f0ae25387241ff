"""Strokes that run over the outline of a section: lines, arrows and letters drawn over a picture, wires, hairs.

They are as dark as a section or as bright, and thin. A split by grey level makes them a part of it, and where they
leave it the outline turns sharply, as at a toe.
"""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from core.geometry import Points, near

STROKE_PX, LENGTHS = 9, 3.0
"""A stroke is narrower than this, in pixels of the reduced picture, and at least so many times longer."""

FLARE_PX = 6.0
"""How far beside a stroke the outline is drawn aside by it."""

LONGEST = 0.1
"""Where a stroke runs along more than this share of an outline there is nothing left to bridge it from."""


def strokes_of(mask: NDArray[np.uint8]) -> NDArray[np.uint8] | None:
    """Return the long thin parts of a mask, 0 or 255, None where it has none.

    Corners and short spurs are none, and nothing is one where metal itself is about as thin.
    """
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (STROKE_PX, STROKE_PX))
    thick = cv2.morphologyEx(mask, cv2.MORPH_OPEN, disc)
    thin = cv2.subtract(mask, thick)
    contours, _ = cv2.findContours(thin, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    long = [
        contour for contour in contours if len(contour) > 2 and max(cv2.minAreaRect(contour)[1]) > LENGTHS * STROKE_PX
    ]
    if not long or not thick.any() or float(cv2.distanceTransform(thick, cv2.DIST_L2, 3).max()) < STROKE_PX:
        return None
    filled = np.zeros(mask.shape, np.uint8)
    cv2.drawContours(filled, long, -1, 255, cv2.FILLED)
    return np.asarray(cv2.bitwise_and(filled, thin), np.uint8)


def beside(strokes: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return what lies on or beside strokes, 0 or 255."""
    reach = math.ceil(FLARE_PX)
    across = np.arange(-reach, reach + 1) ** 2
    disc = (across[:, None] + across[None, :] < FLARE_PX**2).astype(np.uint8)
    return np.asarray(cv2.dilate(strokes, disc), np.uint8)


def touched(points: Points, flares: NDArray[np.uint8]) -> NDArray[np.bool_] | None:
    """Return which points of an outline (N, 2) in the mask's pixels lie beside a stroke, None where none does, (N,)."""
    x, y = np.rint(points).astype(int).T
    near_one = np.asarray(flares[y, x] > 0, bool)
    return near_one if near_one.any() else None


def bridged(points: Points, crossed_px: Points, reach_px: float) -> Points:
    """Return a closed outline (N, 2) with straight pieces in the place of what lies near the given points (M, 2)."""
    beside = near(points, crossed_px, reach_px)
    if not beside.any() or beside.mean() > LONGEST:
        return points
    # Begin where nothing is bridged, so that no piece passes the end.
    roll = int(np.argmin(beside))
    rolled, gone = np.roll(points, -roll, axis=0), np.roll(beside, -roll)
    along = np.arange(len(points))
    kept = np.append(along[~gone], len(points))
    ends = np.vstack([rolled[~gone], rolled[:1]])
    filled = np.column_stack([np.interp(along, kept, ends[:, axis]) for axis in (0, 1)])
    return np.asarray(np.roll(filled, roll, axis=0))
