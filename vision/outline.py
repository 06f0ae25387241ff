"""Sub-pixel outline: the coarse silhouette moved to the edge it stands for, at full resolution.

The picture is sampled along the normals of the coarse outline, and a chain of edge positions with the strongest
gradient is followed along it (`vision.edge`): far from it at first, then closer and with less smoothing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from core.geometry import Points
from core.medians import median
from vision.edge import Sampled, edge_along, gauss, levels_across, normals_of, sampled_at
from vision.exposure import LEAST_SHARE, is_cut_off, is_sharpened, limit_doubt_px
from vision.tone import ToneCurve, edge_doubt_px
from vision.two_edges import INSIDE_PX, OUTSIDE_PX

Gray = NDArray[np.uint8]

BORDER_PX = 3.0
"""An outline point this near to the border of the picture follows the border, not metal."""

NOISE_LAG = 8
"""Points between which the noise of an outline is taken."""

LAST_REACH_PX = 2.5
MOST_UNSHARP = 0.15
"""Share of an outline that may be less than half as sharp as its sharpest: more of it follows the rim of a shadow. No
drawn picture without one has any, out of focus towards its border or not."""

EVERY = 3
"""Of so many points of an outline one is kept with the levels across it: neighbours are smoothed together."""

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
    limit_doubt_px
        The same that a side at the limit of the sensor leaves, 0 where none is.
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
    led_on
        A soft stretch was left for the sharp edge beside it (`vision.soft_stretch`).
    across
        Light across each third point (`EVERY`), from inside outwards, (M, K) with K as in `vision.two_edges`, on each
        curve on which the picture may store it.
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
    limit_doubt_px: float = 0.0
    soft: NDArray[np.bool_] | None = None
    steps: NDArray[np.float64] | None = None
    bridged_px: NDArray[np.float64] | None = None
    steady: float = 0.0
    seen: NDArray[np.bool_] | None = None
    blunt: NDArray[np.bool_] | None = None
    led_on: bool = False
    across: tuple[NDArray[np.float32], ...] = ()

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
    edge = edge_along(gray, points, reach_px, smooth=5)
    points = _moved(points, edge.shift, gray, frame_px)
    if passes > 1:
        points = _resample_closed(points, step_px)
        base = _smooth_closed(points, 2.0)
        edge = edge_along(gray, base, max(3.5, 0.4 * reach_px), smooth=3, curve=curve)
        points = _moved(base, edge.shift, gray, BORDER_PX)
        # Once more with little smoothing along the edge: grooves and corners a few points wide were cut across.
        points = _resample_closed(points, step_px)
        base = _smooth_closed(points, 1.0)
        edge = edge_along(gray, base, LAST_REACH_PX, smooth=2, curve=curve, closely=True)
    sampled = sampled_at(edge)
    steepness, sharpness = _steepness(sampled)
    if passes > 1:
        clear = steepness >= CLEAR * median(steepness)
        points = np.where(clear[:, None], _moved(base, edge.shift, gray, BORDER_PX), points)
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
    across = np.sum(second * normals_of(points), axis=1)
    noise_px = float(1.4826 * np.median(np.abs(across[inner])) / np.sqrt(1.5))
    variance, _ = _edge_shape(np.median(sampled.aligned[inner], axis=0))
    spread_px = _spread(variance)
    seen = np.abs(sampled.contrast) > _chance(sampled.grain)
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
            spread_px,
        ),
        _limit_doubt(sampled, inner, curve),
        _soft(steepness, sharpness, inner),
        steps=sampled.contrast,
        steady=_steady(sampled.contrast[inner], sampled.grain),
        seen=seen,
        blunt=_blunt(seen, sharpness, inner),
        across=levels_across(
            gray, _smooth_closed(points, 3.0), np.arange(0, len(points), EVERY), (INSIDE_PX, OUTSIDE_PX), curve
        ),
    )


def _moved(base: Points, shift: NDArray[np.float64], gray: Gray, frame_px: float) -> Points:
    """Move points along their normals; those beside the border of the picture go onto it: no edge is there."""
    height, width = gray.shape
    last = np.array([width - 1.0, height - 1.0])
    moved = np.clip(base + shift[:, None] * normals_of(base), 0.0, last)
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


def _soft(
    steepness: NDArray[np.float64], sharpness: NDArray[np.float64], inner: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Return where the outline follows something much less steep than most of it, in grey levels per px.

    And less steep for its contrast, too: beside a shadow an edge has less of both.
    """
    faint = steepness < _SOFT * median(steepness[inner])
    # Half of an outline may run along the rim of a shadow: it is the sharper part that shows the metal.
    usual, sharp = np.quantile(sharpness[inner], (0.5, 0.75))
    return np.asarray((faint & (sharpness < _LESS_SHARP * usual)) | (sharpness < _UNSHARP * sharp), bool)


def _steepness(sampled: Sampled) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return how steep the edge is at each point, and how steep for its contrast, (N,) each, smoothed along it."""
    both = np.column_stack([sampled.aligned.max(axis=1), np.abs(sampled.contrast)])
    steepness, contrast = _smooth_closed(both, 4.0).T
    return steepness, steepness / (contrast + 1.0)


def _blunt(seen: NDArray[np.bool_], sharpness: NDArray[np.float64], inner: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return where an edge that is seen is much less sharp than the sharpest of the outline, (N,)."""
    if np.count_nonzero(seen & inner) < _FEWEST:
        return np.zeros(len(sharpness), bool)
    return np.asarray(seen & (sharpness < _HALF * np.quantile(sharpness[seen & inner], _SHARPEST)), bool)


_FEWEST = 20
_HALF, _SHARPEST = 0.5, 0.95
"""Sharpness over that of the sharpest twentieth: a lens draws edges at the border half as sharp at worst."""


_SAMPLERS = 1.25
"""What the samplers add to the variance of an edge, px²: the slope filter (1.0), linear interpolation and whole-pixel
alignment (each about 1/12 to 1/6)."""

_KEPT = 0.78
"""Share of a normal edge's variance that is left when a twentieth of its peak has been taken off (integrated)."""


def _limit_doubt(sampled: Sampled, inner: NDArray[np.bool_], curve: ToneCurve) -> float:
    """Return what an overexposed side leaves open of the place of the edges, px, from those that have one."""
    at_limit = sampled.at_limit & inner
    if np.count_nonzero(at_limit) < max(LEAST_SHARE * np.count_nonzero(inner), _FEWEST):
        return 0.0
    profile = np.median(sampled.aligned[at_limit], axis=0)
    variance, skewness = _edge_shape(profile)
    to_dark = skewness if float(np.median(sampled.contrast[at_limit])) > 0 else -skewness
    spread_px = _spread(variance)
    whole = not is_sharpened(profile) and not is_cut_off(to_dark, spread_px, curve)
    return 0.0 if whole else limit_doubt_px(spread_px)


def _spread(variance: float) -> float:
    """Return the spread of an edge from the variance of its slope, px."""
    return math.sqrt(max(variance / _KEPT - _SAMPLERS, 0.0))


def _edge_shape(profile: NDArray[np.float64]) -> tuple[float, float]:
    """Return the variance of a slope across the outline, px², without its faint tails, and its skewness outwards."""
    mean = np.maximum(profile, 0.0)
    mean = np.maximum(mean - 0.05 * mean.max(), 0.0)
    offsets = np.arange(len(mean)) - len(mean) // 2
    total = mean.sum()
    if total <= 0:
        return 0.0, 0.0
    away = offsets - (mean * offsets).sum() / total
    variance = float((mean * away**2).sum() / total)
    return variance, float((mean * away**3).sum() / total) / max(variance, 1e-9) ** 1.5


def _resample_closed(points: Points, step_px: float) -> Points:
    closed = np.vstack([points, points[:1]])
    steps = np.hypot(*np.diff(closed, axis=0).T)
    keep = np.concatenate([[True], steps > 1e-9])
    closed, along = closed[keep], np.concatenate([[0.0], np.cumsum(steps[steps > 1e-9])])
    count = max(16, round(along[-1] / step_px))
    target = np.linspace(0.0, along[-1], count, endpoint=False)
    return np.column_stack([np.interp(target, along, closed[:, 0]), np.interp(target, along, closed[:, 1])])


def _smooth_closed(points: Points, sigma: float) -> Points:
    kernel = gauss(sigma)
    half = len(kernel) // 2
    wrapped = np.vstack([points[-half:], points, points[:half]])
    return np.column_stack([np.convolve(wrapped[:, axis], kernel, mode="valid") for axis in (0, 1)])
