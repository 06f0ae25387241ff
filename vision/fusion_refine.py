"""A proposed line moved to the sub-pixel boundary at full resolution, along its normals.

Each station across the line has an energy: what it costs to call all before it weld metal and all behind it
parent metal, given the levels of both sides nearby (a boundary between two levels in noise; the sum over the
whole band uses every grey level and not only the steepest place, which grain decides). A minimum-cost path
follows the line, its bend held by how far a fusion line wanders; ``fusion_settle`` does the rest.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from core.geometry import Points
from core.medians import median
from vision.fusion_band import averaged, beside, level, normals_of, resampled, sampled, smoothed
from vision.fusion_corner import sharpened
from vision.fusion_path import best_paths
from vision.fusion_settle import USUAL_MM_PER_PX, Settled, settled
from vision.fusion_sheet import Sheet
from vision.fusion_tail import with_tail

Gray = NDArray[np.uint8]
Floats = NDArray[np.float64]

ALONG_PX, MOST_ACROSS_PX = 3.0, 2.0
LEVEL_MM = 0.9
CORRELATED = 8.0
"""Samples across the line that carry one piece of information: grain is coarser than a pixel."""
WANDER = 0.2
"""Standard deviation of the line's slope against its proposal."""
STIFF_PX = 4.0
"""Length of the average along the line, standard deviation, in pixels."""
LEAST_STD_PX = 0.35
BLIND_STD_PX, BESIDE_PX, BRIDGED, SPECKS = 6.0, 14, 0.6, 0.1
"""What a line may be off where nothing shows it for long, how much is known where it is bridged over a gap, and how
much of the band beside it may be hidden without harm."""
GRAIN_SHARE = 1.4
"""Scatter of lines over what the grain's covariance alone lets expect."""
CORNER_PX, CORNER_BLURS, CORNER_REACH, GENTLE_RAD = 1.1, 0.25, np.ones((11, 1)), 0.2
"""A corner is rounded by this and so many blurs for each radian that it turns within 20 px beyond a gentle bend."""
UNEVEN_LEVELS = 40.0
DEEP = 3
"""Dark samples across the line from which a hollow lies on it."""


@dataclass(frozen=True, slots=True, eq=False)
class Refined:
    """A line in the picture, (N, 2) px, with the standard uncertainty across it, (N,) px."""

    points_px: Points
    std_px: Floats


def refined(
    gray: Gray,
    sheet: Sheet,
    coarse_px: Points,
    sign: float,
    reach_px: float,
    mm_per_px: float,
    *,
    outside: float = 1.0,
    anchors: tuple[bool, bool] = (True, True),
) -> Refined:
    """Move a proposed line to the boundary.

    Parameters
    ----------
    sheet
        Where metal is; what lies outside it, at its edges and in gaps does not count.
    coarse_px
        (N, 2) px, its ends on the toes where ``anchors`` says so.
    sign
        +1 when the metal outside is brighter than inside.
    reach_px
        How far the boundary may lie from the proposal.
    outside
        +1 when outside lies to the left of the way along the line as numbers (x, y) go, -1 to the right.
    """
    line = coarse_px
    usual = ALONG_PX * max(1.0, USUAL_MM_PER_PX / mm_per_px)
    for share, spacing in ((1.0, 3 * usual), (0.6, 2 * usual)):
        line = resampled(smoothed(resampled(line, spacing), 0.5 * reach_px * share / spacing, anchors), spacing)
        shift, step = _shift(gray, sheet, line, sign, max(4.0, reach_px * share), spacing, mm_per_px, outside, anchors)
        line = line + shift[:, None] * normals_of(line) * outside
    found = settled(gray, sheet, line, mm_per_px, outside, anchors)
    std = _std(sheet, found, step, outside)
    scale = max(1.0, USUAL_MM_PER_PX / mm_per_px)
    points, std = sharpened(gray, sheet, found.points_px, std, found.step_px, found.blur_px, outside, scale)
    return Refined(points, with_tail(gray, sheet, points, std, found.step_px, found.blur_px, outside, scale))


def _std(sheet: Sheet, line: Settled, step: float, outside: float) -> Floats:
    """Return the standard uncertainty across a line, (N,) px: grain, what hides it, corners that the blur rounds."""
    # The etch itself wanders by some grey levels: the smaller the step, the farther that moves its middle.
    faint = math.hypot(1.0, UNEVEN_LEVELS / step)
    offsets = np.arange(-BESIDE_PX, BESIDE_PX + 1.0)
    band = beside(line.points_px, normals_of(line.points_px) * outside, offsets)
    shown = sheet.at_places(*band).metal.mean(axis=1)
    shown[line.blind] = np.minimum(shown[line.blind], BRIDGED)
    hidden = BLIND_STD_PX * np.maximum(1.0 - SPECKS - averaged(shown, 12.0 / line.step_px), 0.0)
    turning = np.maximum(cv2.dilate(line.turning[:, None], CORNER_REACH).ravel() - GENTLE_RAD, 0.0)
    corner = (CORNER_PX + CORNER_BLURS * line.blur_px) * turning
    grain = GRAIN_SHARE * line.std_px
    square = LEAST_STD_PX**2 + grain**2 + averaged(hidden**2, 18.0 / line.step_px) + corner**2
    return np.asarray(faint * np.sqrt(square))


def _shift(
    gray: Gray,
    sheet: Sheet,
    line: Points,
    sign: float,
    reach: float,
    spacing: float,
    mm_per_px: float,
    outside: float,
    anchors: tuple[bool, bool],
) -> tuple[Floats, float]:
    """Return how far the boundary lies from each place of a line, (N,) px, and its step of tone, grey levels."""
    # A fine picture need not be sampled more densely than a usual one.
    across = min(max(1.0, USUAL_MM_PER_PX / mm_per_px), MOST_ACROSS_PX)
    half = int(np.ceil(reach / across))
    offsets = across * np.arange(-half, half + 1, dtype=np.float64)
    normals = normals_of(line) * outside
    at = beside(line, normals, offsets)
    rows = sampled(gray, at)
    places = sheet.at_places(*at)
    metal, hollow = places.metal, places.hollow
    count = len(line)
    # Levels of both sides, from the outer parts of the band, along the line smoothed: the etch is uneven.
    edge = max(2, int(0.55 * half))
    spread = max(3.0, LEVEL_MM / mm_per_px / spacing)
    sides = (slice(0, half - edge + 1), slice(half + edge, None))
    inner, outer = (level(rows[:, side], metal[:, side], spread) for side in sides)
    step = np.maximum(sign * (outer - inner), 2.0) * sign
    middle = 0.5 * (inner + outer)
    # Lower by calling a station inside while it looks like inside; the running sum is the energy of a boundary.
    pull = np.asarray(np.clip((rows - middle[:, None]) / step[:, None], -0.75, 0.75) * metal, np.float64)
    if hollow.any():
        pull = _with_dark_edge(pull, rows, hollow, inner)
    energy = np.cumsum(pull, axis=1) - 0.5 * pull
    rest = np.concatenate([(rows - inner[:, None])[:, sides[0]][metal[:, sides[0]] > 0],
                           (rows - outer[:, None])[:, sides[1]][metal[:, sides[1]] > 0]])  # fmt: skip
    noise = 1.4826 * median(np.abs(rest[::3])) / float(np.abs(step).mean()) if len(rest) else 1.0
    information = across / max(noise**2 * CORRELATED, 0.02)
    score = np.asarray(-energy * information, np.float32)
    score -= (0.5 * (offsets / (0.8 * offsets[-1])) ** 2)[None].astype(np.float32)
    for row, tied in zip((0, count - 1), anchors, strict=True):
        if tied:
            score[row] -= 1e4 * np.abs(offsets).astype(np.float32)
    bend = 0.5 * (across / (WANDER * spacing)) ** 2
    path = best_paths(score[None], bend=bend).path(0)
    raw = offsets[path]
    smooth = averaged(raw, STIFF_PX / spacing)
    if anchors[0]:
        smooth *= np.clip(np.arange(count) / 6.0, 0, 1)
    if anchors[1]:
        smooth *= np.clip(np.arange(count)[::-1] / 6.0, 0, 1)
    return smooth, float(np.abs(step).mean())


def _with_dark_edge(pull: Floats, rows: NDArray[np.float32], hollow: NDArray[np.bool_], inner: Floats) -> Floats:
    """Return the costs with those of rows that a dark hollow lies on, (N, J).

    There the line is the near edge of the hollow; what lies behind that edge says nothing.
    """
    dark = float(np.percentile(rows[hollow], 10))
    step = np.minimum(dark - inner, -2.0)
    edge = np.clip((rows - 0.5 * (dark + inner)[:, None]) / step[:, None], -0.75, 0.75)
    deep = hollow & (edge > 0.1)
    behind = np.cumsum(deep, axis=1) > 0
    return np.where((deep.sum(axis=1) >= DEEP)[:, None], np.where(behind, 0.75, edge), pull)
