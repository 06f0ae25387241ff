"""Sub-pixel outline: the coarse silhouette moved to the edge it stands for, at full resolution.

The picture is sampled along the normals of the coarse outline. A chain of edge positions with the
strongest gradient is followed along the outline; each position is then the centroid of the squared
gradient around it, which is unbiased on a symmetric edge (a three-point parabola is not).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from core.geometry import Points
from vision.tone import ToneCurve, edge_doubt_px, light_table

Gray = NDArray[np.uint8]

BORDER_PX = 3.0
"""An outline point this near to the border of the picture follows the border, not metal."""

NOISE_LAG = 8
"""Points between which the noise of an outline is taken."""

LAST_REACH_PX = 2.5
MOST_UNSHARP = 0.15
"""Share of an outline that may be less than half as sharp as its sharpest: more of it follows the rim of a shadow. No
drawn picture without one has any, out of focus towards its border or not."""

CLEAR = 0.5
"""Steepness of an edge, over that of most, from which it is followed closely: along fainter ones grain is followed."""


@dataclass(frozen=True, slots=True, eq=False)
class Outline:
    """A closed sub-pixel outline, clockwise as seen in the picture (metal on the right).

    Attributes
    ----------
    points_px
        (N, 2) at equal steps of about ``step_px``.
    cut
        (N,) bool, True where it follows the border of the picture.
    noise_px
        Standard deviation of a single point across the outline, from neighbours.
    blur_px
        Standard deviation of the edge spread.
    contrast
        Median grey step across the outline, signed: positive when metal is brighter.
    support
        Share of points whose edge stands clear of the noise.
    one_way
        Share of points whose contrast has the usual sign and is no less than two fifths of the usual one.
    soft
        (N,) bool, True where the edge is many times wider than it usually is here: the rim of a glare, a shadow.
    tone_doubt_px
        Standard uncertainty of the place of all edges alike that the tone curve leaves.
    steps
        (N,) signed grey step across the outline at each point.
    bridged_px
        (N,), the length of the stretch without an edge that a point lies in, 0 where there is one.
    steady
        Share of points whose contrast has the usual sign and stands well clear of grain, however large it is.
    seen
        (N,) bool, True where the contrast stands well clear of grain, whichever side is the brighter one.
    blunt
        (N,) bool, True where the edge is seen and less than half as sharp as the sharpest of this outline.
    """

    points_px: Points
    cut: NDArray[np.bool_]
    step_px: float
    noise_px: float
    blur_px: float
    contrast: float
    support: float
    one_way: float = 1.0
    tone_doubt_px: float = 0.0
    soft: NDArray[np.bool_] | None = None
    steps: NDArray[np.float64] | None = None
    bridged_px: NDArray[np.float64] | None = None
    steady: float = 0.0
    seen: NDArray[np.bool_] | None = None
    blunt: NDArray[np.bool_] | None = None

    @property
    def unsharp(self) -> float:
        """Share of the outline that is blunt."""
        if self.blunt is None or self.cut.all():
            return 0.0
        return float(np.mean(self.blunt[~self.cut]))


def refine_outline(
    gray: Gray,
    coarse_px: Points,
    reach_px: float,
    *,
    step_px: float | None = None,
    passes: int = 2,
    curve: ToneCurve = "linear",
) -> Outline:
    """Move a closed coarse outline to the sub-pixel edge.

    Parameters
    ----------
    gray
        (H, W) uint8, the full picture.
    coarse_px
        (N, 2) closed outline, clockwise on the screen.
    reach_px
        How far from the coarse outline the edge may lie.
    curve
        On which curve the picture stores light; edges are placed in light.
    """
    height, width = gray.shape
    perimeter = float(np.hypot(*np.diff(np.vstack([coarse_px, coarse_px[:1]]), axis=0).T).sum())
    if step_px is None:
        step_px = float(np.clip(perimeter / 6000.0, 1.0, 6.0))
    points = _resample_closed(coarse_px, step_px)
    points = _smooth_closed(points, max(1.0, 0.35 * reach_px / step_px))
    points = _resample_closed(points, step_px)
    frame_px = 0.5 * reach_px
    shift, sampled = _edge_shift(gray, points, reach_px, smooth=5)
    points = _moved(points, shift, gray, frame_px)
    if passes > 1:
        points = _resample_closed(points, step_px)
        base = _smooth_closed(points, 2.0)
        shift, sampled = _edge_shift(gray, base, max(3.5, 0.4 * reach_px), smooth=3, curve=curve)
        points = _moved(base, shift, gray, BORDER_PX)
        # Once more with little smoothing along the edge: grooves and corners a few points wide were cut across.
        points = _resample_closed(points, step_px)
        base = _smooth_closed(points, 1.0)
        shift, sampled = _edge_shift(gray, base, LAST_REACH_PX, smooth=2, curve=curve)
        clear = ~_faint(sampled, CLEAR)
        points = np.where(clear[:, None], _moved(base, shift, gray, BORDER_PX), points)
    cut = (
        (points[:, 0] < BORDER_PX)
        | (points[:, 1] < BORDER_PX)
        | (points[:, 0] > width - 1 - BORDER_PX)
        | (points[:, 1] > height - 1 - BORDER_PX)
    )
    inner = ~cut
    if not inner.any():
        inner = np.ones(len(points), bool)
    # Neighbours share the smoothing along the edge; points this far apart do not.
    second = points - 0.5 * (np.roll(points, NOISE_LAG, axis=0) + np.roll(points, -NOISE_LAG, axis=0))
    across = np.sum(second * _normals(points), axis=1)
    noise_px = float(1.4826 * np.median(np.abs(across[inner])) / np.sqrt(1.5))
    variance = _edge_variance(sampled, inner)
    return Outline(
        points,
        cut,
        step_px,
        max(noise_px, 0.01),
        math.sqrt(max(variance - _SAMPLERS, 0.0)),
        float(np.median(sampled.contrast[inner])) if curve != "srgb" else sampled.inner - sampled.outer,
        float(np.mean(np.abs(sampled.contrast[inner]) > 4.0 * sampled.grain)),
        one_way(sampled.contrast[inner]),
        edge_doubt_px(
            curve,
            min(sampled.inner, sampled.outer),
            max(sampled.inner, sampled.outer),
            math.sqrt(max(variance / _KEPT - _SAMPLERS, 0.0)),
        ),
        _soft(sampled, inner),
        steps=sampled.contrast,
        steady=_steady(sampled.contrast[inner], sampled.grain),
        seen=np.abs(sampled.contrast) > _chance(sampled.grain),
        blunt=_blunt(sampled, inner),
    )


def _moved(base: Points, shift: NDArray[np.float64], gray: Gray, frame_px: float) -> Points:
    """Move points along their normals; those beside the border of the picture go onto it: no edge is there."""
    height, width = gray.shape
    last = np.array([width - 1.0, height - 1.0])
    moved = np.clip(base + shift[:, None] * _normals(base), 0.0, last)
    for axis in (0, 1):
        for border in (0.0, last[axis]):
            beside = np.abs(base[:, axis] - border) < frame_px
            moved[beside] = np.where(np.arange(2) == axis, border, base[beside])
    return np.asarray(moved)


def with_soft_rim(outline: Outline) -> Outline:
    """Return an outline that is soft where it is blunt, too, if so much is that it follows the rim of a shadow."""
    if outline.blunt is None or outline.soft is None or outline.unsharp <= MOST_UNSHARP:
        return outline
    return replace(outline, soft=outline.soft | outline.blunt)


@dataclass(frozen=True, slots=True, eq=False)
class _Sampled:
    aligned: NDArray[np.float64]
    contrast: NDArray[np.float64]
    grain: float
    inner: float
    outer: float


def _edge_shift(
    gray: Gray, points: Points, reach_px: float, *, smooth: int, curve: ToneCurve = "linear"
) -> tuple[NDArray[np.float64], _Sampled]:
    """Return the signed shift along the normals (positive outwards) to the edge at each point."""
    half = int(np.ceil(reach_px)) + 3
    offsets = np.arange(-half, half + 1, dtype=np.float64)
    normals = _normals(points)
    map_x = (points[:, :1] + normals[:, :1] * offsets).astype(np.float32)
    map_y = (points[:, 1:] + normals[:, 1:] * offsets).astype(np.float32)
    rows = cv2.remap(gray, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    stored = rows
    if curve == "srgb":
        rows = np.asarray(cv2.LUT(rows, light_table()))
    rows = cv2.sepFilter2D(
        rows, cv2.CV_32F, np.ones(1, np.float32), _gauss(max(0.6, smooth / 3.0)), borderType=cv2.BORDER_REFLECT_101
    )
    # Gradient at the sample places, smoothed a little across the edge against grain.
    slope = cv2.sepFilter2D(
        rows, cv2.CV_32F, _gauss_slope(1.0), np.ones(1, np.float32), borderType=cv2.BORDER_REPLICATE
    )
    # One sign for the neighbourhood: an edge does not change from dark-to-light to light-to-dark in a few pixels.
    trend = cv2.GaussianBlur(slope, (5, 4 * smooth + 1), sigmaX=1.0, sigmaY=float(smooth))
    near = np.exp(-0.5 * (offsets / (0.75 * reach_px + 1.0)) ** 2)
    strength = np.abs(trend) * near[None, :].astype(np.float32)
    strength[:, :2] = 0
    strength[:, -2:] = 0
    peak = _follow(strength)
    count = len(points)
    index = np.arange(count)
    sign = np.sign(trend[index, peak])
    window = np.arange(-4, 5)
    columns = np.clip(peak[:, None] + window, 0, slope.shape[1] - 1)
    local = np.maximum(slope[index[:, None], columns] * sign[:, None], 0.0).astype(np.float64) ** 2
    # The centroid of the squared gradient, then once more with what lies far from it tapered off.
    centre = (local * window).sum(axis=1) / (local.sum(axis=1) + 1e-12)
    local = local * np.exp(-0.5 * ((window - centre[:, None]) / 2.5) ** 2)
    centre = (local * window).sum(axis=1) / (local.sum(axis=1) + 1e-12)
    shift = np.clip(peak + centre - half, -reach_px - 2, reach_px + 2)
    inner = rows[index[:, None], np.clip(peak[:, None] - np.arange(4, 7), 0, slope.shape[1] - 1)].mean(axis=1)
    outer = rows[index[:, None], np.clip(peak[:, None] + np.arange(4, 7), 0, slope.shape[1] - 1)].mean(axis=1)
    seen = np.median(stored[index[:, None], np.clip(peak[:, None] + np.array([-5, 5]), 0, half * 2)], axis=0)
    grain = float(1.4826 * np.median(np.abs(np.diff(rows[:, 1:4], axis=0)))) + 0.2
    aligned = slope[index[:, None], np.clip(peak[:, None] + np.arange(-8, 9), 0, slope.shape[1] - 1)] * sign[:, None]
    return shift, _Sampled(
        np.asarray(aligned, np.float64), np.asarray(inner - outer, np.float64), grain, *map(float, seen)
    )


def _follow(strength: NDArray[np.float32]) -> NDArray[np.int64]:
    """Follow the strongest chain that moves at most one sample a step (dynamic programming).

    The chain is split in blocks that are solved side by side, so that the loop runs over the length of
    a block and not over the whole outline; blocks overlap by half and keep their middle.
    """
    count, width = strength.shape
    block = 96
    half = block // 2
    starts = np.arange(-half // 2, count, half)
    index = (starts[:, None] + np.arange(block)) % count
    cost = strength[index]
    scale = float(np.median(strength.max(axis=1))) + 1e-6
    penalty = np.float32(0.15 * scale)
    total = cost[:, 0].copy()
    choice = np.zeros((block, len(starts), width), np.int8)
    padded = np.full((len(starts), width + 2), -1e9, np.float32)
    for step in range(1, block):
        padded[:, 1:-1] = total
        stay, lower, upper = total, padded[:, :-2] - penalty, padded[:, 2:] - penalty
        best = np.maximum(np.maximum(stay, lower), upper)
        choice[step] = np.where(best == stay, 0, np.where(best == lower, -1, 1))
        total = best + cost[:, step]
    position = np.argmax(total, axis=1)
    chain = np.empty((block, len(starts)), np.int64)
    rows = np.arange(len(starts))
    for step in range(block - 1, -1, -1):
        chain[step] = position
        position = position + choice[step, rows, position]
    result = np.zeros(count, np.int64)
    keep = slice(half // 2, half // 2 + half)
    result[index[:, keep].ravel()] = chain[keep].T.ravel()
    return result


def one_way(contrast: NDArray[np.float64]) -> float:
    """Return the share of steps (N,) that have the sign of most of them and are no less than two fifths of those."""
    usual = float(np.median(contrast))
    return float(np.mean(contrast * np.sign(usual) > 0.4 * abs(usual)))


def _steady(contrast: NDArray[np.float64], grain: float) -> float:
    sign = np.sign(float(np.median(contrast)))
    return float(np.mean(contrast * sign > _chance(grain)))


def _chance(grain: float) -> float:
    return max(_LEAST_STEADY, _STEADY_GRAINS * grain)


_LEAST_STEADY, _STEADY_GRAINS = 12.0, 6.0
"""Contrast, in grey levels and in those of the grain, that is no chance: a shadow leaves some of an edge's contrast."""

_SOFT = 0.2
"""Steepness of an edge, over that of the rest, below which it is no edge of metal; out of focus it halves."""

_LESS_SHARP, _UNSHARP = 0.6, 0.4
"""Steepness over contrast, over that of most, below which a faint edge, and any, is softer than the rest: the rim of a
shadow that is as dark as the metal."""


def _soft(sampled: _Sampled, inner: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return where the outline follows something much less steep than most of it, in grey levels per px.

    And less steep for its contrast, too: beside a shadow an edge has less of both.
    """
    faint = _faint(sampled, _SOFT, inner)
    sharpness = _sharpness(sampled)
    # Half of an outline may run along the rim of a shadow: it is the sharper part that shows the metal.
    usual, sharp = np.quantile(sharpness[inner], (0.5, 0.75))
    return np.asarray((faint & (sharpness < _LESS_SHARP * usual)) | (sharpness < _UNSHARP * sharp), bool)


def _sharpness(sampled: _Sampled) -> NDArray[np.float64]:
    """Return the steepness of the edge over its contrast at each point, (N,)."""
    both = np.column_stack([sampled.aligned.max(axis=1), np.abs(sampled.contrast)])
    steepness = _smooth_closed(both, 4.0)
    return np.asarray(steepness[:, 0] / (steepness[:, 1] + 1.0))


def _blunt(sampled: _Sampled, inner: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return where an edge is much less sharp than the sharpest of the outline, (N,)."""
    seen = np.abs(sampled.contrast) > _chance(sampled.grain)
    sharpness = _sharpness(sampled)
    if np.count_nonzero(seen & inner) < _FEWEST:
        return np.zeros(len(sharpness), bool)
    return np.asarray(seen & (sharpness < _HALF * np.quantile(sharpness[seen & inner], _SHARPEST)), bool)


_FEWEST = 20
_HALF, _SHARPEST = 0.5, 0.95
"""Sharpness over that of the sharpest twentieth: a lens draws edges at the border half as sharp at worst."""


def _faint(sampled: _Sampled, share: float, inner: NDArray[np.bool_] | None = None) -> NDArray[np.bool_]:
    steepness = _smooth_closed(np.column_stack([sampled.aligned.max(axis=1)] * 2), 4.0)[:, 0]
    usual = float(np.median(steepness if inner is None else steepness[inner]))
    return np.asarray(steepness < share * usual, bool)


_SAMPLERS = 1.25
"""What the samplers add to the variance of an edge, px²: the slope filter (1.0), linear interpolation and whole-pixel
alignment (each about 1/12 to 1/6)."""

_KEPT = 0.78
"""Share of a normal edge's variance that is left when a twentieth of its peak has been taken off (integrated)."""


def _edge_variance(sampled: _Sampled, inner: NDArray[np.bool_]) -> float:
    """Return the variance of the slope across the outline in px², without its faint tails."""
    mean = np.maximum(np.median(sampled.aligned[inner], axis=0), 0.0)
    mean = np.maximum(mean - 0.05 * mean.max(), 0.0)
    offsets = np.arange(len(mean)) - len(mean) // 2
    total = mean.sum()
    if total <= 0:
        return 0.0
    centre = (mean * offsets).sum() / total
    return float((mean * (offsets - centre) ** 2).sum() / total)


def _normals(points: Points) -> Points:
    """Return unit normals to the left of the direction on the screen: outwards for a clockwise outline."""
    tangent = np.roll(points, -2, axis=0) - np.roll(points, 2, axis=0)
    length = np.hypot(tangent[:, 0], tangent[:, 1]) + 1e-12
    return np.column_stack([tangent[:, 1], -tangent[:, 0]]) / length[:, None]


def _resample_closed(points: Points, step_px: float) -> Points:
    closed = np.vstack([points, points[:1]])
    steps = np.hypot(*np.diff(closed, axis=0).T)
    keep = np.concatenate([[True], steps > 1e-9])
    closed, along = closed[keep], np.concatenate([[0.0], np.cumsum(steps[steps > 1e-9])])
    count = max(16, round(along[-1] / step_px))
    target = np.linspace(0.0, along[-1], count, endpoint=False)
    return np.column_stack([np.interp(target, along, closed[:, 0]), np.interp(target, along, closed[:, 1])])


def _smooth_closed(points: Points, sigma: float) -> Points:
    kernel = _gauss(sigma)
    half = len(kernel) // 2
    wrapped = np.vstack([points[-half:], points, points[:half]])
    return np.column_stack([np.convolve(wrapped[:, axis], kernel, mode="valid") for axis in (0, 1)])


def _gauss(sigma: float) -> NDArray[np.float32]:
    half = max(1, int(np.ceil(3 * sigma)))
    x = np.arange(-half, half + 1)
    kernel = np.exp(-0.5 * (x / sigma) ** 2)
    return np.asarray(kernel / kernel.sum(), np.float32)


def _gauss_slope(sigma: float) -> NDArray[np.float32]:
    half = int(np.ceil(3 * sigma))
    x = np.arange(-half, half + 1)
    kernel = x * np.exp(-0.5 * (x / sigma) ** 2)
    return np.asarray(kernel / np.sum(kernel * x), np.float32)
