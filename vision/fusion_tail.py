"""The tail of a narrow finger of weld metal beyond the tip of a fusion line, too thin for a line to be followed round.

A line that is averaged along its way ends where a finger becomes narrower than that shows. Whether a thin streak with
the tone of weld metal goes on from its tip is asked of the picture: how far it can be seen is how doubtful the tip is.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from core.geometry import Points
from core.medians import median
from vision.fusion_band import averaged, beside, normals_of, sampled
from vision.fusion_sheet import Sheet

Gray = NDArray[np.uint8]
Floats = NDArray[np.float64]

SKIP_PX, FLANK_PX = 12.0, 24.0
"""How far from a tip its flanks are read, and over how long a piece each; at the usual scale."""
LEAST_TURN_RAD = 1.0
REACH_PX, SHORTEST_PX = 90.0, 10.0
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
    length = max(
        _streak(gray, sheet, line[middle] + scale * aside * across, _turned(ahead, by), step, blur_px, scale)
        for by in TURNS_RAD
        for aside in ASIDE_PX
    )
    return middle, length if length >= SHORTEST_PX * scale else 0.0


def _turned(way: Points, by: float) -> Points:
    c, s = np.cos(by), np.sin(by)
    return np.array([c * way[0] - s * way[1], s * way[0] + c * way[1]])


def _step(gray: Gray, sheet: Sheet, line: Points, outside: float, scale: float) -> float:
    """Return the step of tone at a line, inside less outside, grey levels."""
    at = beside(line, normals_of(line) * outside, scale * np.array([-BESIDE_PX, BESIDE_PX]))
    tone, metal = sampled(gray, at), sheet.at_places(*at).metal > 0
    known = metal.all(axis=1)
    return median(tone[known, 0] - tone[known, 1]) if np.count_nonzero(known) > 10 else 0.0


def _streak(gray: Gray, sheet: Sheet, tip: Points, way: Points, step: float, blur: float, scale: float) -> float:
    """Return how far along a way from a tip its middle is more like weld metal than both sides, px."""
    along = np.arange(2.0, REACH_PX * scale, 1.5)
    line = tip + along[:, None] * way
    wide = 2.5 * blur + 3.0 * scale
    offsets = np.concatenate([np.array([-1.3, -1.0, -0.7]) * wide, [-1.0, 0.0, 1.0], np.array([0.7, 1.0, 1.3]) * wide])
    at = beside(line, np.broadcast_to(np.array([-way[1], way[0]]), line.shape), offsets)
    tone, metal = sampled(gray, at), sheet.at_places(*at).metal > 0
    middle = tone[:, 3:6].mean(axis=1)
    sides = [(middle - tone[:, part].mean(axis=1)) / step for part in (slice(0, 3), slice(6, 9))]
    shown = averaged(np.minimum(*sides), 3.0)
    ended = np.flatnonzero((shown < SHOWN) | (metal.mean(axis=1) < 0.5))
    last = int(ended[0]) if len(ended) else len(along) - 1
    return float(along[last]) if last > 0 and float(shown[:last].mean()) >= MEAN_SHOWN else 0.0
