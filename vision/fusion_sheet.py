"""The picture round a weld, reduced to what its grain allows: tone, strength of texture, and where metal is."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.model import Calibration
from core.geometry import Points

Gray = NDArray[np.uint8]
Plane = NDArray[np.float32]

SPOT_CLEAR = 6.0
SPOT_LEVELS = 24.0
SPOT_RIM = np.ones((5, 5), np.uint8)
SECTORS, WELD_LEVELS, OTHER_SECTORS, LEAST_HOLLOW = 8, 14.0, 3, 4
"""A dark spot near the root, so many pixels of the sheet at least, is a hollow when so many of the sectors round it
have another tone than weld metal: farther from it than this and than half the way to the tone of the plates."""
LEAST_ISLAND, MOST_ISLANDS, ISLAND_SHARE = 12, 24, 0.4
"""Pixels of the sheet that a spot with the tone of the plates has at least, how many are looked at, and how near to
weld metal the tone round one is, as a share of how far its own is."""
THIN, THIN_CLEAR, THIN_LEVELS = 7, 8.0, 14.0
"""Depth of a spot over its surroundings, in spreads of the grain and in grey levels."""


@dataclass(frozen=True, slots=True, eq=False)
class Sheet:
    """A reduced window of the picture.

    Attributes
    ----------
    tone
        (H, W) grey levels.
    metal
        (H, W) 1 inside the metal and clear of its edges and of dark or bright spots (pores), 0 elsewhere.
    solid
        (H, W) 1 inside the outline of the section, spots and gaps and all.
    gap
        (H, W) 1 in gaps between plates.
    hollow
        (H, W) 1 in a dark spot at the root: an unfused hollow.
    core_level
        Tone of what is weld metal for certain.
    origin_px, factor
        Corner of the window in the picture, and pixels of the picture for one of the sheet.
    """

    tone: Plane
    metal: Plane
    solid: Plane
    gap: Plane
    hollow: Plane
    core_level: float
    origin_px: Points
    factor: float

    def sample(self, points_px: Points) -> tuple[Plane, Plane]:
        """Return the tone, and 1 for metal and 0 for what is none, at picture points (..., 2)."""
        x, y = self._places(points_px)
        values = cv2.remap(self.tone, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        return np.asarray(values, np.float32), self.metal_at(points_px)

    def texture_at(self, points_px: Points) -> Plane:
        """Return log2 of the local strength of texture at picture points (..., 2)."""
        x, y = self._places(points_px)
        plane = _texture(self.tone, np.asarray(self.metal, np.uint8))
        return np.asarray(cv2.remap(plane, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), np.float32)

    def metal_at(self, points_px: Points) -> Plane:
        """Return 1 where picture points (..., 2) lie in metal and clear of its edges, 0 elsewhere."""
        x, y = self._places(points_px)
        metal = cv2.remap(self.metal, x, y, cv2.INTER_NEAREST, borderMode=cv2.BORDER_CONSTANT, borderValue=0)
        return np.asarray(metal, np.float32)

    def hollow_at(self, points_px: Points) -> Plane:
        """Return 1 where picture points (..., 2) lie in a hollow at the root, 0 elsewhere."""
        x, y = self._places(points_px)
        return np.asarray(cv2.remap(self.hollow, x, y, cv2.INTER_NEAREST, borderValue=0), np.float32)

    def gap_at(self, points_px: Points) -> Plane:
        """Return 1 where picture points (..., 2) lie in a gap between plates, 0 elsewhere."""
        x, y = self._places(points_px)
        return np.asarray(cv2.remap(self.gap, x, y, cv2.INTER_NEAREST, borderValue=0), np.float32)

    def solid_at(self, points_px: Points) -> Plane:
        """Return 1 where picture points (..., 2) lie inside the outline of the section, 0 elsewhere."""
        x, y = self._places(points_px)
        return np.asarray(cv2.remap(self.solid, x, y, cv2.INTER_NEAREST, borderValue=0), np.float32)

    def _places(self, points_px: Points) -> tuple[Plane, Plane]:
        at = (points_px - self.origin_px + 0.5) / self.factor - 0.5
        return np.asarray(at[..., 0], np.float32), np.asarray(at[..., 1], np.float32)


def reduced_sheet(
    gray: Gray,
    outlines_px: Sequence[Points],
    corners_px: Points,
    pixel_px: float,
    *,
    edge_px: float,
    spot_px: float,
    core_px: Points,
    seams_px: Sequence[tuple[Points, float]] = (),
    root_px: Points | None = None,
) -> Sheet:
    """Return the window round some points of the picture.

    Parameters
    ----------
    corners_px
        (N, 2) points the window must hold.
    pixel_px
        Wanted size of one pixel of the sheet, in pixels of the picture.
    edge_px
        Metal nearer than this to an edge is left out: the blur of the edge reaches into it.
    spot_px
        Spots up to this size are left out.
    core_px
        (N, 2) outline of what is weld metal for certain; a spot differs from it too.
    seams_px
        Lines with their width that are left out: gaps between plates.
    root_px
        (2,) where the plate surfaces meet; a dark spot there is a hollow.
    """
    height, width = gray.shape
    low = np.clip(np.floor(corners_px.min(axis=0)), 0, [width - 2, height - 2]).astype(int)
    high = np.clip(np.ceil(corners_px.max(axis=0)) + 1, low + 2, [width, height]).astype(int)
    window = gray[low[1] : high[1], low[0] : high[0]]
    # A whole number of pixels is averaged several times faster than a broken one.
    factor = float(max(1, round(pixel_px)))
    size = (max(2, math.floor(window.shape[1] / factor)), max(2, math.floor(window.shape[0] / factor)))
    window = window[: math.ceil(size[1] * factor), : math.ceil(size[0] * factor)]
    tone = cv2.resize(window, size, interpolation=cv2.INTER_AREA) if factor > 1 else window
    tone = np.asarray(tone, np.float32)
    mask: Gray = np.zeros(tone.shape, np.uint8)

    def small(points: Points) -> NDArray[np.int32]:
        return np.asarray(np.rint(((points - low + 0.5) / factor - 0.5) * 16), np.int32)

    for outline in outlines_px:
        cv2.fillPoly(mask, [small(outline)], 1, cv2.LINE_8, 4)
    reach = max(1, math.ceil(edge_px / factor))
    square = np.ones((2 * reach + 1, 2 * reach + 1), np.uint8)
    mask = np.asarray(cv2.erode(mask, square, borderType=cv2.BORDER_REPLICATE), np.uint8)
    solid = np.asarray(mask, np.float32)
    for seam, wide in seams_px:
        cv2.polylines(mask, [small(seam)], False, 0, max(1, round(wide / factor)), cv2.LINE_8, 4)
    core: Gray = np.zeros(tone.shape, np.uint8)
    cv2.fillPoly(core, [small(core_px)], 1, cv2.LINE_8, 4)
    weld = tone[(core > 0) & (mask > 0)]
    level = float(np.median(weld)) if len(weld) else float(np.median(tone))
    spots, dark, thin = _spots(tone, mask, level, spot_px / factor)
    hollow = np.zeros(mask.shape, np.float32)
    if root_px is not None:
        at = (root_px - low + 0.5) / factor - 0.5
        hollow = _hollow(dark, at, 0.11 * spot_px / factor + 1.0, tone, solid, level)
    metal = np.asarray(mask * (1 - spots), np.float32)
    gap = np.maximum(solid - mask, thin).astype(np.float32)
    return Sheet(tone, metal, solid, gap, hollow, level, low.astype(float), factor)


def _spots(tone: Plane, mask: Gray, level: float, size: float) -> tuple[Gray, Gray, Gray]:
    """Return where spots (dark or bright, smaller than a size) or gaps lie; dark spots without their rim; gaps.

    A spot differs from all that surrounds it, and is darker (or brighter) than nearly all of the metal: the land
    between two welds and a narrow heat-affected zone are no spots.
    """
    reach = max(3, round(size)) | 1
    kernel = np.ones((reach, reach), np.uint8)
    plain = cv2.GaussianBlur(tone, (0, 0), 0.8)
    found, raw = [], []
    usual = np.percentile(plain[mask > 0][::3], (5, 95)) if mask.any() else (level, level)
    limits = (min(level, float(usual[0])), max(level, float(usual[1])))
    for operation, sign, limit in ((cv2.MORPH_BLACKHAT, -1.0, limits[0]), (cv2.MORPH_TOPHAT, 1.0, limits[1])):
        stands_out = cv2.morphologyEx(plain, operation, kernel)
        depth = np.minimum(stands_out, np.maximum(sign * (plain - limit), 0.0))
        inside = depth[mask > 0]
        spread = float(np.median(inside[::3])) if len(inside) else 0.0
        deep = np.asarray((depth > max(SPOT_CLEAR * spread, SPOT_LEVELS)) & (mask > 0), np.uint8)
        _, labels, stats, _ = cv2.connectedComponentsWithStats(deep, connectivity=8)
        small = stats[:, cv2.CC_STAT_AREA] < 0.6 * size**2
        small[0] = False
        spots = np.asarray(small[labels], np.uint8)
        off_weld = np.minimum(stands_out, np.maximum(sign * (plain - level), 0.0))
        deep = np.asarray((off_weld > max(SPOT_CLEAR * spread, SPOT_LEVELS)) & (mask > 0), np.uint8)
        islands = _islands(deep, spots, tone, mask, level, 0.6 * size**2)
        raw.append(np.asarray(spots | islands, np.uint8))
        found.append(np.asarray(cv2.dilate(raw[-1], SPOT_RIM), np.uint8))
    dark, bright = found
    # A gap between plates is thin and dark, and as long as it likes.
    thin = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (THIN, THIN))
    depth = cv2.morphologyEx(plain, cv2.MORPH_BLACKHAT, thin)
    inside = depth[mask > 0]
    spread = float(np.median(inside[::3])) if len(inside) else 0.0
    gap = np.asarray((depth > max(THIN_CLEAR * spread, THIN_LEVELS)) & (mask > 0), np.uint8)
    gap = np.asarray(cv2.morphologyEx(gap, cv2.MORPH_OPEN, np.ones((2, 2), np.uint8)), np.uint8)
    _, labels, stats, _ = cv2.connectedComponentsWithStats(gap, connectivity=8)
    long = np.maximum(stats[:, cv2.CC_STAT_WIDTH], stats[:, cv2.CC_STAT_HEIGHT]) > 0.4 * size
    long[0] = False
    gap = np.asarray(cv2.dilate(np.asarray(long[labels], np.uint8), np.ones((3, 3), np.uint8)), np.uint8)
    return np.asarray(dark | bright | gap, np.uint8), raw[0], gap


def _welded_sectors(
    spot: Gray, rims: NDArray[np.bool_], tone: Plane, shown: NDArray[np.bool_], level: float, limit: float
) -> int:
    """Return how many of the sectors round a spot have the tone of weld metal."""
    ring = (cv2.dilate(spot, np.ones((9, 9), np.uint8)) > 0) & ~rims
    y, x = np.nonzero(ring)
    middle = np.mean(np.nonzero(spot), axis=1)
    turn = np.arctan2(y - middle[0], x - middle[1])
    sector = np.minimum(((turn + np.pi) / (2 * np.pi) * SECTORS).astype(int), SECTORS - 1)
    tones, known = tone[ring], shown[ring]
    levels = [tones[(sector == number) & known] for number in range(SECTORS)]
    return sum(len(part) > 0 and abs(_middle(part) - level) < limit for part in levels)


def _middle(values: Plane) -> float:
    """Return the upper median, several times faster than numpy's for a few values."""
    half = len(values) // 2
    return float(np.partition(values, half)[half])


def _islands(deep: Gray, known: Gray, tone: Plane, mask: Gray, level: float, most: float) -> Gray:
    """Return the spots among deep places that weld metal surrounds, however many other places have their tone."""
    found: Gray = np.zeros(deep.shape, np.uint8)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(deep, connectivity=8)
    area = stats[:, cv2.CC_STAT_AREA]
    sized = [label for label in range(1, count) if LEAST_ISLAND <= area[label] < most]
    for label in sorted(sized, key=lambda label: -area[label])[:MOST_ISLANDS]:
        left, top, wide, high = (int(number) for number in stats[label, :4])
        at = (slice(max(0, top - 6), top + high + 6), slice(max(0, left - 6), left + wide + 6))
        spot = np.asarray(labels[at] == label, np.uint8)
        if (known[at] & spot).any():
            continue
        rims = cv2.dilate(spot, SPOT_RIM) > 0
        clear = abs(float(np.median(tone[at][spot > 0])) - level)
        limit = max(WELD_LEVELS, ISLAND_SHARE * clear)
        if _welded_sectors(spot, rims, tone[at], mask[at] > 0, level, limit) == SECTORS:
            found[at] |= spot
    return found


def _hollow(dark: Gray, root: Points, reach: float, tone: Plane, solid: Plane, level: float) -> Plane:
    """Return the dark spots that come near the root and have something else than weld metal round them.

    A pore near the root has weld metal on all sides; a hollow lies between weld metal and the plates.
    """
    _, labels = cv2.connectedComponents(dark, connectivity=8)
    near: Gray = np.zeros(dark.shape, np.uint8)
    centre = (round(16 * float(root[0])), round(16 * float(root[1])))
    cv2.circle(near, centre, round(16 * reach), 1, -1, cv2.LINE_8, 4)
    hollow: Gray = np.zeros(dark.shape, np.uint8)
    others = tone[(solid > 0) & (np.abs(tone - level) > WELD_LEVELS)]
    parent = float(np.median(others)) if len(others) else level
    limit = max(WELD_LEVELS, 0.5 * abs(parent - level))
    rims = cv2.dilate(dark, SPOT_RIM) > 0
    for label in np.unique(labels[(cv2.dilate(near, SPOT_RIM) > 0) & (dark > 0)]):
        spot = np.asarray(labels == label, np.uint8)
        welded = _welded_sectors(spot, rims, tone, solid > 0, level, limit)
        if np.count_nonzero(spot) >= LEAST_HOLLOW and SECTORS - welded >= OTHER_SECTORS:
            hollow |= np.asarray(cv2.dilate(spot, SPOT_RIM), np.uint8)
    return np.asarray(hollow, np.float32)


def _texture(tone: Plane, mask: Gray) -> Plane:
    """Return log2 of the mean deviation from the local mean, edges of the metal left out."""
    inside = mask.astype(np.float32)
    share = cv2.blur(inside, (5, 5)) + 1e-3
    rough = np.abs(tone - cv2.blur(tone * inside, (5, 5)) / share) * inside
    return np.asarray(np.log2(cv2.blur(rough, (7, 7)) / (cv2.blur(inside, (7, 7)) + 1e-3) + 0.5), np.float32)


def window_px(calibration: Calibration, points_mm: Points) -> Points:
    """Return points of a frame in the picture, whatever their shape (..., 2)."""
    flat = calibration.to_px(points_mm.reshape(-1, 2))
    return np.asarray(flat.reshape(points_mm.shape))
