"""The tail of a narrow finger of weld metal beyond the tip of a fusion line, too thin for a line to be followed round.

A line that is averaged along its way ends where a finger becomes narrower than that shows. Whether a thin streak with
the tone of weld metal goes on from its tip is asked of the picture: how far it can be seen is how doubtful the tip is.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from core.geometry import Points
from core.medians import median
from vision.fusion_band import beside, normals_of, sampled
from vision.fusion_sheet import Sheet

Gray = NDArray[np.uint8]
Floats = NDArray[np.float64]

SKIP_PX, FLANK_PX = 12.0, 24.0
"""How far from a tip its flanks are read, and over how long a piece each; at the usual scale."""
LEAST_TURN_RAD = 1.0
REACH_PX, SHORTEST_PX, STEP_PX = 90.0, 10.0, 1.5
"""How far a tail is followed, and from which length on it is one: grain has shorter streaks."""
SHOWN, MEAN_SHOWN = 0.15, 0.35
"""A tail is so much more like weld metal than both of its sides, everywhere and on the whole, as a share of the step at
the line: streaks of a plate are fainter."""
TURNS_RAD, ASIDE_PX = np.radians(np.arange(-36.0, 37.0, 12.0)), np.arange(-12.0, 12.1, 3.0)
"""Ways that a tail may take, and how far beside the tip of a line it may begin."""
BESIDE_PX = 8.0
NEAR_PX, TAIL_SHARE = 25.0, 0.6
"""How far from a tip it is as doubtful as the tail is long, and how much of that is a standard uncertainty."""


def with_tail(
    gray: Gray,
    sheet: Sheet,
    line: Points,
    std: Floats,
    step_px: float,
    blur_px: float,
    outside: float,
    scale: float,
) -> Floats:
    """Return the standard uncertainty of a line, (N,) px, with what a tail beyond its tip adds to it there.

    The parameters are those of `tail_px`.
    """
    tip, tail = tail_px(gray, sheet, line, step_px, blur_px, outside, scale)
    if tail == 0.0:
        return std
    near, doubt = round(NEAR_PX * scale / step_px), std.copy()
    rows = slice(max(0, tip - near), tip + near + 1)
    doubt[rows] = np.hypot(std[rows], TAIL_SHARE * tail)
    return doubt


def tail_px(
    gray: Gray, sheet: Sheet, line: Points, step_px: float, blur_px: float, outside: float, scale: float
) -> tuple[int, float]:
    """Return where a line, (N, 2) px, has its sharpest tip, and how far a streak of weld metal goes on from it, px.

    ``outside`` is +1 when outside lies to the left of the way along the line as numbers (x, y) go, -1 to the right;
    ``scale`` the pixels for one at the usual scale.
    """
    skip, flank = max(2, round(SKIP_PX * scale / step_px)), max(4, round(FLANK_PX * scale / step_px))
    rows = np.arange(skip + flank, len(line) - skip - flank)
    if len(rows) == 0:
        return 0, 0.0
    before, after = line[rows - skip] - line[rows - skip - flank], line[rows + skip + flank] - line[rows + skip]
    cross = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
    turn = -outside * np.arctan2(cross, np.sum(before * after, axis=1))
    best = int(np.argmax(turn))
    middle = int(rows[best])
    if turn[best] < LEAST_TURN_RAD:
        return middle, 0.0
    step = _step(gray, sheet, line, outside, scale)
    ahead = before[best] / np.hypot(*before[best]) - after[best] / np.hypot(*after[best])
    if step == 0.0 or not ahead.any():
        return middle, 0.0
    ahead /= np.hypot(*ahead)
    across = np.array([-ahead[1], ahead[0]])
    c, s = np.cos(TURNS_RAD)[:, None], np.sin(TURNS_RAD)[:, None]
    starts = np.repeat(line[middle] + scale * ASIDE_PX[:, None] * across, len(TURNS_RAD), axis=0)
    ways = np.tile(c * ahead + s * across, (len(ASIDE_PX), 1))
    length = _longest(gray, sheet, starts, ways, step, blur_px, scale)
    return middle, length if length >= SHORTEST_PX * scale else 0.0


def _step(gray: Gray, sheet: Sheet, line: Points, outside: float, scale: float) -> float:
    """Return the step of tone at a line, inside less outside, grey levels."""
    at = beside(line, normals_of(line) * outside, scale * np.array([-BESIDE_PX, BESIDE_PX]))
    tone, metal = sampled(gray, at), sheet.at_places(*at).metal > 0
    known = metal.all(axis=1)
    return median(tone[known, 0] - tone[known, 1]) if np.count_nonzero(known) > 10 else 0.0


def _longest(gray: Gray, sheet: Sheet, starts: Points, ways: Points, step: float, blur: float, scale: float) -> float:
    """Return how far along one of some ways, (K, 2), the middle is more like weld metal than both sides, px."""
    along = np.arange(2.0, REACH_PX * scale, STEP_PX * scale)
    places = (starts[:, None] + along[:, None] * ways[:, None]).reshape(-1, 2)
    normals = np.repeat(np.column_stack([-ways[:, 1], ways[:, 0]]), len(along), axis=0)
    wide = 2.5 * blur + 3.0 * scale
    offsets = np.concatenate([np.array([-1.3, -1.0, -0.7]) * wide, [-1.0, 0.0, 1.0], np.array([0.7, 1.0, 1.3]) * wide])
    at = beside(places, normals, offsets)
    # Ways, places along them, those on both sides and between, three of each.
    shape = len(starts), len(along), 3, 3
    tone = sampled(gray, at).reshape(shape).mean(axis=3)
    metal = sheet.at_places(*at).metal.reshape(shape).mean(axis=(2, 3))
    shown = np.minimum((tone[..., 1] - tone[..., 0]) / step, (tone[..., 1] - tone[..., 2]) / step)
    shown = cv2.GaussianBlur(shown, (0, 0), sigmaX=4.5 / STEP_PX, sigmaY=1e-3, borderType=cv2.BORDER_REFLECT_101)
    ended = (shown < SHOWN) | (metal < 0.5)
    last = np.where(ended.any(axis=1), ended.argmax(axis=1), len(along) - 1)
    mean = [float(row[:end].mean()) if end > 0 else 0.0 for row, end in zip(shown, last, strict=True)]
    return float(max((along[end] for end, level in zip(last, mean, strict=True) if level >= MEAN_SHOWN), default=0.0))
