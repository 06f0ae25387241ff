"""The wall of a thick section, or its shadow, seen beside the ground face: a band along one side of the outline.

A section is a piece of some thickness. Seen a little from aside, or under one lamp, its wall or its shadow lies beside
the face, and a split by grey level may take both for one. Such a band is the face's own outline displaced, by one
vector or towards one point (`vision.displaced`): along an outline of face and band it is as wide as the displacement
is long across the outline, and nowhere else. Weld metal, a heat-affected zone, scale and a seam make no such band. The
face is what is left when the whole is eroded by the displacement (J. Serra, Image Analysis and Mathematical Morphology,
1982, erosion by a segment).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from core.geometry import Points, signed_area
from core.medians import median
from vision.displaced import Bands, Displaced, fitted
from vision.outline import Outline, one_way
from vision.segmentation import ReducedPicture, Silhouette, filled, outwards

PLACES, ALONG = 240, 2
"""Places at which an outline is looked across; neighbours on either side that are averaged with each."""

WIDEST = 0.06
"""Widest band that is looked for, as a share of the picture's long side."""

NARROWEST_PX = 4.0
"""In pixels of the reduced picture: what is narrower belongs to the edge itself."""

LONG_SIDE_PX = 2000
"""Of the reduced picture that bands are looked for in."""

LEAST_STEPS = ((0.2, 10.0), (0.06, 6.0))
"""Step between band and face, over that from the face to the ground, and in grey levels: of most walls and shadows, and
of those nearly of the metal's own tone, which grain may hide."""

LEAST_ONE_WAY, MOST_TURNS = 0.8, 0.06
"""Share of a band's steps that go one way, or of neighbouring ones that go opposite ways."""

EVEN = 0.4
"""Most change within a band over the step that ends it: light falls off over a face without any step."""

LEAST_BANDED, LEAST_FOLLOWING, MOST_ASTRAY = 0.12, 0.7, 0.2
"""Share of the outline that has a band; of what should have it that does; of what should not that seems to."""

LEAST_FOLLOWED_ALONE, LEAST_TOGETHER = 0.35, 0.4
"""Share of what should have a band that shows it place by place, and together with its neighbours, at least."""

TOGETHER, TOGETHER_WITHIN, TOGETHER_PX = 4, 0.08, np.arange(-9.0, 10.0)
"""Neighbours on either side that are looked at together; how far their edge may be off, as a share of its depth; and
depths that are looked at, about what is expected."""

AS_GROUND = 0.5
"""Step from the ground to what lies behind a band, over that to the band itself, up to which the ground lies there."""

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
    displaced
        By which the face's outline is displaced to the outer edge of the band, in pixels.
    faint
        Whether it has nearly the tone of the face: the edge between them is not told well enough to be followed.
    """

    displaced: Displaced
    faint: bool


def band_of(outline: Silhouette, picture: ReducedPicture) -> Band | None:
    """Return the band that runs along one side of an outline, None where none does."""
    points = (outline.points_px + 0.5) / picture.factor - 0.5
    count = len(points)
    index = np.arange(0, count, max(1, count // PLACES))
    out = outwards(points, index, max(2, count // 300))
    across = _across(points[index], out, picture)
    for least in LEAST_STEPS:
        widths, steps = _widths(across, least)
        displaced = _displaced(Bands(points[index], out, widths), steps, across, least)
        if displaced is not None:
            return Band(displaced.enlarged(picture.factor), least is not LEAST_STEPS[0])
    return None


def _displaced(
    bands: Bands, steps: NDArray[np.float64], across: _Across, least: tuple[float, float]
) -> Displaced | None:
    """Return the displacement that bands with some steps to the face (N,) show, None where they show none."""
    widths, count = bands.widths, len(bands.widths)
    seen = np.isfinite(widths)
    banded = seen & (widths > 0)
    if np.count_nonzero(banded) < LEAST_BANDED * count:
        return None
    displaced = fitted(bands, within_px=WITHIN_PX, within=WITHIN, narrowest_px=NARROWEST_PX)
    if displaced is None:
        return None
    expected = bands.expected(displaced)
    found = np.where(seen, widths, 0.0)
    close = np.abs(found - expected) < WITHIN_PX + WITHIN * np.abs(expected)
    should, should_not = seen & (expected > NARROWEST_PX + WITHIN_PX), seen & (expected < 0.5)
    if np.count_nonzero(should) < LEAST_BANDED * count or not should_not.any():
        return None
    if np.mean(close[should]) < LEAST_FOLLOWED_ALONE or np.mean(found[should_not] != 0) > MOST_ASTRAY:
        return None
    # The soft rim of a shadow shows no edge in the mean; that of a wall with scale on it does, and not at each place.
    together, steps_together = _seen_together(across, expected, should, least)
    if np.mean(together[should]) < LEAST_TOGETHER:
        return None
    if np.mean(close[should]) < LEAST_FOLLOWING:
        close, steps = together, steps_together
        if np.mean(close[should]) < LEAST_FOLLOWING:
            return None
    # A wall or a shadow is darker than the face all along, or brighter, or so beside each part of it (weld metal may be
    # darker, and the plates brighter); grain is now this and now that.
    seen_steps = steps[should & close]
    turns = float(np.mean(seen_steps[1:] * seen_steps[:-1] < 0))
    return displaced if one_way(seen_steps) >= LEAST_ONE_WAY or turns <= MOST_TURNS else None


def _seen_together(
    across: _Across, expected: NDArray[np.float64], should: NDArray[np.bool_], least: tuple[float, float]
) -> tuple[NDArray[np.bool_], NDArray[np.float64]]:
    """Return where an edge lies as deep inside an outline as expected, in the mean with its neighbours, and its step.

    Neighbours are laid over each other by what is expected of each, so that the edge is sharp in their mean.
    """
    depth = expected[:, None] + TOGETHER_PX - across.depths[0]
    below = np.clip(np.floor(depth).astype(np.intp), 0, across.levels.shape[1] - 2)
    rows = np.arange(len(expected))[:, None]
    share = np.clip(depth - below, 0.0, 1.0)
    levels = (1 - share) * across.levels[rows, below] + share * across.levels[rows, below + 1]
    weight = should[:, None].astype(float)
    pads = ((TOGETHER, TOGETHER), (0, 0))
    total, many = (
        cv2.boxFilter(np.pad(part, pads, mode="wrap"), cv2.CV_64F, (1, 2 * TOGETHER + 1), normalize=False)
        for part in (levels * weight, weight)
    )
    mean = (total / np.maximum(many.reshape(-1, 1), 1.0))[TOGETHER:-TOGETHER]
    step = (mean[:, 3:-2] + mean[:, 4:-1] + mean[:, 5:] - mean[:, :-5] - mean[:, 1:-4] - mean[:, 2:-3]) / 3.0
    middle = TOGETHER_PX[2:-3] + 0.5
    # Nearer to the outline lies the outer edge of a narrow band.
    inner = expected[:, None] + middle >= np.maximum(0.6 * expected, NARROWEST_PX)[:, None]
    best = np.where(inner, np.abs(step), 0.0).argmax(axis=1)
    found = step[np.arange(len(step)), best]
    enough = np.abs(found) > max(least[0] * across.usual, least[1])
    return enough & (np.abs(middle[best]) < WITHIN_PX + TOGETHER_WITHIN * np.abs(expected)), found


@dataclass(frozen=True, slots=True, eq=False)
class _Across:
    """Grey levels (N, M) across an outline at some depths (M,) inside it, which of them lie beyond the picture, which
    places (N,) are seen, the level of the ground beside each (N,), and the usual step from it to the metal."""

    levels: NDArray[np.float32]
    depths: NDArray[np.float32]
    beyond: NDArray[np.bool_]
    seen: NDArray[np.bool_]
    ground: NDArray[np.float32]
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
    # Scale and saw marks of a wall differ from place to place, its edge to the face goes on.
    rows = np.asarray(cv2.blur(np.pad(rows, ((ALONG, ALONG), (0, 0)), mode="wrap"), (1, 2 * ALONG + 1)), np.float32)
    rows = rows[ALONG:-ALONG]
    beyond = (x < 2) | (y < 2) | (x > width - 3) | (y > height - 3)
    seen = ~beyond[:, : round(NARROWEST_PX) + 8].any(axis=1)
    ground = rows[:, :3].mean(axis=1)
    usual = abs(median(rows[seen][:, -6:].ravel()) - median(ground[seen])) if seen.any() else 0.0
    return _Across(rows, depths, beyond, seen, ground, usual, reach)


def _widths(across: _Across, least: tuple[float, float]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return how far inside each place a second edge lies, 0 where none does, NaN beyond the picture, and its step.

    Below 0 that of the other side of a thin plate, which ends no band, but would pass for the end of one.

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
    # Behind the other side of a thin plate lies the ground again.
    behind = rows[index[:, None], best[:, None] + np.arange(7, 9)].mean(axis=1)
    face = np.abs(behind - across.ground) > AS_GROUND * np.abs(mean - across.ground)
    width = np.where(face, depth[best], -depth[best])
    return np.where(across.seen, np.where(strong & even, width, 0.0), np.nan), step[index, best]


def without_band(outline: Silhouette, displaced: Displaced, picture: ReducedPicture) -> Silhouette | None:
    """Return the outline of the face alone: the largest part of what is left after erosion by the displacement."""
    shape = picture.gray.shape
    mask = filled([outline.points_px], picture)
    small = displaced.reduced(picture.factor)
    left = mask.copy()
    longest = float(np.hypot(*small.at((outline.points_px + 0.5) / picture.factor - 0.5).T).max())
    for share in np.linspace(0.0, 1.0, max(1, math.ceil(longest)) + 1)[1:]:
        # Of the face is what has metal, of face or wall, all the way along its displacement.
        (x, y), size = share * small.shift_px, 1.0 - share * small.share
        move = np.array([[size, 0.0, x], [0.0, size, y]])
        how = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        moved = cv2.warpAffine(mask, move, shape[::-1], flags=how, borderMode=cv2.BORDER_REPLICATE)
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


def beside_band(outline: Outline, displaced: Displaced) -> Outline:
    """Return the outline of a face with its contrast as it is where no band lies: the band may be darker than both."""
    assert outline.steps is not None
    across, length = _along_band(outline, displaced)
    # Between the two a sliver of band is too narrow to have edges of its own.
    clear = (across < 0.05 * length) & ~outline.cut
    beside = (across > np.maximum(0.3 * length, CLEAR_PX)) & ~outline.cut
    if min(np.count_nonzero(clear), np.count_nonzero(beside)) < 20:
        return outline
    share = min(one_way(outline.steps[clear]), one_way(outline.steps[beside]))
    return replace(outline, contrast=median(outline.steps[clear]), one_way=share)


def soft_beside(outline: Outline, displaced: Displaced) -> Outline:
    """Return an outline of face and band whose points along the band are no edge of the face."""
    if outline.soft is None:
        return outline
    across, length = _along_band(outline, displaced)
    beside = (across > 0.3 * length) & ~outline.cut
    return replace(
        outline, soft=outline.soft | beside, blunt=beside if outline.blunt is None else outline.blunt | beside
    )


def _along_band(outline: Outline, displaced: Displaced) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return how wide a displaced outline leaves the band at each point, and the length of the displacement, (N,)."""
    points = outline.points_px
    moved = displaced.at(points)
    across = np.einsum("ij,ij->i", outwards(points, np.arange(len(points)), 3), moved)
    return across, np.hypot(moved[:, 0], moved[:, 1])
