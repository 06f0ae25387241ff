"""The mount that a section is cast in: a convex piece of one tone that stands alone before the ground.

Three tones, of ground, mount and metal, are not told apart by one sum of the colours: the one that splits a picture
best tells the mount from the ground, and in it coloured resin may have the tone of the metal. Within the mount alone
there are two, and the sum that tells those is another.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

Plane = NDArray[np.uint8]

LONG_SIDE_PX = 400
"""A mount is large against a pixel of this picture, and its rim is looked at no closer."""

LEAST_SHARE, LEAST_CONVEX = 0.04, 0.96
"""Share of the picture, and of its own convex hull, that a mount fills: discs and blocks fill all of it, a tee half."""

MOST_CUT = 0.2
"""Share of the outline of a mount that the border of the picture may cut off: of ground in a corner it is half."""

RIM_SHARE = 0.03
"""Depth of the rim of a mount over its size: chamfered, lit from aside or in its own shadow."""


def mount_of(planes: Sequence[Plane]) -> NDArray[np.bool_] | None:
    """Return where a mount is seen, its rim left out, None where none is.

    Parameters
    ----------
    planes
        Grey pictures, each (H, W) uint8, one of which tells the mount from the ground.

    Returns
    -------
    (H, W) bool
    """
    height, width = planes[0].shape
    scale = LONG_SIDE_PX / max(height, width)
    size = (max(8, round(width * scale)), max(8, round(height * scale)))
    small = (np.asarray(cv2.resize(plane, size, interpolation=cv2.INTER_AREA), np.uint8) for plane in planes)
    seen = [piece for plane in small for piece in _pieces(plane)]
    if not seen:
        return None
    largest = max(seen, key=cv2.contourArea)
    mask = np.zeros((size[1], size[0]), np.uint8)
    cv2.drawContours(mask, [largest], -1, 1, cv2.FILLED)
    depth = max(1, round(RIM_SHARE * float(np.sqrt(cv2.contourArea(largest)))))
    mask = cv2.erode(mask, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * depth + 1, 2 * depth + 1)))
    return cv2.resize(mask, (width, height), interpolation=cv2.INTER_NEAREST) > 0


def alone_in(plane: Plane, mount: NDArray[np.bool_]) -> Plane:
    """Return a plane in which nothing but the mount is seen: what lies around it has the tone of the mount."""
    reach = max(2, round(0.5 * RIM_SHARE * float(np.sqrt(np.count_nonzero(mount)))))
    inner = cv2.erode(mount.astype(np.uint8), np.ones((2 * reach + 1, 2 * reach + 1), np.uint8)) > 0
    tone = np.median(plane[mount & ~inner])
    return np.where(mount, plane, np.uint8(tone))


def _pieces(plane: Plane) -> Iterator[NDArray[np.int32]]:
    """Yield the outlines of convex pieces that stand alone in the picture."""
    level, _ = cv2.threshold(plane, 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)
    rows, columns = plane.shape
    for split in (plane > level, plane <= level):
        closed = cv2.morphologyEx(split.astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
        for outline in cv2.findContours(closed, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0]:
            area = cv2.contourArea(outline)
            if area < LEAST_SHARE * plane.size or area < LEAST_CONVEX * cv2.contourArea(cv2.convexHull(outline)):
                continue
            at = outline[:, 0]
            if np.mean(((at < 1) | (at >= [columns - 1, rows - 1])).any(axis=1)) <= MOST_CUT:
                yield np.asarray(outline, np.int32)
