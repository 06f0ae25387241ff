"""The tangent to a face at its toe: a line through its first points, turned back by the face's bend.

What a surface's slow wander does to it is told twice: by the correlation of the points, and by what the same sum of
heights does along the plate beside.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from core.geometry import Points
from core.medians import median
from measurement.uncertainty import Noise

FARTHEST = 2.4
"""Points farther apart than so many correlation lengths have nothing in common (less than 1e-7)."""

LONGER, OF_NOISE = 1.8, 4.0
"""A surface strays as one piece over so many times the length that is seen about fitted lines, which take up the
slowest part of it; neighbouring points that share their noise alone do not (judged on rendered pictures)."""

BESIDE_MM, FARTHEST_OFF = 0.3, 3.5
"""So much of a plate beside the toe, and what lies off its line by so many standard deviations, tells no wander."""

STRETCHES_TOLD = 1.0
"""The correlation of the points counts as much as so many stretches of plate that are as long as that of the face."""


@dataclass(frozen=True, slots=True, eq=False)
class Tangent:
    """The face from where its tangent begins, (N,) each in a frame turned with it, and the weights of a line's slope.

    The slope of a line through the first points is ``weights`` times their heights; ``bent`` is what a curve x² gives.
    """

    turn: float
    x: NDArray[np.float64]
    y: NDArray[np.float64]
    weights: NDArray[np.float64]
    bent: float


def tangent_of(face: Points, near: int) -> Tangent:
    tip_x, tip_y = face[near - 3 : near].mean(axis=0).tolist()
    turn = math.atan2(tip_y, tip_x)
    axes = np.array([[math.cos(turn), math.sin(turn)], [-math.sin(turn), math.cos(turn)]])
    x, y = axes @ face.T
    weights = _fit_weights(x[:near], 1)
    return Tangent(turn, x, y, weights, float(weights @ (x[:near] * x[:near])))


def rise_of(
    tangent: Tangent, bent: int, noise: Noise, plate: NDArray[np.float64] | None = None
) -> tuple[float, float, float]:
    """Return the rise of the tangent at the toe, its standard uncertainty, and the face's curvature.

    The first ``bent`` points tell its bend.
    Both fits are linear in the heights, so that their covariance is exact: the slope at the toe is w·height.
    How such a slope strays by the wander of the surface is also seen where the same weights go along the ``plate``,
    (N,) heights over its line: that counts by the number of stretches that it has.
    """
    x, y = tangent.x[:bent], tangent.y[:bent]
    w = _fit_weights(x, 2)
    bend = float(w @ y)
    w *= -tangent.bent
    w[: len(tangent.weights)] += tangent.weights
    correlation = max(noise.correlation_points, LONGER * (noise.correlation_points - OF_NOISE))
    square = noise.point_std_mm**2 * _correlated_square(w, correlation)
    if plate is not None and len(plate) >= len(w):
        strays = np.convolve(plate, w[::-1], "valid")
        stretches = len(plate) / len(w)
        square = (STRETCHES_TOLD * square + stretches * float(strays @ strays) / len(strays)) / (
            STRETCHES_TOLD + stretches
        )
    std = math.sqrt(square)
    return tangent.turn + math.atan(float(w @ y)), std, 2 * bend


def _fit_weights(x: NDArray[np.float64], degree: int) -> NDArray[np.float64]:
    """Return the weights by which heights at ``x`` give the highest coefficient of a least-squares polynomial.

    Degree 1 or 2. The highest power less what the lower ones take up of it, scaled to answer itself with 1.
    """
    first = x - float(np.add.reduce(x)) / len(x)
    power = first
    if degree == 2:
        square = first * first
        power = (
            square
            - float(np.add.reduce(square)) / len(x)
            - first * (float(square @ first) / max(float(first @ first), 1e-30))
        )
    return np.asarray(power / max(float(power @ power), 1e-30))


def _correlated_square(weights: NDArray[np.float64], correlation_points: float) -> float:
    """Return the variance of a weighted sum of points of unit variance that follow each other smoothly.

    A surface that wanders slowly shifts a short stretch as a whole and hardly turns it: taking its points for
    a few independent blocks would make far too much of a slope's uncertainty. The correlation is Gaussian with
    the stated integral, and a twentieth of the variance is left to noise from point to point.
    """
    used = np.flatnonzero(weights)
    if len(used) == 0:
        return 0.0
    w = weights[used[0] : used[-1] + 1]
    if len(w) > 600:
        # Sum neighbouring weights: the correlation is far longer than that.
        size = math.ceil(len(w) / 600)
        w = np.add.reduceat(w, np.arange(0, len(w), size))
        correlation_points = max(1.0, correlation_points / size)
    reach = min(len(w) - 1, math.ceil(FARTHEST * correlation_points))
    spread = np.convolve(w, _alike(reach, correlation_points))[reach : reach + len(w)]
    return float(0.95 * (w @ spread) + 0.05 * 2.0 * (w @ w))


@lru_cache(maxsize=8)
def _alike(reach: int, correlation_points: float) -> NDArray[np.float64]:
    """Return how much points so many steps apart have in common, from ``reach`` before to ``reach`` behind."""
    steps = np.arange(-reach, reach + 1)
    return np.asarray(np.exp(-0.5 * (steps * math.sqrt(2 * math.pi) / correlation_points) ** 2))


def averaged(points: Points, size: int) -> Points:
    count = len(points) // size
    return np.asarray(points[: count * size].reshape(count, size, 2).mean(axis=1))


def heights_of(plate: Points, size: int) -> NDArray[np.float64]:
    """Return how far a plate's surface lies off its line, beyond its end beside the toe: what such surfaces do."""
    heights = averaged(plate[-plate[:, 0] > BESIDE_MM], size)[:, 1]
    if len(heights) == 0:
        return heights
    most = FARTHEST_OFF * 1.4826 * median(np.abs(heights))
    return np.asarray(np.clip(heights, -most, most))
