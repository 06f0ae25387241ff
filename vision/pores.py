"""Pores and inclusions in weld metal: compact spots of another tone, and long thin dark ones for a person.

A spot must stand clear of the grain around it; its rim is where it is half as dark (or bright) in light as its
middle, which a symmetric blur leaves in its place. Nothing here tells a pore from an inclusion, or a crack from slag.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.model import Calibration
from core.geometry import Points
from core.medians import median
from vision.fusion_line import Indication
from vision.tone import ToneCurve, edge_doubt_px, half_level

Gray = NDArray[np.uint8]
Plane = NDArray[np.float32]

CLEAR = 6.0
"""Depth of a spot over the spread of the grain."""
LEAST_LEVELS = 12.0
LONG = 3.0
"""Length over width from which a spot is a linear indication."""
SMALL_PX = 8.0
"""Pixels across the smallest spot, about; a finer picture is reduced to it."""
FAR = 8
"""How much a mask is reduced to look for the few spots in it."""
MOST_AT_RIM = 0.25
MOST_SAMPLES = 8_000
"""Pixels from which a median is taken."""
SPREAD_MM, LEAST_PX = 1.6, 4


BAND_AT, BAND_SHARE = (2.0, 2.5, 3.0, 3.5), 0.35
"""Where, in radii of a spot, and how deep against it a band goes on at opposite sides of it."""


@dataclass(frozen=True, slots=True, eq=False)
class _Patch:
    """Weld metal cut out of the picture: grey levels less their surroundings, 0 where ``metal`` is 0 and not 255.

    ``level`` is that of the surroundings, ``curve`` how the picture stores light, ``blur`` the spread of its edges in
    pixels of the patch.
    """

    rest: Plane
    level: Plane
    curve: ToneCurve
    blur: float
    metal: Gray
    low: NDArray[np.int64]
    factor: float
    noise: float


@dataclass(frozen=True, slots=True, eq=False)
class _Surface:
    """The segments of an outline in the picture: starts and steps, (N, 2), squared lengths, (N,), the longest."""

    start: Points
    step: Points
    length2: NDArray[np.float64]
    longest_px: float


class _Spot:
    """The pixels of a spot in a patch, (N,) each, whether it is bright (+1) or dark (-1), and how much at its top.

    ``short`` and ``long`` are the standard deviations of the pixels, each a square, across and along their longest
    direction.
    """

    def __init__(self, columns: NDArray[np.int64], rows: NDArray[np.int64], sign: int, top: float) -> None:
        self.columns, self.rows, self.sign, self.top = columns, rows, sign, top
        self.centre = float(columns.mean()), float(rows.mean())
        x, y = columns - self.centre[0], rows - self.centre[1]
        across, down, both = (float(np.dot(a, b)) / (len(rows) - 1) for a, b in ((x, x), (y, y), (x, y)))
        middle, apart = 0.5 * (across + down) + 1 / 12, math.hypot(0.5 * (across - down), both)
        self.short, self.long = math.sqrt(max(middle - apart, 1e-9)), math.sqrt(middle + apart)

    @property
    def compact(self) -> bool:
        """Whether it is not several times longer than wide."""
        return self.long <= LONG * self.short


def _surface(outline: Points) -> _Surface:
    step = np.diff(outline, axis=0)
    length2 = np.maximum(np.einsum("nk,nk->n", step, step), 1e-30)
    return _Surface(outline[:-1], step, length2, math.sqrt(float(length2.max(initial=0.0))))


def find_spots(
    gray: Gray,
    weld_metal_px: Sequence[Points],
    surfaces_px: Sequence[Points],
    calibration: Calibration,
    smallest_mm: float,
    *,
    margin_px: float = 3.0,
    curve: ToneCurve = "linear",
    blur_px: float = 0.0,
) -> tuple[Indication, ...]:
    """Return the spots of an equivalent diameter of at least ``smallest_mm``, largest first.

    Parameters
    ----------
    weld_metal_px
        Closed outlines of the weld metal, (N, 2) px.
    surfaces_px
        Outlines of the metal, (N, 2) px, to which the distance of a spot is stated.
    margin_px
        Spots nearer to the rim of the weld metal than this are not told from the rim.
    curve
        How the picture stores light: it moves the rim of a spot against that of its half-way grey level.
    blur_px
        Standard deviation of the picture's edge spread.
    """
    found: list[Indication] = []
    surfaces = [_surface(outline) for outline in surfaces_px if len(outline) > 1]
    for outline in weld_metal_px:
        patch = _patch(gray, outline, calibration, smallest_mm, margin_px, (curve, blur_px))
        if patch is not None:
            found += _spots(patch, surfaces, calibration, smallest_mm)
    return tuple(sorted(found, key=lambda spot: -spot.area_mm2))


def _patch(
    gray: Gray,
    outline: Points,
    calibration: Calibration,
    smallest_mm: float,
    margin_px: float,
    light: tuple[ToneCurve, float],
) -> _Patch | None:
    height, width = gray.shape
    low = np.clip(np.floor(outline.min(axis=0)), 0, [width - 2, height - 2]).astype(int)
    high = np.clip(np.ceil(outline.max(axis=0)) + 1, low + 2, [width, height]).astype(int)
    part = gray[low[1] : high[1], low[0] : high[0]]
    pixel = calibration.mm_per_px(outline.mean(axis=0))
    factor = float(max(1, round(smallest_mm / pixel / SMALL_PX)))
    size = (math.floor(part.shape[1] / factor), math.floor(part.shape[0] / factor))
    if min(size) < 8:
        return None
    part = part[: math.ceil(size[1] * factor), : math.ceil(size[0] * factor)]
    tone: Gray = np.asarray(cv2.resize(part, size, interpolation=cv2.INTER_AREA) if factor > 1 else part, np.uint8)
    mask: Gray = np.zeros(tone.shape, np.uint8)
    small = ((outline - low + 0.5) / factor - 0.5) * 16
    cv2.fillPoly(mask, [np.asarray(np.rint(small), np.int32)], 255, cv2.LINE_8, 4)
    reach = max(1, math.ceil(margin_px / factor))
    mask = np.asarray(cv2.erode(mask, np.ones((2 * reach + 1, 2 * reach + 1), np.uint8), borderValue=0), np.uint8)
    if cv2.countNonZero(mask) < 50:
        return None
    level = _surroundings(tone, mask, SPREAD_MM / (pixel * factor))
    rest = np.subtract(tone, level, dtype=np.float32)
    inside = _sampled(rest, mask)
    noise = 1.4826 * median(np.abs(inside - median(inside)))
    # Outside the weld metal there is nothing.
    rest *= mask > 0
    return _Patch(rest, level, light[0], light[1] / factor, mask, low, factor, max(noise, 0.7))


def _sampled(plane: Plane | Gray, mask: Gray) -> Plane:
    """Return values of a plane on a grid of places in a mask, some ten thousand."""
    step = max(1, math.isqrt(int(np.count_nonzero(mask)) // MOST_SAMPLES))
    return np.asarray(plane[::step, ::step][mask[::step, ::step] > 0], np.float32)


def _surroundings(tone: Gray, mask: Gray, spread_px: float) -> Plane:
    """Return the level of weld metal round each pixel; spots pull it by no more than the grain's spread.

    Where the spread is wide it is found in a picture of a quarter of the size.
    """
    inside = _sampled(tone, mask)
    middle = median(inside)
    spread = 1.4826 * median(np.abs(inside - middle)) + 1.0
    share, total = mask, np.asarray(cv2.bitwise_and(tone, mask), np.uint8)
    halvings = 2 if spread_px > 24 and min(tone.shape) > 16 else 0
    for _ in range(halvings):
        # Of an even number of rows and columns two are averaged many times faster.
        share, total = (
            np.asarray(
                cv2.resize(plane, (plane.shape[1] // 2, plane.shape[0] // 2), interpolation=cv2.INTER_AREA), np.uint8
            )
            for plane in (part[: part.shape[0] // 2 * 2, : part.shape[1] // 2 * 2] for part in (share, total))
        )
    spread_px /= 2**halvings
    shown = share.astype(np.float32) * np.float32(1 / 255)
    held = total / np.maximum(shown, 1e-3)
    shrink = max(1, int(spread_px / 6))
    size = (max(2, held.shape[1] // shrink), max(2, held.shape[0] // shrink))
    weight = cv2.GaussianBlur(cv2.resize(shown, size, interpolation=cv2.INTER_AREA), (0, 0), spread_px / shrink)
    level = np.full(held.shape, middle, np.float32)
    for _ in range(2):
        near = np.clip(held, level - 1.5 * spread, level + 1.5 * spread) * shown
        sums = cv2.GaussianBlur(cv2.resize(near, size, interpolation=cv2.INTER_AREA), (0, 0), spread_px / shrink)
        level = np.asarray(cv2.resize(sums / np.maximum(weight, 1e-3), held.shape[::-1]), np.float32)
    if not halvings:
        return level
    # Rows and columns beyond an even number stretch it by less than its smoothness shows.
    return np.asarray(cv2.resize(level, tone.shape[::-1]), np.float32)


def _spots(
    patch: _Patch, surfaces: Sequence[_Surface], calibration: Calibration, smallest_mm: float
) -> list[Indication]:
    rest = patch.rest
    soft = np.asarray(cv2.GaussianBlur(rest, (0, 0), SMALL_PX / 8), np.float32)
    spread = 1.4826 * median(np.abs(_sampled(soft, patch.metal))) + 0.5
    least = max(CLEAR * spread, LEAST_LEVELS)
    found = []
    for sign in (-1, 1):
        deep = soft > least if sign > 0 else soft < -least
        for window, own in _far_pieces(np.asarray(deep), least_px=LEAST_PX):
            depth, smooth = sign * rest[window], sign * soft[window]
            top = _top(smooth[own])
            # What is half as deep as the deepest there hangs together with it; the rim of the metal does not.
            half = _half(patch, window, own, sign, top)
            core = np.asarray((depth > half * top) & (cv2.dilate(own.astype(np.uint8), _AROUND) > 0), np.uint8)
            for inner, part in _pieces(core, least_px=LEAST_PX):
                own_top = _top(smooth[inner][part])
                place = (_within(window[0], inner[0]), _within(window[1], inner[1]))
                if own_top < least or _touches_rim(patch.metal, place, part):
                    continue
                half = _half(patch, place, part, sign, own_top)
                rows, columns = np.nonzero(part & (depth[inner] > half * own_top))
                if len(rows) < LEAST_PX:
                    continue
                spot = _Spot(columns + place[1].start, rows + place[0].start, sign, own_top)
                if spot.compact and _on_band(soft, spot):
                    continue
                indication = _indication(patch, spot, surfaces, calibration, smallest_mm)
                if indication is not None:
                    found.append(indication)
    return found


_AROUND = np.ones((3, 3), np.uint8)


def _half(patch: _Patch, place: tuple[slice, slice], own: NDArray[np.bool_], sign: int, top: float) -> float:
    """Return where on the way from its surroundings to the top of a spot its rim lies: half-way in light."""
    around = float(np.mean(patch.level[place][own]))
    return abs(half_level(patch.curve, around, min(max(around + sign * top, 0.0), 255.0)) - around) / top


def _pieces(mask: Gray, *, least_px: int) -> list[tuple[tuple[slice, slice], NDArray[np.bool_]]]:
    """Return the connected pieces of a mask: the window of each, two pixels wider than it, and its pixels there."""
    _, labels, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=8)
    pieces = []
    height, width = mask.shape
    for label in range(1, len(stats)):
        x, y, w, h, area = (int(value) for value in stats[label])
        if area >= least_px:
            window = (_around(y, h, height), _around(x, w, width))
            pieces.append((window, np.asarray(labels[window] == label)))
    return pieces


def _far_pieces(mask: NDArray[np.bool_], *, least_px: int) -> list[tuple[tuple[slice, slice], NDArray[np.bool_]]]:
    """Return the pieces of a large mask that is empty nearly everywhere: it is looked for in a reduced one first."""
    rows_of_blocks, blocks = -(-mask.shape[0] // FAR), -(-mask.shape[1] // FAR)
    whole = np.zeros((rows_of_blocks * FAR, blocks * FAR), np.bool_)
    whole[: mask.shape[0], : mask.shape[1]] = mask
    # The bytes of FAR pixels of a row are one number, which is 0 where none of them is set.
    any_set = np.bitwise_or.reduce(whole.view(np.uint64).reshape(rows_of_blocks, FAR, blocks), axis=1) > 0
    _, labels, stats, _ = cv2.connectedComponentsWithStats(any_set.astype(np.uint8), connectivity=8)
    pieces = []
    for label in range(1, len(stats)):
        x, y, w, h = (FAR * int(value) for value in stats[label, :4])
        window = _around(y, h, mask.shape[0]), _around(x, w, mask.shape[1])
        rows, columns = (np.arange(part.start, part.stop) // FAR for part in window)
        own = labels[rows[:, None], columns] == label
        for inner, piece in _pieces(np.asarray(mask[window] & own, np.uint8), least_px=least_px):
            pieces.append(((_within(window[0], inner[0]), _within(window[1], inner[1])), piece))
    return pieces


def _around(start: int, length: int, end: int) -> slice:
    """Return a part of a picture's rows or columns with two more on both sides."""
    return slice(max(0, start - 2), min(end, start + length + 2))


def _within(outer: slice, inner: slice) -> slice:
    return slice(outer.start + inner.start, outer.start + inner.stop)


def _top(values: Plane) -> float:
    """Return the level of the deepest sixth of a spot."""
    return float(np.mean(np.sort(values)[-max(3, len(values) // 6) :]))


def _on_band(soft: Plane, spot: _Spot) -> bool:
    """Tell whether a compact spot is a piece of a longer band, which goes on at opposite sides of it.

    The border between two passes breaks up into such pieces where grain crosses it.
    """
    radius = math.sqrt(len(spot.rows) / math.pi)
    turn = np.arange(16) * math.pi / 8
    away = radius * np.array(BAND_AT)[:, None]
    x = np.asarray(spot.centre[0] + away * np.cos(turn), np.float32)
    y = np.asarray(spot.centre[1] + away * np.sin(turn), np.float32)
    along = spot.sign * cv2.remap(soft, x, y, cv2.INTER_LINEAR, borderValue=0).mean(axis=0)
    return bool(np.max(np.minimum(along[:8], along[8:])) > BAND_SHARE * spot.top)


def _touches_rim(metal: Gray, window: tuple[slice, slice], own: NDArray[np.bool_]) -> bool:
    """Tell whether much of a spot's rim lies at the rim of the weld metal: that is the rim's blur, not a spot."""
    rim = own & ~cv2.erode(own.astype(np.uint8), _AROUND, borderValue=0).astype(bool)
    beside = cv2.erode(metal[window], _AROUND, borderValue=0) == 0
    return bool(np.mean(beside[rim]) > MOST_AT_RIM)


def _indication(
    patch: _Patch, spot: _Spot, surfaces: Sequence[_Surface], calibration: Calibration, smallest_mm: float
) -> Indication | None:
    centre = (np.array(spot.centre) + 0.5) * patch.factor - 0.5 + patch.low
    mm_per_px = calibration.mm_per_px(centre)
    pixel = mm_per_px * patch.factor
    if spot.sign > 0 and not spot.compact:
        # Bright streaks are columnar grains and borders of passes.
        return None
    length, width = 4.0 * spot.long * pixel, 4.0 * spot.short * pixel
    area = len(spot.rows) * pixel**2
    diameter = 2 * math.sqrt(area / math.pi)
    if diameter < smallest_mm:
        return None
    # The rim is known to a part of a pixel all round.
    perimeter = math.pi * (length + width) / 2
    around = float(np.mean(patch.level[spot.rows, spot.columns]))
    levels = sorted((around, around + spot.sign * spot.top))
    curve = edge_doubt_px(patch.curve, levels[0], levels[1], patch.blur)
    area_std = perimeter * pixel * math.hypot(0.12, 0.5 * patch.noise / spot.top, curve)
    points = np.asarray((np.column_stack([spot.columns, spot.rows]) + 0.5) * patch.factor - 0.5 + patch.low, float)
    distance = _distance(_rim(points, centre), centre, surfaces) if surfaces else 0.0
    at_mm = calibration.to_mm(centre[None])[0]
    return Indication(
        "pore_or_inclusion" if spot.compact else "linear_indication",
        "dark" if spot.sign < 0 else "bright",
        (float(centre[0]), float(centre[1])),
        (float(at_mm[0]), float(at_mm[1])),
        float(area),
        float(area_std),
        float(diameter),
        float(length),
        float(width),
        float(distance * mm_per_px),
    )


def _distance(rim: Points, centre: Points, surfaces: Sequence[_Surface]) -> float:
    """Return the shortest distance from the rim of a spot to surfaces, px."""
    reach = float(np.max(np.hypot(*(rim - centre).T)))
    least = np.inf
    for surface in surfaces:
        # Only what lies about as near to the centre as the nearest point can be the nearest to the rim.
        away2 = (surface.start[:, 0] - centre[0]) ** 2 + (surface.start[:, 1] - centre[1]) ** 2
        farthest = math.sqrt(float(away2.min())) + 2 * reach + surface.longest_px
        near = np.flatnonzero(away2 <= farthest**2)
        step, length2 = surface.step[near], surface.length2[near]
        arm = rim[:, None] - surface.start[near]
        share = np.clip(np.einsum("rsk,sk->rs", arm, step) / length2, 0.0, 1.0)
        arm -= share[..., None] * step
        least = min(least, math.sqrt(float(np.min(arm[..., 0] ** 2 + arm[..., 1] ** 2))))
    return float(least)


def _rim(points: Points, centre: Points) -> Points:
    """Return a few outermost points of a spot, one a direction."""
    arm = points - centre
    turns = np.arange(12) * math.pi / 6
    directions = np.column_stack([np.cos(turns), np.sin(turns)])
    return np.asarray(points[np.unique(np.argmax(arm @ directions.T, axis=0))])
