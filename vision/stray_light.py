"""Light that belongs to no point of a laser line: beside the end of a face it may be the rest of that face."""

from __future__ import annotations

import math
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from core.geometry import Points
from core.medians import median
from vision.stripe import Stripe
from vision.stripe_ends import BREAK_PX

OWN_SIGMAS = 4.0
"""Light so near the points of the line is the line itself."""

BESIDE_SIGMAS = 8.0
"""Light that begins so near an end may continue it whichever way it turns."""

ALONG_SIGMAS = 3.0
"""Light so near the straight continuation of a face may be its other side of a dropout."""

ONWARD_SIGMAS = 1.0
"""Points of the line so near the straight continuation of a face belong to it."""

LEAST_SHARE = 0.3
"""Of the line's own height."""

SAMPLED = 2
"""One pixel in so many rows and columns tells the ground."""


def light_beyond_end(
    gray: NDArray[Any], stripe: Stripe, end_px: Points, ahead: Points, reach_px: float, *, anywhere: bool = True
) -> bool:
    """Tell whether light that no point of the line explains may continue the line beyond an end.

    Parameters
    ----------
    gray
        (H, W), the channel of the line.
    end_px
        (2,) where the line was seen last.
    ahead
        (2,) unit vector along which the face would go on in the picture.
    reach_px
        How far it might go on straight.
    anywhere
        Whether light close beside the end counts, too, or only such straight ahead.
    """
    sigma = stripe.width_px
    margin = math.ceil(max(reach_px, BESIDE_SIGMAS * sigma) + 6 * sigma)
    height, width = gray.shape
    x0, y0 = (max(0, math.floor(value) - margin) for value in end_px)
    x1, y1 = min(width, math.ceil(end_px[0]) + margin), min(height, math.ceil(end_px[1]) + margin)
    if x1 - x0 < 3 or y1 - y0 < 3:
        return False
    window = np.ascontiguousarray(gray[y0:y1, x0:x1])
    seen = cv2.GaussianBlur(window, (0, 0), max(0.7, 0.7 * sigma))
    points = stripe.points_px - (x0, y0)
    near = points[((points > -1) & (points < (x1 - x0, y1 - y0))).all(axis=1)]
    place = np.clip(np.rint(near).astype(int), 0, np.array([x1 - x0, y1 - y0]) - 1)
    end = end_px - (x0, y0)
    ground = median(window[::SAMPLED, ::SAMPLED])
    line = median(seen[place[:, 1], place[:, 0]]) if len(place) else float(seen.max())
    rows, columns = np.nonzero(seen > ground + LEAST_SHARE * (line - ground))
    away = np.column_stack([columns, rows]) - end
    along = away @ ahead
    across = np.abs(away @ np.array([-ahead[1], ahead[0]]))
    straight = (along > 0) & (along < reach_px) & (across < ALONG_SIGMAS * sigma)
    beside = (np.hypot(*away.T) < BESIDE_SIGMAS * sigma) & anywhere
    least = max(4.0, sigma**2)
    if max(np.count_nonzero(straight), np.count_nonzero(beside)) <= least:
        return False
    own = np.full(window.shape, 255, np.uint8)
    own[place[:, 1], place[:, 0]] = 0
    cv2.circle(own, (round(float(end[0])), round(float(end[1]))), 1, 0, -1)
    stray = cv2.distanceTransform(own, cv2.DIST_L2, 5)[rows, columns] > OWN_SIGMAS * sigma
    return bool(max(np.count_nonzero(straight & stray), np.count_nonzero(beside & stray)) > least)


def goes_on_beyond_end(stripe: Stripe, end_px: Points, ahead: Points, reach_px: float) -> bool:
    """Tell whether points of the line itself lie straight ahead of an end, beyond points that are missing.

    Parameters are those of `light_beyond_end`.
    """
    away = stripe.points_px - end_px
    along = away @ ahead
    across = np.abs(away @ np.array([-ahead[1], ahead[0]]))
    return bool(((along > BREAK_PX) & (along < reach_px) & (across < ONWARD_SIGMAS * stripe.width_px)).any())
