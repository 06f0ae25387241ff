"""Robust straight-line fit that a contiguous, weld-shaped outlier cannot capture.

MSAC (P. H. S. Torr and A. Zisserman, "MLESAC", Computer Vision and Image Understanding 78, 2000,
138-156) picks the hypothesis, total least squares with Tukey's biweight polishes it. A fit that only
starts from least squares is pulled off by several degrees when a third of the points is a bead.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from core.geometry import Line, Points

WANDER_PIECE = 1.4
"""Correlation lengths to one independent piece of wander: judged on rendered pictures, where fewer left the offset of
two plates outside its interval in one case of ten."""


SETTLED = 1e-6
"""A line that turns by less (rad), and moves by less than this share of the noise, has been found."""


@dataclass(frozen=True, slots=True, eq=False)
class LineFit:
    """A fitted line with what is not known about it.

    Attributes
    ----------
    line
        Its point is the weighted mean of the points that carry it.
    residual_std
        Robust standard deviation of the points that carry the line, across it.
    offset_std, angle_std_rad
        Standard uncertainty of the line's position at its point, and of its direction.
    inliers
        (N,) bool, the points that carry the line.
    correlation_points
        Neighbouring points that carried one independent piece of information.
    """

    line: Line
    residual_std: float
    offset_std: float
    angle_std_rad: float
    inliers: NDArray[np.bool_]
    correlation_points: float = 1.0

    def std_at(self, along: float) -> float:
        """Return the standard uncertainty of the line's offset at a coordinate along it."""
        return math.hypot(self.offset_std, along * self.angle_std_rad)


def with_correlation(fit: LineFit, correlation_points: float) -> LineFit:
    """Return the same line with the uncertainty that so many correlated neighbours leave: no need to fit again."""
    count = int(np.count_nonzero(fit.inliers))
    spread = fit.offset_std / fit.angle_std_rad if fit.angle_std_rad > 0 else 1.0
    offset_std = fit.residual_std / math.sqrt(max(2.0, count / max(correlation_points, 1.0)))
    return replace(
        fit, offset_std=offset_std, angle_std_rad=offset_std / max(spread, 1e-9), correlation_points=correlation_points
    )


def with_wander(fit: LineFit, wander: float, correlation_length: float, length: float) -> LineFit:
    """Widen a fit to what a surface that wanders about its line leaves unknown.

    A stretch shorter than the wander's own length follows the wander: its residuals do not show it. The
    wander is taken from the longest surfaces of the same part.

    Parameters
    ----------
    wander
        Standard deviation of the surface about its line.
    correlation_length
        Length over which the wander is one piece of information.
    length
        Length of the fitted stretch.
    """
    if wander <= 0 or length <= 0:
        return fit
    pieces = max(1.0, length / max(WANDER_PIECE * correlation_length, 1e-9))
    offset = wander / math.sqrt(pieces)
    # Slope of a line through independent pieces of standard deviation `wander` spread over `length`.
    angle = wander * math.sqrt(12.0) / (max(length, correlation_length) * math.sqrt(pieces))
    return replace(fit, offset_std=max(fit.offset_std, offset), angle_std_rad=max(fit.angle_std_rad, angle))


def total_least_squares(points: Points, weights: NDArray[np.float64] | None = None) -> Line:
    """Fit a line by weighted total least squares; its point is the weighted mean."""
    w = np.ones(len(points)) if weights is None else weights
    mean = (w @ points) / w.sum()
    centred = points - mean
    sxx = float(w @ centred[:, 0] ** 2)
    syy = float(w @ centred[:, 1] ** 2)
    sxy = float(w @ (centred[:, 0] * centred[:, 1]))
    angle = 0.5 * math.atan2(2 * sxy, sxx - syy)
    return Line(float(mean[0]), float(mean[1]), math.cos(angle), math.sin(angle))


def robust_line(
    points: Points,
    noise_std: float,
    *,
    correlation_points: float = 1.0,
    hypotheses: int = 300,
    seed: int = 7,
) -> LineFit:
    """Fit a line to points of which up to about 60 % may lie off it, even in one block.

    Parameters
    ----------
    points
        (N, 2), N >= 8.
    noise_std
        Expected standard deviation of good points across the line, in the unit of the points.
    correlation_points
        Neighbouring points that carry one independent piece of information (edge points of a
        picture are correlated); the uncertainty of the line grows with its square root.

    Raises
    ------
    ValueError
        With fewer than 8 points.
    """
    count = len(points)
    if count < 8:
        raise ValueError(f"a robust line needs at least 8 points, got {count}")
    line = _best_hypothesis(points, noise_std, hypotheses, seed)
    reach = 6.0 * noise_std
    weights = np.ones(count)
    for _ in range(8):
        share = line.offset(points) / reach
        weights = np.where(np.abs(share) < 1, (1 - share**2) ** 2, 0.0)
        if np.count_nonzero(weights) < 4:
            break
        before, line = line, total_least_squares(points, weights)
        if abs(line.dx * before.dy - line.dy * before.dx) < SETTLED and abs(float(before.offset(line.point))) < (
            SETTLED * noise_std
        ):
            break
    offsets = line.offset(points)
    inliers = np.abs(offsets) < 3.5 * noise_std
    if np.count_nonzero(inliers) < 4:
        inliers = weights > 0
    residual = float(1.4826 * np.median(np.abs(offsets[inliers]))) if inliers.any() else noise_std
    spread = float(np.sqrt(np.mean(line.along(points[inliers]) ** 2))) if inliers.any() else 1.0
    independent = max(2.0, np.count_nonzero(inliers) / max(correlation_points, 1.0))
    offset_std = residual / math.sqrt(independent)
    return LineFit(line, residual, offset_std, offset_std / max(spread, 1e-9), inliers, correlation_points)


def _best_hypothesis(points: Points, noise_std: float, hypotheses: int, seed: int) -> Line:
    rng = np.random.default_rng(seed)
    count = len(points)
    sample = points[:: max(1, count // 400)]
    first = points[rng.integers(0, count, hypotheses)]
    second = points[rng.integers(0, count, hypotheses)]
    step = second - first
    length = np.hypot(step[:, 0], step[:, 1])
    extent = float(np.hypot(*np.ptp(points, axis=0)))
    usable = length > 0.15 * extent
    if not usable.any():
        return total_least_squares(points)
    first, step, length = first[usable], step[usable], length[usable]
    normal = np.column_stack([-step[:, 1], step[:, 0]]) / length[:, None]
    offsets = sample @ normal.T - np.sum(first * normal, axis=1)
    cost = np.minimum(offsets**2, (4 * noise_std) ** 2).sum(axis=0)
    best = int(np.argmin(cost))
    return Line.through(first[best], first[best] + step[best])
