"""The line of a seam through its cloud, and the cloud straightened along it."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from vision.cloud_directions import POINTS_OF_A_PIECE, Vector
from vision.cloud_profile import profile_of_slab
from vision.cloud_seam import GRID_MM, Centreline, fit_centreline, on_grid, shifts_between

ROW_MM = 4.0
"""Length of the pieces by which a seam's curve, and what crosses it, is seen."""


def centreline_of(local: NDArray[np.float64]) -> tuple[Centreline, tuple[float, float]]:
    """Return the seam's line from pieces of it laid over each other, and where it ends; x along, y across, z up."""
    low, high = (float(v) for v in np.quantile(local[:, 0], [0.001, 0.999]))
    places, heights, _ = heights_along(local[:, 0], local[:, 1:], low, high)
    shifts = shifts_between(heights)
    known = np.isfinite(shifts).all(axis=1)
    everywhere = (-math.inf, math.inf)
    if not known.any():
        return Centreline((low + high) / 2, max((high - low) / 2, 1e-6), np.zeros(1), np.zeros(1)), everywhere
    # Beyond the last piece that is like the others nothing of the seam is seen: a bench, or nothing at all.
    first, last = np.flatnonzero(known)[[0, -1]]
    half = (places[1] - places[0]) / 2
    start = places[first] - half if first > 0 else -math.inf
    end = places[last] + half if last < len(places) - 1 else math.inf
    line = fit_centreline(places[known], shifts[known], max(low, start), min(high, end))
    return line, (start, end)


def heights_along(
    along: Vector, section: NDArray[np.float64], low: float, high: float
) -> tuple[Vector, list[Vector], tuple[float, float]]:
    """Return centres of pieces along the seam, their heights on one grid, and the grid's ends."""
    count = max(3, round((high - low) / ROW_MM))
    edges = np.linspace(low, high, count + 1)
    left, right = (float(v) for v in np.quantile(section[:, 0], [0.001, 0.999]))
    order = np.argsort(along, kind="stable")
    bounds = np.searchsorted(along[order], edges)
    heights = []
    for first, last in pairwise(bounds):
        index = order[first:last]
        index = index[:: max(1, len(index) // POINTS_OF_A_PIECE)]
        slab = profile_of_slab(section[index])
        unknown = np.full(len(np.arange(left, right, GRID_MM)), np.nan)
        heights.append(unknown if slab is None else on_grid(slab.profile.points_mm, left, right))
    return (edges[:-1] + edges[1:]) / 2, heights, (left, right)


def straightened(local: NDArray[np.float64], line: Centreline) -> tuple[Vector, NDArray[np.float64]]:
    """Return each point's place along the line, mm, and its coordinates in the section there, (N,) and (N, 2)."""
    x = local[:, 0].copy()
    for _ in range(4):
        offset = local - np.column_stack([x, line.at(x)])
        tangent = np.column_stack([np.ones(len(x)), line.at(x, 1)])
        second = line.at(x, 2)
        slope = np.sum(tangent**2, axis=1) - np.sum(offset[:, 1:] * second, axis=1)
        x += np.sum(offset * tangent, axis=1) / np.maximum(slope, 0.2)
    offset = local - np.column_stack([x, line.at(x)])
    tangent = np.column_stack([np.ones(len(x)), line.at(x, 1)])
    size = np.linalg.norm(tangent, axis=1)
    tangent /= size[:, None]
    up = np.array([0.0, 0.0, 1.0]) - tangent[:, 2:3] * tangent
    up /= np.linalg.norm(up, axis=1)[:, None]
    right = np.cross(up, tangent)  # x along, y right, z up is a left-handed frame
    table = np.linspace(x.min(), x.max(), 2001)
    speed = np.sqrt(1 + np.sum(line.at(table, 1) ** 2, axis=1))
    length = np.concatenate([[0.0], np.cumsum((speed[1:] + speed[:-1]) / 2 * np.diff(table))])
    place = np.interp(x, table, length)
    return place, np.column_stack([np.sum(offset * right, axis=1), np.sum(offset * up, axis=1)])
