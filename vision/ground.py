"""How plain the ground is on which a section lies: grain, grid lines and folds beside an outline against its step."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from core.geometry import Points
from vision.segmentation import ReducedPicture, outwards, reduce_picture

PLACES = 600
AWAY = np.array([4.0, 7.0, 10.0, 13.0])
"""Distances from an outline, in thousandths of the picture's long side, between which a plain ground hardly changes."""

INSIDE = -5.0

BLURS = 2.5
"""Beyond so many standard deviations of its spread nothing of the edge itself is seen."""

PLAIN, ROUGH, MOST = 0.015, 0.03, 0.6
"""On plain paper, card, resin and benches the ground changes by up to 0.025 of the step to the metal beside it, on
wood, cloth and stone by 0.03 to 0.3 (rendered pictures), and does so all around: a rule may lie beside a part of it.
Below the first number nothing is to be gained."""

MOST_BLUR_PX = 2.5
"""Standard deviation of an edge spread, in pixels of the reduced picture, that is no unevenness of the ground."""


def plainer(outlines_px: Sequence[Points], before: NDArray[np.uint8], after: NDArray[np.uint8]) -> float:
    """Return to which share the roughness beside outlines (N, 2) falls from one picture of a scene to another of it."""
    one, other = (
        max(roughness(outline, MOST_BLUR_PX * picture.factor, picture) for outline in outlines_px)
        for picture in (reduce_picture(before), reduce_picture(after))
    )
    return other / one if one > 0 else 1.0


def roughness(outline_px: Points, blur_px: float, picture: ReducedPicture) -> float:
    """Return by which share of the step to the metal the ground changes beside most of an outline (N, 2).

    0 where nothing can be told.

    Parameters
    ----------
    blur_px
        Standard deviation of the edge spread.
    """
    points = (outline_px + 0.5) / picture.factor - 0.5
    unit = max(max(picture.gray.shape) / 1000.0, 0.5)
    count = len(points)
    index = np.arange(0, count, max(1, count // PLACES))
    out = outwards(points, index, max(1, count // 400))
    clear = BLURS * blur_px / picture.factor
    distances = np.append(unit * AWAY + clear, unit * INSIDE - clear)
    places = points[index] + distances[:, None, None] * out
    x, y = np.rint(places[..., 0]).astype(np.intp), np.rint(places[..., 1]).astype(np.intp)
    height, width = picture.gray.shape
    seen = ((x >= 0) & (y >= 0) & (x < width) & (y < height)).all(axis=0)
    if np.count_nonzero(seen) < 20:
        return 0.0
    levels = picture.gray[y[:, seen], x[:, seen]].astype(float)
    ground = levels[:-1]
    step = abs(float(np.median(levels[-1]) - np.median(ground))) + 1.0
    return float(np.quantile(ground.std(axis=0), MOST)) / step
