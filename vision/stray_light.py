"""Light that belongs to no point of a laser line: beside the end of a face it may be the rest of that face."""

from __future__ import annotations

import math
from dataclasses import dataclass
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

BESIDE_POINTS = 40
"""So many points on both sides of one tell whether the line crosses a way there."""

LEAST_SHARE = 0.3
"""Of the line's own height."""

WITHIN_SHARE = 0.2
"""The same for light between two edges, where steep faces are dim and none belongs to the surfaces."""

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
    seen = _Window.around(gray, stripe, end_px[None], margin)
    if seen is None:
        return False
    end = end_px - seen.corner
    rows, columns = seen.lit(LEAST_SHARE)
    away = np.column_stack([columns, rows]) - end
    along = away @ ahead
    across = np.abs(away @ np.array([-ahead[1], ahead[0]]))
    straight = (along > 0) & (along < reach_px) & (across < ALONG_SIGMAS * sigma)
    beside = (np.hypot(*away.T) < BESIDE_SIGMAS * sigma) & anywhere
    least = max(4.0, sigma**2)
    if max(np.count_nonzero(straight), np.count_nonzero(beside)) <= least:
        return False
    stray = seen.from_line(end)[rows, columns] > OWN_SIGMAS * sigma
    return bool(max(np.count_nonzero(straight & stray), np.count_nonzero(beside & stray)) > least)


def light_between(gray: NDArray[Any], stripe: Stripe, ends_px: Points, into_px: Points) -> bool:
    """Tell whether light that no point of the line explains lies between two ends, below the surfaces.

    Parameters
    ----------
    ends_px
        (2, 2) where the surfaces on both sides were seen last.
    into_px
        (2,) way from there into what lies between, as far as light of it is sought.
    """
    sigma = stripe.width_px
    corners = np.array([ends_px[0], ends_px[1], ends_px[1] + into_px, ends_px[0] + into_px])
    seen = _Window.around(gray, stripe, corners, math.ceil(6 * sigma))
    if seen is None:
        return False
    inside = np.zeros(seen.light.shape, np.uint8)
    cv2.fillConvexPoly(inside, np.rint(corners - seen.corner).astype(np.int32), 1)
    rows, columns = seen.lit(WITHIN_SHARE)
    stray = (inside[rows, columns] > 0) & (seen.from_line(*(ends_px - seen.corner))[rows, columns] > OWN_SIGMAS * sigma)
    return int(np.count_nonzero(stray)) > max(4.0, sigma**2)


@dataclass(frozen=True, slots=True, eq=False)
class _Window:
    """A part of a frame, smoothed: its first column and row (2,), its light (h, w), its ground, the line's points."""

    corner: Points
    light: NDArray[Any]
    ground: float
    line_px: NDArray[np.int64]

    @classmethod
    def around(cls, gray: NDArray[Any], stripe: Stripe, places_px: Points, margin: int) -> _Window | None:
        """Return the part of a frame around places (N, 2) px, None where hardly any of it is in the frame."""
        sigma = stripe.width_px
        height, width = gray.shape
        x0, y0 = np.maximum(np.floor(places_px.min(axis=0)) - margin, 0).astype(int).tolist()
        x1, y1 = np.minimum(np.ceil(places_px.max(axis=0)) + margin, (width, height)).astype(int).tolist()
        if x1 - x0 < 3 or y1 - y0 < 3:
            return None
        window = np.ascontiguousarray(gray[y0:y1, x0:x1])
        points = stripe.points_px - (x0, y0)
        near = points[((points > -1) & (points < (x1 - x0, y1 - y0))).all(axis=1)]
        place = np.clip(np.rint(near).astype(int), 0, np.array([x1 - x0, y1 - y0]) - 1)
        light = cv2.GaussianBlur(window, (0, 0), max(0.7, 0.7 * sigma))
        return cls(np.array([x0, y0], float), light, median(window[::SAMPLED, ::SAMPLED]), place)

    def lit(self, share: float) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Return rows and columns of what is brighter than the ground by a share of the line's height."""
        line = self.light[self.line_px[:, 1], self.line_px[:, 0]]
        height = (median(line) if len(line) else float(self.light.max())) - self.ground
        rows, columns = np.nonzero(self.light > self.ground + share * height)
        return rows, columns

    def from_line(self, *ends: Points) -> NDArray[np.float32]:
        """Return how far each pixel (h, w) lies from points of the line, and from ends (2,) of it."""
        own = np.full(self.light.shape, 255, np.uint8)
        own[self.line_px[:, 1], self.line_px[:, 0]] = 0
        for end in ends:
            cv2.circle(own, (round(float(end[0])), round(float(end[1]))), 1, 0, -1)
        return np.asarray(cv2.distanceTransform(own, cv2.DIST_L2, 5), np.float32)


def goes_on_beyond_end(stripe: Stripe, end_px: Points, ahead: Points, reach_px: float) -> bool:
    """Tell whether points of the line itself lie straight ahead of an end, beyond points that are missing.

    Parameters are those of `light_beyond_end`.
    """
    away = stripe.points_px - end_px
    along = away @ ahead
    across = np.abs(away @ np.array([-ahead[1], ahead[0]]))
    corridor = ONWARD_SIGMAS * stripe.width_px
    there = np.flatnonzero((along > BREAK_PX) & (along < reach_px) & (across < corridor))
    return any(not _crosses(stripe.points_px, at, end_px, ahead, corridor) for at in there.tolist())


def _crosses(points_px: Points, at: int, end_px: Points, ahead: Points, corridor_px: float) -> bool:
    """Tell whether the line crosses the way ahead at one of its points, from one side of it to the other.

    A face that is lit and seen hides nothing in front of its own straight continuation: a strip behind the gap begins
    on the metal's side of it and leads across. What belongs to the face lies on it, and may bend off to one side.
    """
    first = last = at
    while first > max(0, at - BESIDE_POINTS) and math.dist(points_px[first - 1], points_px[first]) < BREAK_PX:
        first -= 1
    while last < min(len(points_px) - 1, at + BESIDE_POINTS) and (
        math.dist(points_px[last + 1], points_px[last]) < BREAK_PX
    ):
        last += 1
    off = (points_px[first : last + 1] - end_px) @ np.array([-ahead[1], ahead[0]])
    return float(off.min()) < -corridor_px and float(off.max()) > corridor_px
