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

from core.geometry import Line, Points, diagonal
from core.medians import median

WANDER_PIECE = 1.7
"""Correlation lengths that carry one independent piece of wander, judged on rendered pictures."""

SHORT = 0.02
"""Stretch, in widths of what places have in common, over which a wander is a straight line."""

LEAST_SEEN = 0.75
"""Of a line that takes up more of a surface's wander than this leaves, little is told about the wander."""

SETTLED = 1e-3
"""A line that moves by less than this share of the noise, at its middle and at its ends, has been found."""


ROUND = 50
"""Hypotheses tried at a time."""

MOST_SCORED = 150
"""About so many points judge a hypothesis."""

BOUND = 4.0
"""Standard deviations from a hypothesis beyond which all points speak against it alike."""

NEARLY_ALL = 0.95
MISSED, USABLE = 1e-6, 0.7
"""Accepted chance that no hypothesis lies on the line; share of it left by the least distance of its two points."""


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
    waviness
        Standard deviation of the slow part of the points' way about the line, what is left of it over many points.
    bend_std_rad
        Standard uncertainty of a direction that is shared with the line on the other side of a weld, mirrored: what is
        not known of the bend of a surface on which both lie.
    bow_mm
        Sagitta of the surface that the line was laid through, 0 where it is straight.
    """

    line: Line
    residual_std: float
    offset_std: float
    angle_std_rad: float
    inliers: NDArray[np.bool_]
    correlation_points: float = 1.0
    waviness: float = 0.0
    bend_std_rad: float = 0.0
    bow_mm: float = 0.0

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


def correlation_points(residuals: NDArray[np.float64]) -> float:
    """Return how many neighbouring residuals carry one independent piece of information.

    From the growth of the variance of block means with the block's length (integrated autocorrelation).
    """
    count = len(residuals)
    if count < 32:
        return 2.0
    variance = _variance(residuals) + 1e-18
    best = 1.0
    sums = residuals
    for block in (2, 4, 8, 16, 32, 64, 128):
        groups = count // block
        if groups < 6:
            break
        sums = sums[: 2 * groups : 2] + sums[1 : 2 * groups : 2]
        if block > 2:
            best = max(best, _variance(sums) / block / variance)
    return min(best, count / 4)


def _variance(values: NDArray[np.float64]) -> float:
    apart = values - float(np.add.reduce(values)) / len(values)
    return float(apart @ apart) / len(values)


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
    middle, slope = _left_of_wander(length, WANDER_PIECE * correlation_length)
    return replace(
        fit,
        offset_std=max(fit.offset_std, wander * middle),
        angle_std_rad=max(fit.angle_std_rad, wander * slope),
    )


def seen_of_wander(length: float, correlation_length: float) -> float:
    """Return what share of a surface's wander shows about a line that is fitted to the same stretch of it.

    A short line follows the wander. Where less than `LEAST_SEEN` of it would show, that is returned.
    """
    middle, slope = _left_of_wander(length, WANDER_PIECE * correlation_length)
    return math.sqrt(max(1.0 - middle**2 - (slope * length) ** 2 / 12, LEAST_SEEN**2))


def mean_of_wander(length: float, correlation_length: float) -> float:
    """Return what is left of a surface's wander in the mean over a stretch of it, as a share of it."""
    return _left_of_wander(length, WANDER_PIECE * correlation_length)[0]


def _left_of_wander(length: float, piece: float) -> tuple[float, float]:
    """Return what is left of a surface's wander in the middle of a line fitted to a stretch, and in its slope.

    As shares of the wander's standard deviation, the second per length. What two places have in common falls off with
    their distance d as a Gaussian whose integral is one independent piece. Places d apart overlap over length - d, and
    the products of the weights of a mean and of a slope, summed over all such pairs, are polynomials of d: both sums
    are integrals of powers of d under the Gaussian.
    """
    width = max(piece, 1e-9) / math.sqrt(2 * math.pi)
    long = length / width
    if long < SHORT:
        return 1.0, 1.0 / width
    left = math.exp(-0.5 * long**2)
    zeroth, first = math.sqrt(math.pi / 2) * math.erf(long / math.sqrt(2)), 1 - left
    third = 2 - left * (long**2 + 2)
    mean = 2 * (long * zeroth - first) / long**2
    slope = 24 * (long**3 * zeroth - 3 * long**2 * first + 2 * third) / long**6
    return math.sqrt(mean), math.sqrt(slope) / width


def total_least_squares(points: Points, weights: NDArray[np.float64] | None = None) -> Line:
    """Fit a line by weighted total least squares; its point is the weighted mean."""
    x, y = points[:, 0], points[:, 1]
    if weights is None:
        mean_x, mean_y = float(np.add.reduce(x)) / len(x), float(np.add.reduce(y)) / len(y)
        x, y = x - mean_x, y - mean_y
        of_x, of_y = x, y
    else:
        total = float(weights.sum())
        mean_x, mean_y = float(weights @ x) / total, float(weights @ y) / total
        x, y = x - mean_x, y - mean_y
        of_x, of_y = weights * x, weights * y
    angle = 0.5 * math.atan2(2 * float(of_x @ y), float(of_x @ x) - float(of_y @ y))
    return Line(mean_x, mean_y, math.cos(angle), math.sin(angle))


FEWEST_POINTS, FEWEST_TELLING = 5, 8
"""Points that a line takes, and that its own scatter takes to be seen."""


def robust_line(
    points: Points,
    noise_std: float,
    *,
    correlation_points: float = 1.0,
    hypotheses: int = 300,
    seed: int = 7,
    near: Line | None = None,
) -> LineFit:
    """Fit a line to points of which up to about 60 % may lie off it, even in one block.

    Parameters
    ----------
    points
        (N, 2), N >= 5. Fewer than 8 do not tell their own scatter: it is at least the expected one.
    noise_std
        Expected standard deviation of good points across the line, in the unit of the points.
    correlation_points
        Neighbouring points that carry one independent piece of information (edge points of a
        picture are correlated); the uncertainty of the line grows with its square root.
    near
        A line that is known to lie along the points. Where nearly all of them agree with it, no other hypothesis is
        looked for: it is polished as they are.

    Raises
    ------
    ValueError
        With fewer than 5 points.
    """
    count = len(points)
    if count < FEWEST_POINTS:
        raise ValueError(f"a robust line needs at least {FEWEST_POINTS} points, got {count}")
    if near is None or not _agree(points, near, noise_std):
        near = _best_hypothesis(points, noise_std, hypotheses, seed)
    line, weights = _polished(points, near, noise_std)
    offsets = np.abs(line.offset(points))
    inliers = offsets < 3.5 * noise_std
    if np.count_nonzero(inliers) < 4:
        inliers = weights > 0
    carrying = np.flatnonzero(inliers)
    residual = 1.4826 * median(offsets[carrying]) if len(carrying) else noise_std
    if count < FEWEST_TELLING:
        residual = max(residual, noise_std)
    along = line.along(points)[carrying]
    spread = math.sqrt(float(along @ along) / len(carrying)) if len(carrying) else 1.0
    independent = max(2.0, len(carrying) / max(correlation_points, 1.0))
    offset_std = residual / math.sqrt(independent)
    return LineFit(line, residual, offset_std, offset_std / max(spread, 1e-9), inliers, correlation_points)


def _agree(points: Points, line: Line, noise_std: float) -> bool:
    """Tell whether nearly all points lie on a line, within what counts when hypotheses are compared."""
    return int(np.count_nonzero(np.abs(line.offset(points)) < BOUND * noise_std)) >= NEARLY_ALL * len(points)


def _polished(points: Points, line: Line, noise_std: float) -> tuple[Line, NDArray[np.float64]]:
    """Return the line that total least squares with Tukey's biweight settles on, and the last weights."""
    # The weighted sums of a total least squares fit, from products that are the same in each turn.
    middle_x, middle_y = points.mean(axis=0).tolist()
    terms = np.empty((6, len(points)))
    one, x, y = terms[:3]
    one[:] = 1.0
    np.subtract(points[:, 0], middle_x, out=x)
    np.subtract(points[:, 1], middle_y, out=y)
    np.multiply(x, x, out=terms[3])
    np.multiply(y, y, out=terms[4])
    np.multiply(x, y, out=terms[5])
    line = Line(line.x - middle_x, line.y - middle_y, line.dx, line.dy)
    reach = 6.0 * noise_std
    weights = one
    for _ in range(8):
        # Offsets from the line as shares of the reach, and Tukey's biweight of them.
        across = np.array([line.dy * line.x - line.dx * line.y, -line.dy, line.dx]) / reach
        weights = across @ terms[:3]
        weights *= weights
        np.subtract(1.0, weights, out=weights)
        np.maximum(weights, 0.0, out=weights)
        weights *= weights
        if np.count_nonzero(weights) < 4:
            break
        total, sx, sy, sxx, syy, sxy = (terms @ weights).tolist()
        mx, my = sx / total, sy / total
        angle = 0.5 * math.atan2(2 * (sxy - total * mx * my), (sxx - total * mx * mx) - (syy - total * my * my))
        before, line = line, Line(mx, my, math.cos(angle), math.sin(angle))
        moved = (line.y - before.y) * before.dx - (line.x - before.x) * before.dy
        turned = line.dx * before.dy - line.dy * before.dx
        # Of points spread evenly the ends lie the root of three times as far off as all of them by their squares.
        reach_ends = math.sqrt(3.0 * max(sxx + syy - total * (mx * mx + my * my), 0.0) / total)
        if abs(turned) * reach_ends < SETTLED * noise_std and abs(moved) < SETTLED * noise_std:
            break
    return Line(line.x + middle_x, line.y + middle_y, line.dx, line.dy), weights


def _best_hypothesis(points: Points, noise_std: float, hypotheses: int, seed: int) -> Line:
    """Return the line through two points that most of the points agree with.

    Hypotheses come in rounds, until one of so many pairs is certain to have hit the line of which the best one
    holds so large a share (M. A. Fischler and R. C. Bolles, Communications of the ACM 24, 1981, 381-395).
    """
    rng = np.random.default_rng(seed)
    count = len(points)
    # Which line it is shows in some of the points; all of them polish it.
    sample = np.ascontiguousarray(points[:: max(1, count // MOST_SCORED)])
    extent = diagonal(points)
    bound2 = (BOUND * noise_std) ** 2
    best: Line | None = None
    least = math.inf
    tried, needed = 0, float(hypotheses)
    while tried < min(needed, hypotheses):
        first = points[rng.integers(0, count, ROUND)]
        step = points[rng.integers(0, count, ROUND)] - first
        tried += ROUND
        length = np.hypot(step[:, 0], step[:, 1])
        usable = np.flatnonzero(length > 0.15 * extent)
        if not len(usable):
            continue
        first, step, length = first[usable], step[usable], length[usable]
        normal = np.stack([-step[:, 1], step[:, 0]]) / length
        cost = sample @ normal
        cost -= first[:, 0] * normal[0] + first[:, 1] * normal[1]
        cost *= cost
        np.minimum(cost, bound2, out=cost)
        costs = cost.sum(axis=0)
        index = int(np.argmin(costs))
        if costs[index] < least:
            least = float(costs[index])
            best = Line.through(first[index], first[index] + step[index])
            good = min(float(np.count_nonzero(cost[:, index] < bound2)) / len(sample), 0.999)
            needed = math.log(MISSED) / math.log1p(-((USABLE * good) ** 2)) if good > 0 else float(hypotheses)
    return total_least_squares(points) if best is None else best
