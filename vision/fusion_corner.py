"""Tips of weld metal that reach out sharply, as at the root: a line that is averaged along its way rounds them off.

Where a line turns sharply towards the weld metal its two flanks are carried on until they cross. Whether weld metal
fills that tip is asked of the picture: what it would look like with the tip and without, both blurred, is compared
with what there is, by least squares. The line goes out as far as that answer says.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from core.geometry import Line, Points, intersection
from core.medians import median
from vision.fusion_band import sampled
from vision.fusion_sheet import Sheet

Gray = NDArray[np.uint8]
Floats = NDArray[np.float64]

SKIP_PX, FLANK_PX = 16.0, 30.0
"""How far from a corner its flanks are read, and over how long a piece each; at the usual scale."""
LEAST_TURN_RAD = 0.6
LEAST_TIP_PX, MOST_TIP_PX = 1.5, 30.0
CLEAR_LEVELS = 8.0
GRAINS = 20.0
"""Pixels of grain that carry one piece of information about a tip."""
FLANK_DOUBT = 0.15
"""Share of a tip that the crossing of its flanks is uncertain by: neither is straight."""


@dataclass(frozen=True, slots=True, eq=False)
class _Tip:
    """Rows of a line between which it rounds a corner, where its flanks cross, how far out that lies, px."""

    rows: slice
    middle: int
    place: Points
    height_px: float


def sharpened(
    gray: Gray, sheet: Sheet, line: Points, std: Floats, step_px: float, blur_px: float, outside: float, scale: float
) -> tuple[Points, Floats]:
    """Return a line, (N, 2) px, and its standard uncertainty, with the sharpest tip of weld metal as it shows.

    Parameters
    ----------
    step_px
        Distance of the line's points.
    outside
        +1 when outside lies to the left of the way along the line as numbers (x, y) go, -1 to the right.
    scale
        Pixels for one at the usual scale.
    """
    tip = _tip(line, step_px, outside, scale)
    if tip is None:
        return line, std
    found = _filled(gray, sheet, line, tip, blur_px, outside, scale)
    if found is None:
        return line, std
    filled, filled_std = found
    arc = line[tip.rows]
    sharp = _sharp(arc, tip.place)
    moved, doubt = line.copy(), std.copy()
    share = min(max(filled, 0.0), 1.0)
    moved[tip.rows] = arc + share * (sharp - arc)
    away = np.hypot(*(sharp - arc).T)
    doubt[tip.rows] = np.hypot(std[tip.rows], math.hypot(filled_std, FLANK_DOUBT) * away)
    return moved, doubt


def _tip(line: Points, step: float, outside: float, scale: float) -> _Tip | None:
    """Return the place where a line turns most towards the weld metal, None where it nowhere turns sharply."""
    skip, flank = max(2, round(SKIP_PX * scale / step)), max(4, round(FLANK_PX * scale / step))
    rows = np.arange(skip + flank, len(line) - skip - flank)
    if len(rows) == 0:
        return None
    before, after = line[rows - skip] - line[rows - skip - flank], line[rows + skip + flank] - line[rows + skip]
    cross = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
    turn = -outside * np.arctan2(cross, np.sum(before * after, axis=1))
    best = int(np.argmax(turn))
    if turn[best] < LEAST_TURN_RAD:
        return None
    middle = int(rows[best])
    place = intersection(
        _fitted(line[middle - skip - flank : middle - skip + 1]),
        _fitted(line[middle + skip : middle + skip + flank + 1]),
    )
    if place is None:
        return None
    rim = slice(middle - skip, middle + skip + 1)
    height = float(np.hypot(*(line[rim] - place).T).min())
    ahead = (place - line[middle - skip]) @ before[best] > 0 and (place - line[middle + skip]) @ after[best] < 0
    if not ahead or not LEAST_TIP_PX < height < MOST_TIP_PX * scale:
        return None
    return _Tip(rim, middle, place, height)


def _fitted(points: Points) -> Line:
    """Return the straight line through points, by least squares."""
    middle = points.mean(axis=0)
    way = np.linalg.svd(points - middle, full_matrices=False)[2][0]
    return Line(float(middle[0]), float(middle[1]), float(way[0]), float(way[1]))


def _sharp(arc: Points, place: Points) -> Points:
    """Return as many points on the way from the first to the place and on to the last, as far along as the arc's."""
    legs = float(np.hypot(*(place - arc[0]))), float(np.hypot(*(arc[-1] - place)))
    steps = np.hypot(*np.diff(arc, axis=0).T)
    at = np.concatenate([[0.0], np.cumsum(steps)]) / steps.sum() * sum(legs)
    # One of them is the tip itself.
    at[int(np.argmin(np.abs(at - legs[0])))] = legs[0]
    return np.column_stack(
        [np.interp(at, [0.0, legs[0], sum(legs)], [arc[0, k], place[k], arc[-1, k]]) for k in (0, 1)]
    )


def _filled(
    gray: Gray, sheet: Sheet, line: Points, tip: _Tip, blur: float, outside: float, scale: float
) -> tuple[float, float] | None:
    """Return how much of a tip weld metal fills (1 all) with its standard uncertainty, None where nothing shows."""
    arc = line[tip.rows]
    reach = math.ceil(tip.height_px + 3 * blur + 4)
    low = np.floor(np.minimum(arc.min(axis=0), tip.place) - reach).astype(int)
    high = np.ceil(np.maximum(arc.max(axis=0), tip.place) + reach).astype(int)
    size = high - low + 1
    if size.max() > 400:
        return None
    chord = arc[-1] - arc[0]
    inwards = -outside * np.array([-chord[1], chord[0]]) / np.hypot(*chord)
    flank = max(1, round(0.5 * len(arc)))
    first, last = line[max(0, tip.rows.start - flank)], line[min(len(line) - 1, tip.rows.stop - 1 + flank)]
    deep = [last + 60 * scale * inwards, first + 60 * scale * inwards]
    whole = [_cover([first, *part, last, *deep], low, size, blur) for part in (arc, [arc[0], tip.place, arc[-1]])]
    x, y = np.meshgrid(np.arange(size[0]) + low[0], np.arange(size[1]) + low[1])
    at = np.asarray(x, np.float32), np.asarray(y, np.float32)
    tone = sampled(gray, at)
    metal = sheet.at_places(*at).metal > 0
    inner, outer = tone[metal & (whole[0] > 0.98)][::3], tone[metal & (whole[1] < 0.02)][::3]
    change = whole[1] - whole[0]
    region = metal & (change > 0.05)
    if min(len(inner), len(outer)) < 30 or np.count_nonzero(region) < 6:
        return None
    levels = median(inner), median(outer)
    step = levels[0] - levels[1]
    if abs(step) < CLEAR_LEVELS:
        return None
    rest = (tone[region] - levels[1]) / step - whole[0][region]
    weight = float(np.sum(change[region] ** 2))
    grain = 1.4826 * max(median(np.abs(part - level)) for part, level in zip((inner, outer), levels, strict=True))
    return float(np.sum(rest * change[region]) / weight), grain / abs(step) * math.sqrt(GRAINS / weight)


def _cover(ring: list[Points], low: NDArray[np.int64], size: NDArray[np.int64], blur: float) -> NDArray[np.float32]:
    """Return how much of each pixel of a window a blurred ring covers."""
    mask: Gray = np.zeros((size[1], size[0]), np.uint8)
    cv2.fillPoly(mask, [np.asarray(np.rint((np.vstack(ring) - low) * 16), np.int32)], 255, cv2.LINE_AA, 4)
    cover = mask.astype(np.float32) * np.float32(1 / 255)
    return np.asarray(cv2.GaussianBlur(cover, (0, 0), max(blur, 0.5)), np.float32)
