"""A proposed line moved to the sub-pixel boundary at full resolution, along its normals.

Each station across the line has an energy: what it costs to call all before it weld metal and all behind it
parent metal, given the levels of both sides nearby (a boundary between two levels in noise; the sum over the
whole band uses every grey level and not only the steepest place, which grain decides). A minimum-cost path
follows the line, its bend held by how far a fusion line wanders; the last step averages along it.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from core.geometry import Points, arc_length
from vision.fusion_path import best_paths
from vision.fusion_sheet import Sheet

Gray = NDArray[np.uint8]
Floats = NDArray[np.float64]

ALONG_PX = 3.0
LEVEL_MM = 0.9
CORRELATED = 3.0
"""Samples across the line that carry one piece of information: grain is coarser than a pixel."""
WANDER = 0.2
"""Standard deviation of the line's slope against its proposal."""
STIFF_PX = 4.0
"""Length of the average along the line, standard deviation, in pixels."""
LEAST_STD_PX = 0.7
BLIND_STD_PX = 6.0
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
    std = np.full(len(line), reach_px)
    for share in (1.0, 0.6):
        line = _resampled(
            _smoothed(_resampled(line, ALONG_PX), 0.5 * reach_px * share**3 / ALONG_PX, anchors), ALONG_PX
        )
        reach = max(4.0, reach_px * share)
        shift, std = _shift(gray, sheet, line, sign, reach, mm_per_px, outside, anchors)
        line = line + shift[:, None] * _normals(line) * outside
    return Refined(line, std)


def _shift(
    gray: Gray,
    sheet: Sheet,
    line: Points,
    sign: float,
    reach: float,
    mm_per_px: float,
    outside: float,
    anchors: tuple[bool, bool],
) -> tuple[Floats, Floats]:
    half = int(np.ceil(reach))
    offsets = np.arange(-half, half + 1, dtype=np.float64)
    normals = _normals(line) * outside
    at = line[:, None] + offsets[None, :, None] * normals[:, None]
    rows = cv2.remap(
        gray, at[..., 0].astype(np.float32), at[..., 1].astype(np.float32), cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    ).astype(np.float32)  # fmt: skip
    metal = sheet.metal_at(at)
    hollow = sheet.hollow_at(at) > 0
    count = len(line)
    # Levels of both sides, from the outer parts of the band, along the line smoothed: the etch is uneven.
    edge = max(2, int(0.55 * half))
    spread = max(3.0, LEVEL_MM / mm_per_px / ALONG_PX)
    sides = (slice(0, half - edge + 1), slice(half + edge, None))
    inner, outer = (_level(rows[:, side], metal[:, side], spread) for side in sides)
    step = np.maximum(sign * (outer - inner), 2.0) * sign
    middle = 0.5 * (inner + outer)
    # Lower by calling a station inside while it looks like inside; the running sum is the energy of a boundary.
    pull = np.asarray(np.clip((rows - middle[:, None]) / step[:, None], -0.75, 0.75) * metal, np.float64)
    if hollow.any():
        pull = _with_dark_edge(pull, rows, hollow, inner)
    energy = np.cumsum(pull, axis=1) - 0.5 * pull
    rest = np.concatenate([(rows - inner[:, None])[:, sides[0]][metal[:, sides[0]] > 0],
                           (rows - outer[:, None])[:, sides[1]][metal[:, sides[1]] > 0]])  # fmt: skip
    noise = 1.4826 * float(np.median(np.abs(rest))) / np.abs(step).mean() if len(rest) else 1.0
    information = 1.0 / max(noise**2 * CORRELATED, 0.02)
    score = np.asarray(-energy * information, np.float32)
    score -= (0.5 * (offsets / (0.8 * half)) ** 2)[None].astype(np.float32)
    for row, tied in zip((0, count - 1), anchors, strict=True):
        if tied:
            score[row] -= 1e4 * np.abs(offsets).astype(np.float32)
    bend = 0.5 / (WANDER * ALONG_PX) ** 2
    path = best_paths(score[None], bend=bend)[0]
    raw = offsets[path]
    rough = raw - _along(raw, 20.0)
    scatter = 1.4826 * float(np.median(np.abs(rough)))
    smooth = _along(raw, STIFF_PX / ALONG_PX)
    if anchors[0]:
        smooth *= np.clip(np.arange(count) / 6.0, 0, 1)
    if anchors[1]:
        smooth *= np.clip(np.arange(count)[::-1] / 6.0, 0, 1)
    local = np.sqrt(_along(rough**2, 30.0))
    # Where gaps and spots leave little to see, the line runs on from both sides; where it bends, it is cut short.
    blind = BLIND_STD_PX * (1.0 - _along(metal.mean(axis=1), 4.0))
    bend = np.abs(raw - _along(raw, 8.0 / ALONG_PX)) + _corner(line)
    std = LEAST_STD_PX**2 + (0.7 * np.maximum(local, scatter)) ** 2 + blind**2 + bend**2
    # The etch itself wanders by some grey levels: the smaller the step, the farther that moves its middle.
    faint = np.hypot(1.0, UNEVEN_LEVELS / float(np.abs(step).mean()))
    return smooth, faint * np.sqrt(_along(std, 6.0))


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


def _corner(line: Points) -> Floats:
    """Return how far an average along the line cuts its corners short, px."""
    smooth = np.column_stack([_along(line[:, k], STIFF_PX / ALONG_PX) for k in (0, 1)])
    away = np.hypot(*(line - smooth).T)
    away[:6], away[-6:] = 0.0, 0.0
    return np.asarray(away)


def _level(rows: NDArray[np.float32], metal: NDArray[np.float32], spread: float) -> Floats:
    """Return the mean level of metal along the line, smoothed over ``spread`` stations."""
    total = _along((rows * metal).sum(axis=1), spread)
    share = _along(metal.sum(axis=1), spread)
    return np.asarray(total / np.maximum(share, 1e-6))


def _along(values: Floats, sigma: float) -> Floats:
    """Average along the line by a Gaussian of sigma samples, mirrored at the ends."""
    if sigma < 0.3 or len(values) < 3:
        return np.asarray(values, float)
    reach = min(int(3 * sigma) + 1, len(values) - 1)
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma) ** 2)
    padded = np.pad(np.asarray(values, float), reach, mode="reflect")
    return np.asarray(np.convolve(padded, kernel / kernel.sum(), mode="valid"))


def _resampled(points: Points, step: float) -> Points:
    along = arc_length(points)
    at = np.linspace(0.0, along[-1], max(12, round(float(along[-1]) / step)))
    return np.column_stack([np.interp(at, along, points[:, k]) for k in (0, 1)])


def _smoothed(points: Points, sigma: float, anchors: tuple[bool, bool]) -> Points:
    """Smooth an open line about the straight line between its ends, which stay."""
    base = points[0] + np.linspace(0, 1, len(points))[:, None] * (points[-1] - points[0])
    rest = points - base
    reach = min(int(3 * sigma) + 1, len(points) - 1)
    if sigma < 0.3 or reach < 1:
        return points
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma) ** 2)
    kernel /= kernel.sum()
    # Odd reflection keeps the ends where they are and does not bend the line there.
    padded = np.vstack([-rest[reach:0:-1], rest, -rest[-2 : -reach - 2 : -1]])
    return np.asarray(base + np.column_stack([np.convolve(padded[:, k], kernel, mode="valid") for k in (0, 1)]))


def _normals(points: Points) -> Points:
    """Return unit normals to the left of the way along the line, as the numbers (x, y) go."""
    tangent = np.gradient(points, axis=0)
    length = np.maximum(np.hypot(*tangent.T), 1e-9)
    return np.asarray(np.column_stack([-tangent[:, 1], tangent[:, 0]]) / length[:, None])
