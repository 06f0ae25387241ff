"""The wall of a thick section, or its shadow, seen beside the ground face: a band along one side of the outline.

A section is a piece of some thickness. Seen a little from aside, or under one lamp, its wall or its shadow lies beside
the face, and a split by grey level may take both for one. Such a band is the face's own outline displaced by one
vector: along an outline of face and band it is as wide as the vector is long across the outline, and nowhere else.
Weld metal, a heat-affected zone, scale and a seam make no such band. The face is what is left when the whole is eroded
by that vector (J. Serra, Image Analysis and Mathematical Morphology, 1982, erosion by a segment).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from core.geometry import Points, signed_area
from core.medians import median
from vision.outline import Outline, one_way
from vision.segmentation import ReducedPicture, Silhouette, filled, outwards

PLACES = 240
WIDEST = 0.06
"""Widest band that is looked for, as a share of the picture's long side."""

NARROWEST_PX = 4.0
"""In pixels of the reduced picture: what is narrower belongs to the edge itself."""

LONG_SIDE_PX = 2000
"""Of the reduced picture that bands are looked for in."""

LEAST_STEPS = ((0.2, 10.0), (0.06, 6.0))
"""Step between band and face, over that from the face to the ground, and in grey levels: of most walls and shadows, and
of those nearly of the metal's own tone, which grain may hide."""

LEAST_ONE_WAY = 0.8
"""Share of a band's steps that go one way."""

EVEN = 0.4
"""Most change within a band over the step that ends it: light falls off over a face without any step."""

LEAST_BANDED, LEAST_FOLLOWING, MOST_ASTRAY = 0.12, 0.7, 0.15
"""Share of the outline that has a band; of what should have it that does; of what should not that seems to."""

NEAR_PX = 10.0
"""How far around the tone of the metal is taken."""

CLEAR_PX = 4.0
"""In a band of this width its two edges are told from each other at full resolution."""

WITHIN_PX, WITHIN = 2.0, 0.2
"""How far the width of a band may be off that of a displaced outline."""


@dataclass(frozen=True, slots=True, eq=False)
class Band:
    """A band along one side of an outline.

    Attributes
    ----------
    displaced_px
        (2,) in pixels, by which the face's outline is displaced to the outer edge of the band.
    faint
        Whether it has nearly the tone of the face: the edge between them is not told well enough to be followed.
    """

    displaced_px: Points
    faint: bool


def band_of(outline: Silhouette, picture: ReducedPicture) -> Band | None:
    """Return the band that runs along one side of an outline, None where none does."""
    points = (outline.points_px + 0.5) / picture.factor - 0.5
    count = len(points)
    index = np.arange(0, count, max(1, count // PLACES))
    out = outwards(points, index, max(2, count // 300))
    across = _across(points[index], out, picture)
    for least in LEAST_STEPS:
        vector = _displaced(out, *_widths(across, least))
        if vector is not None:
            return Band(np.asarray(vector * picture.factor), least is not LEAST_STEPS[0])
    return None


def _displaced(out: Points, widths: NDArray[np.float64], steps: NDArray[np.float64]) -> Points | None:
    """Return the vector (2,) that bands of some widths and steps to the face (N,) show, None where they show none.

    ``out`` (N, 2) is the way outwards at each place.
    """
    count = len(widths)
    seen = np.isfinite(widths)
    banded = seen & (widths > 0)
    if np.count_nonzero(banded) < LEAST_BANDED * count:
        return None
    vector = _fitted(out[banded], widths[banded])
    if vector is None or np.hypot(*vector) < NARROWEST_PX:
        return None
    expected = out @ vector
    found = np.where(seen, widths, 0.0)
    close = np.abs(found - expected) < WITHIN_PX + WITHIN * np.abs(expected)
    should, should_not = seen & (expected > NARROWEST_PX + WITHIN_PX), seen & (expected < 0.5)
    if np.count_nonzero(should) < LEAST_BANDED * count or not should_not.any():
        return None
    if np.mean(close[should]) < LEAST_FOLLOWING or np.mean(found[should_not] > 0) > MOST_ASTRAY:
        return None
    # A wall or a shadow is darker than the face all along, or brighter; grain is now this and now that.
    return vector if one_way(steps[should & close]) >= LEAST_ONE_WAY else None


@dataclass(frozen=True, slots=True, eq=False)
class _Across:
    """Grey levels (N, M) across an outline at some depths (M,) inside it, which of them lie beyond the picture, which
    places (N,) are seen, and the usual step from the ground to the metal."""

    levels: NDArray[np.float32]
    depths: NDArray[np.float32]
    beyond: NDArray[np.bool_]
    seen: NDArray[np.bool_]
    usual: float
    reach: float


def _across(places: Points, out: Points, picture: ReducedPicture) -> _Across:
    """Look across an outline at places (N, 2)."""
    gray = picture.gray
    height, width = gray.shape
    reach = WIDEST * max(height, width)
    depths = np.arange(-5.0, reach + 7.0, dtype=np.float32)
    x, y = ((places[:, axis, None] - depths * out[:, axis, None]).astype(np.float32) for axis in (0, 1))
    rows = cv2.remap(gray, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE).astype(np.float32)
    beyond = (x < 2) | (y < 2) | (x > width - 3) | (y > height - 3)
    seen = ~beyond[:, : round(NARROWEST_PX) + 8].any(axis=1)
    ground = rows[:, :3].mean(axis=1)
    usual = abs(median(rows[seen][:, -6:].ravel()) - median(ground[seen])) if seen.any() else 0.0
    return _Across(rows, depths, beyond, seen, usual, reach)


def _widths(across: _Across, least: tuple[float, float]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return how far inside each place a second edge lies, 0 where none does, NaN beyond the picture, and its step.

    ``least`` is the smallest step, over that from the ground to the metal and in grey levels.
    """
    rows, depths = across.levels, across.depths
    # At each depth the mean of the two after it less that of the two before.
    step = (rows[:, 3:-1] + rows[:, 4:] - rows[:, :-4] - rows[:, 1:-3]) / 2.0
    depth = depths[2:-2]
    inner = (depth >= NARROWEST_PX) & (depth <= across.reach)
    enough = max(least[0] * across.usual, least[1])
    # The soft rim of a shadow reaches into the band: its own slope has to end first.
    ended = np.logical_or.accumulate((depth >= 0.0) & (np.abs(step) < enough), axis=1)
    size = np.where(inner[None, :] & ended & ~across.beyond[:, 2:-2], np.abs(step), 0.0)
    best = size.argmax(axis=1)
    index = np.arange(len(rows))
    strong = size[index, best] > enough
    # A band is even from where the outline's slope has ended to its own end.
    begins = np.maximum(depth[ended.argmax(axis=1)], 2.0)
    within = (depths[None, :] >= begins[:, None]) & (depths[None, :] < depth[best][:, None] - 2.0)
    many = within.sum(axis=1)
    mean = np.where(within, rows, 0.0).sum(axis=1) / np.maximum(many, 1)
    spread = np.sqrt(np.where(within, np.square(rows - mean[:, None]), 0.0).sum(axis=1) / np.maximum(many, 1))
    even = spread < EVEN * size[index, best]
    return np.where(across.seen, np.where(strong & even, depth[best], 0.0), np.nan), step[index, best]


def _fitted(out: Points, widths: NDArray[np.float64]) -> Points | None:
    """Return the vector whose length across the outline is nearest to most widths (2,), None where none is."""
    weights = np.ones(len(widths))
    vector: Points = np.zeros(2)
    for _ in range(8):
        normal = (out * weights[:, None]).T @ out
        if abs(float(np.linalg.det(normal))) < 1e-6 * len(widths) ** 2:
            # All on one side of a plate: the vector is only told across it.
            direction = out.mean(axis=0) / max(float(np.hypot(*out.mean(axis=0))), 1e-9)
            return np.asarray(direction * median(widths))
        vector = np.asarray(np.linalg.solve(normal, out.T @ (weights * widths)))
        off = widths - out @ vector
        scale = 1.4826 * float(np.median(np.abs(off))) + 0.5
        weights = 1.0 / (1.0 + np.square(off / (2.0 * scale)))
    return np.asarray(vector)


def without_band(outline: Silhouette, displaced_px: Points, picture: ReducedPicture) -> Silhouette | None:
    """Return the outline of the face alone: the largest part of what is left after erosion by the displacement."""
    shape = picture.gray.shape
    mask = filled([outline.points_px], picture)
    step = displaced_px / picture.factor
    left = mask.copy()
    count = max(1, math.ceil(float(np.hypot(*step))))
    for share in np.linspace(0.0, 1.0, count + 1)[1:]:
        move = np.array([[1.0, 0.0, -share * step[0]], [0.0, 1.0, -share * step[1]]])
        moved = cv2.warpAffine(mask, move, shape[::-1], flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        left = np.minimum(left, np.asarray(moved, np.uint8))
    face = _with_hollows(np.asarray(mask > 127), np.asarray(left > 127), picture)
    contours, _ = cv2.findContours(face, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    largest = max(contours, key=cv2.contourArea, default=None)
    if largest is None or len(largest) < 30:
        return None
    points = largest.reshape(-1, 2).astype(float)
    if signed_area(points) < 0:
        points = points[::-1]
    return Silhouette((points + 0.5) * picture.factor - 0.5, cv2.contourArea(largest) * picture.factor**2, "face alone")


def _with_hollows(whole: NDArray[np.bool_], left: NDArray[np.bool_], picture: ReducedPicture) -> NDArray[np.uint8]:
    """Return the face, 0 or 1: beside the band each pixel goes to the tone it is nearer to.

    Erosion leaves the band in hollows narrower than the displacement, as beside a toe.
    """
    gray = picture.gray.astype(np.float32)
    band = whole & ~left
    if not band.any() or not left.any():
        return left.astype(np.uint8)
    level = float(np.median(gray[band]))
    inside = cv2.erode(left.astype(np.uint8), np.ones((5, 5), np.uint8)).astype(np.float32)
    share = cv2.GaussianBlur(inside, (0, 0), NEAR_PX)
    metal = cv2.GaussianBlur(gray * inside, (0, 0), NEAR_PX) / np.maximum(share, 1e-3)
    beside = cv2.dilate(band.astype(np.uint8), np.ones((9, 9), np.uint8)) > 0
    unlike = np.abs(gray - level) < np.abs(gray - metal)
    face = np.where(beside & (share > 1e-3), whole & ~unlike, left).astype(np.uint8)
    return np.asarray(cv2.morphologyEx(face, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8)), np.uint8)


def beside_band(outline: Outline, displaced_px: Points) -> Outline:
    """Return the outline of a face with its contrast as it is where no band lies: the band may be darker than both."""
    assert outline.steps is not None
    across, length = _along_band(outline, displaced_px)
    # Between the two a sliver of band is too narrow to have edges of its own.
    clear = (across < 0.05 * length) & ~outline.cut
    beside = (across > max(0.3 * length, CLEAR_PX)) & ~outline.cut
    if min(np.count_nonzero(clear), np.count_nonzero(beside)) < 20:
        return outline
    share = min(one_way(outline.steps[clear]), one_way(outline.steps[beside]))
    return replace(outline, contrast=median(outline.steps[clear]), one_way=share)


def soft_beside(outline: Outline, displaced_px: Points) -> Outline:
    """Return an outline of face and band whose points along the band are no edge of the face."""
    if outline.soft is None:
        return outline
    across, length = _along_band(outline, displaced_px)
    beside = (across > 0.3 * length) & ~outline.cut
    return replace(
        outline, soft=outline.soft | beside, blunt=beside if outline.blunt is None else outline.blunt | beside
    )


def _along_band(outline: Outline, displaced_px: Points) -> tuple[NDArray[np.float64], float]:
    """Return how wide a displaced outline leaves the band at each point (N,), and the length of the displacement."""
    points = outline.points_px
    return outwards(points, np.arange(len(points)), 3) @ displaced_px, float(np.hypot(*displaced_px))
