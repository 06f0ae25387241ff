"""The edge across an outline: grey levels along its normals, and the chain of steepest places in them.

Each place is the centroid of the squared gradient around it, which is unbiased on a symmetric edge (a three-point
parabola is not).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from core.geometry import Points
from core.medians import median
from vision.exposure import LIMIT
from vision.tone import ToneCurve, light_table

Gray = NDArray[np.uint8]

GOLDEN = 0.6180339887
"""Multiples of it fill the way from one pixel to the next evenly, however many there are."""


@dataclass(frozen=True, slots=True, eq=False)
class Sampled:
    """What an edge looks like: its slope about each of its points (N, 17), the step there, and the levels beside it.

    ``grain`` is the scatter of the levels outside it, ``inner`` and ``outer`` their medians, as stored, and
    ``at_limit`` where one side is at the limit of the sensor (N,).
    """

    aligned: NDArray[np.float64]
    contrast: NDArray[np.float64]
    grain: float
    inner: float
    outer: float
    at_limit: NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Edge:
    """Grey levels across each point of an outline as they are stored and in light, their slope, and the edge in it."""

    stored: NDArray[np.uint8]
    rows: NDArray[np.float32]
    slope: NDArray[np.float32]
    peak: NDArray[np.int64]
    sign: NDArray[np.float32]
    shift: NDArray[np.float64]


def edge_along(
    gray: Gray, points: Points, reach_px: float, *, smooth: int, curve: ToneCurve = "linear", closely: bool = False
) -> Edge:
    """Find the edge at each point; its signed shift along the normal is positive outwards.

    ``closely`` takes the light between pixels as it is and not from the mean of what they store.
    """
    half = int(np.ceil(reach_px)) + 3
    offsets = np.arange(-half, half + 1, dtype=np.float64)
    normals = normals_of(points)
    map_x = (points[:, :1] + normals[:, :1] * offsets).astype(np.float32)
    map_y = (points[:, 1:] + normals[:, 1:] * offsets).astype(np.float32)
    stored = np.asarray(cv2.remap(gray, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), np.uint8)
    light: NDArray[np.uint8] | NDArray[np.float32] = stored
    if curve == "srgb":
        light = light_between(gray, map_x, map_y) if closely else _lit(stored)
    rows = cv2.sepFilter2D(
        light, cv2.CV_32F, np.ones(1, np.float32), gauss(max(0.6, smooth / 3.0)), borderType=cv2.BORDER_REFLECT_101
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
    index = np.arange(len(points))
    sign = np.sign(trend[index, peak])
    window = np.arange(-4, 5)
    columns = np.clip(peak[:, None] + window, 0, slope.shape[1] - 1)
    local = np.maximum(slope[index[:, None], columns] * sign[:, None], 0.0).astype(np.float64) ** 2
    # The centroid of the squared gradient, then once more with what lies far from it tapered off.
    centre = (local @ window) / (local.sum(axis=1) + 1e-12)
    local = local * np.exp(-0.5 * ((window - centre[:, None]) / 2.5) ** 2)
    centre = (local @ window) / (local.sum(axis=1) + 1e-12)
    shift = np.clip(peak + centre - half, -reach_px - 2, reach_px + 2)
    return Edge(
        stored, np.asarray(rows, np.float32), np.asarray(slope, np.float32), peak, np.asarray(sign, np.float32), shift
    )


def _lit(stored: Gray) -> NDArray[np.float32]:
    return np.asarray(cv2.LUT(stored, light_table()), np.float32)


def light_between(gray: Gray, x: NDArray[np.float32], y: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the light at places between pixels, (N, M), of a picture that stores it on the sRGB curve.

    Light is interpolated, not what is stored: the mean of two stored values is darker than that of their light, which
    moved all edges to the bright side by 0.03 px and more.
    """
    column, row = np.floor(x), np.floor(y)
    right, below = x - column, y - row
    lines = []
    for line in (row, row + 1):
        left, beyond = (
            _lit(np.asarray(cv2.remap(gray, at, line, cv2.INTER_NEAREST, borderMode=cv2.BORDER_REPLICATE), np.uint8))
            for at in (column, column + 1)
        )
        lines.append(left + right * (beyond - left))
    return np.asarray(lines[0] + below * (lines[1] - lines[0]), np.float32)


def levels_across(
    gray: Gray, points: Points, index: NDArray[np.int64], reach_px: tuple[int, int], curve: ToneCurve
) -> tuple[NDArray[np.float32], ...]:
    """Return the light across an outline at some of its points, from inside outwards, (M, K), on each likely curve.

    ``reach_px`` is how far inside and outside. Each row lies aside by another part of a pixel, so that their mean shows
    no pixels where an edge runs along these.
    """
    aside = np.arange(len(index)) * GOLDEN % 1.0 - 0.5
    offsets = np.arange(-reach_px[0], reach_px[1] + 1, dtype=np.float64) + aside[:, None]
    normals, places = normals_of(points)[index], points[index]
    x, y = ((places[:, axis, None] + normals[:, axis, None] * offsets).astype(np.float32) for axis in (0, 1))
    stored = () if curve == "srgb" else (cv2.remap(gray, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE),)
    light = () if curve == "linear" else (light_between(gray, x, y),)
    return tuple(np.asarray(levels, np.float32) for levels in (*stored, *light))


def sampled_at(edge: Edge) -> Sampled:
    """Return what an edge looks like at each of its points."""
    peak, rows, slope = edge.peak, edge.rows, edge.slope
    index, last = np.arange(len(peak)), slope.shape[1] - 1
    inner = rows[index[:, None], np.clip(peak[:, None] - np.arange(4, 7), 0, last)].mean(axis=1)
    outer = rows[index[:, None], np.clip(peak[:, None] + np.arange(4, 7), 0, last)].mean(axis=1)
    beside = edge.stored[index[:, None], np.clip(peak[:, None] + np.array([-5, 5]), 0, last)]
    seen = np.median(beside, axis=0)
    grain = float(1.4826 * np.median(np.abs(np.diff(rows[:, 1:4], axis=0)))) + 0.2
    aligned = slope[index[:, None], np.clip(peak[:, None] + np.arange(-8, 9), 0, last)] * edge.sign[:, None]
    step, at_limit = np.asarray(inner - outer, np.float64), np.max(beside, axis=1) >= LIMIT
    return Sampled(np.asarray(aligned, np.float64), step, grain, float(seen[0]), float(seen[1]), at_limit)


def _follow(strength: NDArray[np.float32]) -> NDArray[np.int64]:
    """Follow the strongest chain that moves at most one sample a step (dynamic programming).

    The chain is split in blocks that are solved side by side, so that the loop runs over the length of
    a block and not over the whole outline; blocks overlap by half and keep their middle.
    """
    count, width = strength.shape
    block = 96
    half = block // 2
    starts = np.arange(-half // 2, count, half)
    # Places of a block along the first axis: each step takes what lies side by side.
    index = (np.arange(block)[:, None] + starts) % count
    cost = strength[index]
    scale = median(cv2.reduce(strength, 1, cv2.REDUCE_MAX)) + 1e-6
    penalty = np.float32(0.15 * scale)
    choice = np.zeros((block, len(starts), width), np.int8)
    total = np.full((len(starts), width + 2), -1e9, np.float32)
    total[:, 1:-1] = cost[0]
    for step in range(1, block):
        paid = total - penalty
        stay, lower, upper = total[:, 1:-1], paid[:, :-2], paid[:, 2:]
        best = np.maximum(stay, lower)
        up, down = upper > best, lower > stay
        np.maximum(best, upper, out=best)
        np.subtract(up.view(np.int8), (down & ~up).view(np.int8), out=choice[step])
        np.add(best, cost[step], out=stay)
    position = np.argmax(total[:, 1:-1], axis=1)
    chain = np.empty((block, len(starts)), np.int64)
    rows = np.arange(len(starts))
    for step in range(block - 1, -1, -1):
        chain[step] = position
        position = position + choice[step, rows, position]
    result = np.zeros(count, np.int64)
    keep = slice(half // 2, half // 2 + half)
    result[index[keep]] = chain[keep]
    return result


def normals_of(points: Points) -> Points:
    """Return unit normals to the left of the direction on the screen: outwards for a clockwise outline."""
    tangent = np.roll(points, -2, axis=0) - np.roll(points, 2, axis=0)
    length = np.hypot(tangent[:, 0], tangent[:, 1]) + 1e-12
    return np.column_stack([tangent[:, 1], -tangent[:, 0]]) / length[:, None]


def gauss(sigma: float) -> NDArray[np.float32]:
    half = max(1, int(np.ceil(3 * sigma)))
    x = np.arange(-half, half + 1)
    kernel = np.exp(-0.5 * (x / sigma) ** 2)
    return np.asarray(kernel / kernel.sum(), np.float32)


def _gauss_slope(sigma: float) -> NDArray[np.float32]:
    half = int(np.ceil(3 * sigma))
    x = np.arange(-half, half + 1)
    kernel = x * np.exp(-0.5 * (x / sigma) ** 2)
    return np.asarray(kernel / np.sum(kernel * x), np.float32)
