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
from core.medians import median, quantile

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
BLACK_SHARE, BLACK_LEVELS = 0.5, 3.0
"""Darker than this share of weld metal, and than nearly all of it by so many grey levels, is no metal at all."""
THIN, THIN_CLEAR, THIN_LEVELS = 7, 8.0, 14.0
"""Depth of a spot over its surroundings, in spreads of the grain and in grey levels."""
PLATE_SHARE = 0.7
"""What lies farther than this on the way from the tone of weld metal to that of the plates is plate."""


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
    metal: Gray
    solid: Gray
    gap: Gray
    hollow: Gray
    core_level: float
    origin_px: Points
    factor: float

    def at(self, points_px: Points) -> Places:
        """Return the places of picture points (..., 2) on the sheet, to be asked for what lies there."""
        return self.at_places(np.asarray(points_px[..., 0], np.float32), np.asarray(points_px[..., 1], np.float32))

    def at_places(self, x_px: Plane, y_px: Plane) -> Places:
        """Return the same for columns and rows of the picture."""
        share = np.float32(1 / self.factor)
        left, top = (np.float32((corner - 0.5) / self.factor + 0.5) for corner in self.origin_px)
        return Places(self, x_px * share - left, y_px * share - top)


@dataclass(frozen=True, slots=True, eq=False)
class Places:
    """Places on a sheet: columns and rows of it, of any shape."""

    sheet: Sheet
    x: Plane
    y: Plane

    @property
    def tone(self) -> Plane:
        """Grey levels."""
        return self._between(self.sheet.tone)

    @property
    def texture(self) -> Plane:
        """Return log2 of the local strength of texture."""
        return self._between(_texture(self.sheet.tone, np.asarray(self.sheet.metal, np.uint8)))

    @property
    def metal(self) -> Plane:
        """1 in metal and clear of its edges, 0 elsewhere."""
        return np.asarray(self._nearest(self.sheet.metal), np.float32)

    @property
    def solid(self) -> Plane:
        """1 inside the outline of the section, 0 elsewhere."""
        return np.asarray(self._nearest(self.sheet.solid), np.float32)

    @property
    def hollow(self) -> NDArray[np.bool_]:
        """Whether a place lies in a hollow at the root."""
        if not self.sheet.hollow.any():
            return np.zeros(self.x.shape, np.bool_)
        return self._nearest(self.sheet.hollow) > 0

    @property
    def gap(self) -> NDArray[np.bool_]:
        """Whether a place lies in a gap between plates."""
        return self._nearest(self.sheet.gap) > 0

    def _between(self, plane: Plane) -> Plane:
        values = cv2.remap(plane, self.x, self.y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        return np.asarray(values, np.float32)

    def _nearest(self, mask: Gray) -> Gray:
        return np.asarray(cv2.remap(mask, self.x, self.y, cv2.INTER_NEAREST, borderValue=0), np.uint8)


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
    tone = np.asarray(_reduced(window, size, int(factor)), np.float32)
    mask: Gray = np.zeros(tone.shape, np.uint8)

    def small(points: Points) -> NDArray[np.int32]:
        return np.asarray(np.rint(points * (16 / factor) - (low * (16 / factor) + 8 - 8 / factor)), np.int32)

    for outline in outlines_px:
        cv2.fillPoly(mask, [small(outline)], 1, cv2.LINE_8, 4)
    reach = max(1, math.ceil(edge_px / factor))
    square = np.ones((2 * reach + 1, 2 * reach + 1), np.uint8)
    mask = np.asarray(cv2.erode(mask, square, borderType=cv2.BORDER_REPLICATE), np.uint8)
    solid = mask.copy()
    for seam, wide in seams_px:
        cv2.polylines(mask, [small(seam)], False, 0, max(1, round(wide / factor)), cv2.LINE_8, 4)
    core: Gray = np.zeros(tone.shape, np.uint8)
    cv2.fillPoly(core, [small(core_px)], 1, cv2.LINE_8, 4)
    weld = tone[(core > 0) & (mask > 0)]
    level = median(weld if len(weld) else tone)
    spots, dark, thin = _spots(tone, mask, level, spot_px / factor)
    hollow: Gray = np.zeros(mask.shape, np.uint8)
    if root_px is not None:
        at = (root_px - low + 0.5) / factor - 0.5
        black = _black(tone, solid, weld, level)
        hollow = _hollow(dark | (black & mask), dark | black, at, 0.11 * spot_px / factor + 1.0, tone, solid, level)
        spots = spots | hollow
    metal = np.asarray(mask * (1 - spots), np.uint8)
    gap = np.asarray(np.maximum(solid - mask, thin), np.uint8)
    return Sheet(tone, metal, solid, gap, hollow, level, low.astype(float), factor)


def _reduced(window: Gray, size: tuple[int, int], factor: int) -> Gray:
    """Return the mean of each square of so many pixels; four at once are averaged many times faster than others."""
    if factor % 2 == 0:
        window = np.asarray(cv2.resize(window, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA), np.uint8)
        factor //= 2
    return np.asarray(cv2.resize(window, size, interpolation=cv2.INTER_AREA) if factor > 1 else window, np.uint8)


def _spots(tone: Plane, mask: Gray, level: float, size: float) -> tuple[Gray, Gray, Gray]:
    """Return where spots (dark or bright, smaller than a size) or gaps lie; dark spots without their rim; gaps.

    A spot differs from all that surrounds it, and is darker (or brighter) than nearly all of the metal: the land
    between two welds and a narrow heat-affected zone are no spots.
    """
    reach = max(3, round(size)) | 1
    kernel = np.ones((reach, reach), np.uint8)
    plain = np.asarray(cv2.GaussianBlur(tone, (0, 0), 0.8), np.float32)
    inside, sampled = mask > 0, mask[::3, ::3] > 0
    tones = plain[::3, ::3][sampled]
    usual = (quantile(tones, 0.05), quantile(tones, 0.95)) if len(tones) else (level, level)
    found, raw = [], []
    for operation, sign, limit in (
        (cv2.MORPH_BLACKHAT, -1.0, min(level, usual[0])),
        (cv2.MORPH_TOPHAT, 1.0, max(level, usual[1])),
    ):
        stands_out = np.asarray(cv2.morphologyEx(plain, operation, kernel), np.float32)
        over = np.maximum(sign * (tones - limit), 0.0)
        spread = median(np.minimum(stands_out[::3, ::3][sampled], over)) if len(tones) else 0.0
        least = max(SPOT_CLEAR * spread, SPOT_LEVELS)
        clear = (stands_out > least) & inside
        deep = np.asarray(clear & _beyond(plain, limit, sign * least), np.uint8)
        labels, places, area = _labelled(deep)
        spots: Gray = np.zeros(deep.shape, np.uint8)
        spots.ravel()[places[area[labels] < 0.6 * size**2]] = 1
        deep = np.asarray(clear & _beyond(plain, level, sign * least), np.uint8)
        raw.append(spots | _islands(deep, spots, tone, mask, level, 0.6 * size**2))
        found.append(np.asarray(cv2.dilate(raw[-1], SPOT_RIM), np.uint8))
    gap = _gaps(plain, inside, level, 0.4 * size)
    return np.asarray(found[0] | found[1] | gap, np.uint8), raw[0], gap


def _beyond(plane: Plane, limit: float, by: float) -> NDArray[np.bool_]:
    """Return where a plane is more than so much above a limit, or below it where that is negative."""
    return plane > limit + by if by > 0 else plane < limit + by


def _gaps(plain: Plane, inside: NDArray[np.bool_], level: float, longest: float) -> Gray:
    """Return the gaps between plates: thin and dark, and longer than so many pixels."""
    thin = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (THIN, THIN))
    depth = np.asarray(cv2.morphologyEx(plain, cv2.MORPH_BLACKHAT, thin), np.float32)
    sampled = inside[::3, ::3]
    tones, depths = plain[::3, ::3][sampled], depth[::3, ::3][sampled]
    spread = median(depths) if len(depths) else 0.0
    # Between a bright border of passes and a bright zone dark weld metal is thin, too: a gap is darker than that, or
    # lies between plates.
    others = tones[tones > level + WELD_LEVELS]
    plates = median(others) if len(others) else np.inf
    between = (plain < level - 0.5 * THIN_LEVELS) | (plain + depth > level + PLATE_SHARE * (plates - level))
    gap = np.asarray((depth > max(THIN_CLEAR * spread, THIN_LEVELS)) & between & inside, np.uint8)
    gap = np.asarray(cv2.morphologyEx(gap, cv2.MORPH_OPEN, np.ones((2, 2), np.uint8)), np.uint8)
    labels, places, area = _labelled(gap)
    kept: Gray = np.zeros(gap.shape, np.uint8)
    # What is longer than this has more pixels than this.
    for label in np.flatnonzero(area > longest):
        own = places[labels == label]
        if max(np.ptp(own // gap.shape[1]), np.ptp(own % gap.shape[1])) + 1 > longest:
            kept.ravel()[own] = 1
    return np.asarray(cv2.dilate(kept, np.ones((3, 3), np.uint8)), np.uint8)


def _labelled(mask: Gray) -> tuple[NDArray[np.int32], NDArray[np.int64], NDArray[np.int64]]:
    """Return the number of the piece of each pixel of a mask (K,), their flat places, the pixels of each piece.

    Several times faster than asking for the statistics of every piece; number 0 has none.
    """
    places = np.flatnonzero(mask.view(np.bool_))
    if len(places) == 0:
        return np.zeros(0, np.int32), places, np.zeros(1, np.int64)
    count, labels = cv2.connectedComponents(mask, connectivity=8)
    found = np.asarray(labels.ravel()[places], np.int32)
    return found, places, np.bincount(found, minlength=count)


def _welded_sectors(
    spot: Gray,
    rims: NDArray[np.bool_],
    tone: Plane,
    shown: NDArray[np.bool_],
    level: float,
    limit: float,
    *,
    enough: int = 0,
) -> int:
    """Return how many of the sectors round a spot have the tone of weld metal.

    Where only all of them are ``enough``, 0 may stand for any smaller number.
    """
    ring = (cv2.dilate(spot, np.ones((9, 9), np.uint8)) > 0) & ~rims
    tones, known = tone[ring], shown[ring]
    around = tones[known]
    # The median of all is no farther off than that of the farthest sector.
    if enough == SECTORS and (len(around) == 0 or abs(_middle(around) - level) >= limit):
        return 0
    y, x = np.nonzero(ring)
    middle = np.mean(np.nonzero(spot), axis=1)
    turn = np.arctan2(y - middle[0], x - middle[1])
    sector = np.minimum(((turn + np.pi) / (2 * np.pi) * SECTORS).astype(int), SECTORS - 1)
    levels = [tones[(sector == number) & known] for number in range(SECTORS)]
    return sum(len(part) > 0 and abs(_middle(part) - level) < limit for part in levels)


def _middle(values: Plane) -> float:
    """Return the upper median, several times faster than numpy's for a few values."""
    half = len(values) // 2
    return float(np.partition(values, half)[half])


def _islands(deep: Gray, known: Gray, tone: Plane, mask: Gray, level: float, most: float) -> Gray:
    """Return the spots among deep places that weld metal surrounds, however many other places have their tone."""
    found: Gray = np.zeros(deep.shape, np.uint8)
    labels, places, area = _labelled(deep)
    of_size = (area >= LEAST_ISLAND) & (area < most)
    sized = np.flatnonzero(of_size)
    chosen = of_size[labels]
    labels, places = labels[chosen], places[chosen]
    for label in sized[np.argsort(-area[sized], kind="stable")][:MOST_ISLANDS]:
        own = places[labels == label]
        if known.ravel()[own].any():
            continue
        y, x = np.divmod(own, deep.shape[1])
        at = (slice(max(0, int(y.min()) - 6), int(y.max()) + 7), slice(max(0, int(x.min()) - 6), int(x.max()) + 7))
        spot: Gray = np.zeros(deep[at].shape, np.uint8)
        spot[y - at[0].start, x - at[1].start] = 1
        rims = cv2.dilate(spot, SPOT_RIM) > 0
        clear = abs(_middle(tone.ravel()[own]) - level)
        limit = max(WELD_LEVELS, ISLAND_SHARE * clear)
        if _welded_sectors(spot, rims, tone[at], mask[at] > 0, level, limit, enough=SECTORS) == SECTORS:
            found[at] |= spot
    return found


def _black(tone: Plane, solid: Gray, weld: Plane, level: float) -> Gray:
    """Return where there is no metal to see although weld metal is the darkest metal: far darker than that.

    Against such weld metal a hollow does not stand out as it does against a bright one.
    """
    metal = tone[::3, ::3][solid[::3, ::3] > 0]
    if len(weld) == 0 or len(metal) == 0 or level > median(metal) - WELD_LEVELS:
        return np.zeros(tone.shape, np.uint8)
    limit = min(BLACK_SHARE * level, quantile(weld, 0.05) - BLACK_LEVELS)
    return np.asarray((tone < limit) & (solid > 0), np.uint8)


def _hollow(dark: Gray, others_dark: Gray, root: Points, reach: float, tone: Plane, solid: Gray, level: float) -> Gray:
    """Return the dark spots that come near the root and have something else than weld metal round them.

    A pore near the root has weld metal on all sides; a hollow lies between weld metal and the plates.
    """
    near: Gray = np.zeros(dark.shape, np.uint8)
    centre = (round(16 * float(root[0])), round(16 * float(root[1])))
    cv2.circle(near, centre, round(16 * reach), 1, -1, cv2.LINE_8, 4)
    near = np.asarray(cv2.bitwise_and(cv2.dilate(near, SPOT_RIM), dark), np.uint8)
    hollow: Gray = np.zeros(dark.shape, np.uint8)
    if cv2.countNonZero(near) == 0:
        return hollow
    _, labels = cv2.connectedComponents(dark, connectivity=8)
    others = tone[(solid > 0) & (np.abs(tone - level) > WELD_LEVELS)]
    parent = median(others) if len(others) else level
    limit = max(WELD_LEVELS, 0.5 * abs(parent - level))
    rims = cv2.dilate(others_dark, SPOT_RIM) > 0
    for label in np.unique(labels[near > 0]):
        spot = np.asarray(labels == label, np.uint8)
        welded = _welded_sectors(spot, rims, tone, solid > 0, level, limit)
        if np.count_nonzero(spot) >= LEAST_HOLLOW and SECTORS - welded >= OTHER_SECTORS:
            hollow |= np.asarray(cv2.dilate(spot, SPOT_RIM), np.uint8)
    return hollow


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
