"""Whether the gap between two members shows the ground behind them, or weld metal of about the same tone."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from core.geometry import Points
from vision.outline import Outline
from vision.segmentation import ReducedPicture, filled

UNLIKE = 0.2
"""The level of the ground changes by less than this share of its step to the metal, grain and shadows included."""

MOST_FILLED = 0.4
"""Share of the gap that may be darker than the ground: a shadow of one member lies over a part of it."""

MOST_BRIGHTER = 0.25
"""Share of it that may be brighter: nothing brightens a ground between two members (drawn joints have up to 0.07). A
wall seen between two dark frames has more."""

BESIDE_PX = 6.0
LEAST_PX = 30


def unlike_ground(corners_px: Points, outlines: Sequence[Outline], picture: ReducedPicture) -> tuple[float, float]:
    """Return which shares of a gap, given by its corners (N, 2) in turn, are brighter and darker than the ground.

    The ground is what lies beside the outlines, in light and in shadow; both shares are 0 where too little of it is
    seen. Weld metal may be either, a shadow is darker.
    """
    gray = picture.gray
    gap = filled([corners_px], picture)
    inside = cv2.erode(gap, np.ones((5, 5), np.uint8)) > 0
    members = filled((outline.points_px for outline in outlines), picture)
    edges = np.full_like(gap, 255)
    for outline in outlines:
        x, y = np.rint((outline.points_px[~outline.cut] + 0.5) / picture.factor - 0.5).astype(int).T
        edges[np.clip(y, 0, gray.shape[0] - 1), np.clip(x, 0, gray.shape[1] - 1)] = 0
    away = cv2.distanceTransform(edges, cv2.DIST_L2, 5)
    beside = (away > 3.0) & (away < BESIDE_PX)
    wide = cv2.dilate(gap, np.ones((15, 15), np.uint8)) > 0
    ground, metal = beside & (members == 0) & ~wide, beside & (members > 0)
    if min(np.count_nonzero(part) for part in (inside, ground, metal)) < LEAST_PX:
        return 0.0, 0.0
    lowest, middle, highest = np.percentile(gray[ground], (5, 50, 95))
    step = abs(float(np.median(gray[metal])) - float(middle)) + 1.0
    levels = gray[inside].astype(float)
    return float(np.mean(levels > highest + UNLIKE * step)), float(np.mean(levels < lowest - UNLIKE * step))
