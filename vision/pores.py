"""Pores and inclusions in weld metal: compact spots of another tone, and long thin dark ones for a person.

A spot must stand clear of the grain around it; its rim is where it is half as dark (or bright) as its middle,
which a symmetric blur leaves in its place. Nothing here tells a pore from an inclusion, or a crack from slag.
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
from vision.fusion_line import Indication

Gray = NDArray[np.uint8]
Plane = NDArray[np.float32]

CLEAR = 6.0
"""Depth of a spot over the spread of the grain."""
LEAST_LEVELS = 12.0
LONG = 3.0
"""Length over width from which a spot is a linear indication."""
SMALL_PX = 8.0
"""Pixels across the smallest spot; a finer picture is reduced to it."""
FAR, LEVEL_SHRINK = 8, 4
"""How much a picture is reduced to look for the few spots in it, and for the level round them."""
MOST_AT_RIM = 0.25
MOST_SAMPLES = 20_000
"""Pixels from which a median is taken."""
SPREAD_MM = 1.6


BAND_AT, BAND_SHARE = (2.0, 2.5, 3.0, 3.5), 0.35
"""Where, in radii of a spot, and how deep against it a band goes on at opposite sides of it."""


@dataclass(frozen=True, slots=True, eq=False)
class _Patch:
    """Weld metal cut out of the picture: grey levels less their surroundings, and where it is weld metal."""

    rest: Plane
    metal: Gray
    low: NDArray[np.int64]
    factor: float
    noise: float


def find_spots(
    gray: Gray,
    weld_metal_px: Sequence[Points],
    surfaces_px: Sequence[Points],
    calibration: Calibration,
    smallest_mm: float,
    *,
    margin_px: float = 3.0,
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
    """
    found: list[Indication] = []
    segments = [(outline[:-1], np.diff(outline, axis=0)) for outline in surfaces_px]
    for outline in weld_metal_px:
        patch = _patch(gray, outline, calibration, smallest_mm, margin_px)
        if patch is not None:
            found += _spots(patch, segments, calibration, smallest_mm)
    return tuple(sorted(found, key=lambda spot: -spot.area_mm2))


def _patch(
    gray: Gray, outline: Points, calibration: Calibration, smallest_mm: float, margin_px: float
) -> _Patch | None:
    height, width = gray.shape
    low = np.clip(np.floor(outline.min(axis=0)), 0, [width - 2, height - 2]).astype(int)
    high = np.clip(np.ceil(outline.max(axis=0)) + 1, low + 2, [width, height]).astype(int)
    part = gray[low[1] : high[1], low[0] : high[0]]
    pixel = calibration.mm_per_px(outline.mean(axis=0))
    factor = float(max(1, math.floor(smallest_mm / pixel / SMALL_PX + 1e-6)))
    size = (math.floor(part.shape[1] / factor), math.floor(part.shape[0] / factor))
    if min(size) < 8:
        return None
    part = part[: math.ceil(size[1] * factor), : math.ceil(size[0] * factor)]
    tone = np.asarray(cv2.resize(part, size, interpolation=cv2.INTER_AREA) if factor > 1 else part, np.float32)
    mask: Gray = np.zeros(tone.shape, np.uint8)
    small = ((outline - low + 0.5) / factor - 0.5) * 16
    cv2.fillPoly(mask, [np.asarray(np.rint(small), np.int32)], 1, cv2.LINE_8, 4)
    reach = max(1, math.ceil(margin_px / factor))
    mask = np.asarray(cv2.erode(mask, np.ones((2 * reach + 1, 2 * reach + 1), np.uint8), borderValue=0), np.uint8)
    if np.count_nonzero(mask) < 50:
        return None
    rest = tone - _surroundings(tone, mask, SPREAD_MM / (pixel * factor))
    inside = _sampled(rest, mask)
    noise = 1.4826 * float(np.median(np.abs(inside - np.median(inside))))
    return _Patch(np.asarray(rest, np.float32), mask, low, factor, max(noise, 0.7))


def _sampled(plane: Plane, mask: Gray) -> Plane:
    """Return values of a plane on a grid of places in a mask, some tens of thousands at most."""
    step = max(1, math.isqrt(int(np.count_nonzero(mask)) // MOST_SAMPLES))
    return np.asarray(plane[::step, ::step][mask[::step, ::step] > 0], np.float32)


def _surroundings(tone: Plane, mask: Gray, spread_px: float) -> Plane:
    """Return the level of weld metal round each pixel; spots pull it by no more than the grain's spread.

    Where the spread is wide it is found in a picture reduced by LEVEL_SHRINK first.
    """
    inside = _sampled(tone, mask)
    middle = float(np.median(inside))
    spread = 1.4826 * float(np.median(np.abs(inside - middle))) + 1.0
    share = np.asarray(mask, np.float32)
    held = tone
    if spread_px > 6 * LEVEL_SHRINK and min(tone.shape) > 4 * LEVEL_SHRINK:
        size = (tone.shape[1] // LEVEL_SHRINK, tone.shape[0] // LEVEL_SHRINK)
        share = np.asarray(cv2.resize(share, size, interpolation=cv2.INTER_AREA), np.float32)
        total = cv2.resize(cv2.multiply(tone, np.asarray(mask, np.float32)), size, interpolation=cv2.INTER_AREA)
        held = np.asarray(total / np.maximum(share, 1e-3), np.float32)
        spread_px /= LEVEL_SHRINK
    shrink = max(1, int(spread_px / 6))
    size = (max(2, held.shape[1] // shrink), max(2, held.shape[0] // shrink))
    weight = cv2.GaussianBlur(cv2.resize(share, size, interpolation=cv2.INTER_AREA), (0, 0), spread_px / shrink)
    level = np.full(held.shape, middle, np.float32)
    for _ in range(2):
        near = np.clip(held, level - 1.5 * spread, level + 1.5 * spread) * share
        total = cv2.GaussianBlur(cv2.resize(near, size, interpolation=cv2.INTER_AREA), (0, 0), spread_px / shrink)
        level = np.asarray(cv2.resize(total / np.maximum(weight, 1e-3), held.shape[::-1]), np.float32)
    return level if level.shape == tone.shape else np.asarray(cv2.resize(level, tone.shape[::-1]), np.float32)


def _spots(
    patch: _Patch, segments: Sequence[tuple[Points, Points]], calibration: Calibration, smallest_mm: float
) -> list[Indication]:
    rest = np.asarray(cv2.multiply(patch.rest, np.asarray(patch.metal, np.float32)), np.float32)
    soft = np.asarray(cv2.GaussianBlur(rest, (0, 0), SMALL_PX / 8), np.float32)
    spread = 1.4826 * float(np.median(np.abs(_sampled(soft, patch.metal)))) + 0.5
    least = max(CLEAR * spread, LEAST_LEVELS)
    found = []
    for sign in (-1, 1):
        deep = soft > least if sign > 0 else soft < -least
        for window, own in _far_pieces(np.asarray(deep), least_px=4):
            depth, smooth = sign * rest[window], sign * soft[window]
            top = _top(smooth[own])
            # What is half as deep as the deepest there hangs together with it; the rim of the metal does not.
            core = np.asarray((depth > 0.5 * top) & (cv2.dilate(own.astype(np.uint8), _AROUND) > 0), np.uint8)
            for inner, part in _pieces(core, least_px=4):
                own_top = _top(smooth[inner][part])
                place = (_within(window[0], inner[0]), _within(window[1], inner[1]))
                if own_top < least or _touches_rim(patch.metal, place, part):
                    continue
                spot = np.asarray(part & (depth[inner] > 0.5 * own_top), np.uint8)
                if _on_band(soft, sign, spot, own_top, place):
                    continue
                indication = _indication(patch, spot, own_top, place, sign, segments, calibration, smallest_mm)
                if indication is not None:
                    found.append(indication)
    return found


_AROUND = np.ones((3, 3), np.uint8)


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
    shape = (-(-mask.shape[0] // FAR) * FAR, -(-mask.shape[1] // FAR) * FAR)
    whole: Gray = np.zeros(shape, np.uint8)
    np.multiply(mask, 255, out=whole[: mask.shape[0], : mask.shape[1]], casting="unsafe")
    # A single pixel of 255 still counts in the mean of FAR by FAR.
    reduced = cv2.resize(whole, (shape[1] // FAR, shape[0] // FAR), interpolation=cv2.INTER_AREA)
    _, labels, stats, _ = cv2.connectedComponentsWithStats(reduced, connectivity=8)
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


def _on_band(soft: Plane, sign: int, spot: Gray, top: float, window: tuple[slice, slice]) -> bool:
    """Tell whether a compact spot is a piece of a longer band, which goes on at opposite sides of it.

    The border between two passes breaks up into such pieces where grain crosses it.
    """
    rows, columns = np.nonzero(spot)
    if len(rows) < 4:
        return False
    radius = math.sqrt(len(rows) / math.pi)
    spread = np.linalg.eigvalsh(np.cov(np.vstack([columns, rows]).astype(float)) + np.eye(2) / 12.0)
    if math.sqrt(spread[1] / spread[0]) > LONG:
        return False
    turn = np.arange(16) * math.pi / 8
    beside = []
    for share in BAND_AT:
        x = columns.mean() + window[1].start + share * radius * np.cos(turn)
        y = rows.mean() + window[0].start + share * radius * np.sin(turn)
        around = cv2.remap(soft, x.astype(np.float32), y.astype(np.float32), cv2.INTER_LINEAR, borderValue=0)
        beside.append(around.ravel())
    along = sign * np.mean(beside, axis=0)
    return bool(np.max(np.minimum(along[:8], along[8:])) > BAND_SHARE * top)


def _touches_rim(metal: Gray, window: tuple[slice, slice], own: NDArray[np.bool_]) -> bool:
    """Tell whether much of a spot's rim lies at the rim of the weld metal: that is the rim's blur, not a spot."""
    rim = own & ~cv2.erode(own.astype(np.uint8), _AROUND, borderValue=0).astype(bool)
    beside = cv2.erode(metal[window], _AROUND, borderValue=0) == 0
    return bool(np.mean(beside[rim]) > MOST_AT_RIM)


def _indication(
    patch: _Patch,
    spot: Gray,
    top: float,
    window: tuple[slice, slice],
    sign: int,
    segments: Sequence[tuple[Points, Points]],
    calibration: Calibration,
    smallest_mm: float,
) -> Indication | None:
    rows, columns = np.nonzero(spot)
    count = len(rows)
    if count < 4:
        return None
    centre_small = np.array([columns.mean() + window[1].start, rows.mean() + window[0].start])
    centre = (centre_small + 0.5) * patch.factor - 0.5 + patch.low
    pixel = calibration.mm_per_px(centre) * patch.factor
    spread = np.cov(np.vstack([columns, rows]).astype(float)) + np.eye(2) / 12.0
    short, long = np.sqrt(np.maximum(np.linalg.eigvalsh(spread), 1e-9))
    length, width = 4.0 * long * pixel, 4.0 * short * pixel
    if sign > 0 and length > LONG * width:
        # Bright streaks are columnar grains and borders of passes.
        return None
    area = count * pixel**2
    diameter = 2 * math.sqrt(area / math.pi)
    if diameter < smallest_mm:
        return None
    # The rim is known to a part of a pixel all round.
    perimeter = math.pi * (length + width) / 2
    area_std = perimeter * pixel * math.hypot(0.12, 0.5 * patch.noise / top)
    points = (
        (np.column_stack([columns + window[1].start, rows + window[0].start]) + 0.5) * patch.factor - 0.5 + patch.low
    )
    distance = _distance(_rim(points, centre), centre, segments) if segments else 0.0
    at_mm = calibration.to_mm(centre[None])[0]
    return Indication(
        "linear_indication" if length > LONG * width else "pore_or_inclusion",
        "dark" if sign < 0 else "bright",
        (float(centre[0]), float(centre[1])),
        (float(at_mm[0]), float(at_mm[1])),
        float(area),
        float(area_std),
        float(diameter),
        float(length),
        float(width),
        float(distance * calibration.mm_per_px(centre)),
    )


def _distance(rim: Points, centre: Points, segments: Sequence[tuple[Points, Points]]) -> float:
    """Return the shortest distance from the rim of a spot to segments (starts and steps, (N, 2) each), px."""
    reach = float(np.max(np.hypot(*(rim - centre).T)))
    least = np.inf
    for start, step in segments:
        # Only what lies about as near to the centre as the nearest point can be the nearest to the rim.
        length2 = np.maximum(np.sum(step**2, axis=1), 1e-30)
        away = np.hypot(*(start - centre).T)
        near = away <= float(away.min()) + 2 * reach + math.sqrt(float(length2.max(initial=0.0)))
        arm, way = rim[:, None] - start[near], step[near]
        share = np.clip(np.sum(arm * way, axis=2) / length2[near], 0.0, 1.0)
        least = min(least, float(np.min(np.hypot(*np.moveaxis(arm - share[..., None] * way, 2, 0)))))
    return float(least)


def _rim(points: Points, centre: Points) -> Points:
    """Return a few outermost points of a spot, one a direction."""
    arm = points - centre
    turns = np.arange(12) * math.pi / 6
    directions = np.column_stack([np.cos(turns), np.sin(turns)])
    return np.asarray(points[np.unique(np.argmax(arm @ directions.T, axis=0))])
