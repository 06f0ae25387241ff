"""Pieces that work along a line in the picture: sampling beside it, averages along it, its normals."""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from core.geometry import Points, arc_length

Gray = NDArray[np.uint8]
Plane = NDArray[np.float32]
Floats = NDArray[np.float64]


def beside(line: Points, normals: Points, offsets: Floats, shift: Floats | None = None) -> tuple[Plane, Plane]:
    """Return x and y, (N, J) px each, of the places so far along the normals of each point of a line.

    A ``shift`` along the normal of each point, (N,), is added.
    """
    start = (line if shift is None else line + shift[:, None] * normals).astype(np.float32)
    out, across = normals.astype(np.float32), offsets.astype(np.float32)
    return start[:, :1] + out[:, :1] * across, start[:, 1:] + out[:, 1:] * across


def sampled(gray: Gray, at: tuple[Plane, Plane]) -> Plane:
    """Return grey levels at places of the picture."""
    values = cv2.remap(gray, at[0], at[1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(values, np.float32)


def level(rows: NDArray[np.float32], metal: NDArray[np.float32], spread: float) -> Floats:
    """Return the mean level of metal along the line, smoothed over ``spread`` stations."""
    total = averaged(np.einsum("ij,ij->i", rows, metal), spread)
    share = averaged(metal.sum(axis=1), spread)
    return np.asarray(total / np.maximum(share, 1e-6))


def averaged(values: Floats, sigma: float) -> Floats:
    """Average along the line by a Gaussian of sigma samples, mirrored at the ends."""
    if sigma < 0.3 or len(values) < 3:
        return np.asarray(values, float)
    reach = min(int(3 * sigma) + 1, len(values) - 1)
    values = np.asarray(values, float)
    padded = np.concatenate([values[reach:0:-1], values, values[-2 : -reach - 2 : -1]])
    return np.asarray(np.convolve(padded, _bell(sigma, reach), mode="valid"))


@lru_cache(maxsize=64)
def _bell(sigma: float, reach: int) -> Floats:
    """Return the weights of an average by a Gaussian, (2 * reach + 1,)."""
    weights = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma) ** 2)
    return np.asarray(weights / weights.sum())


def resampled(points: Points, step: float, *, multiple: int = 0) -> Points:
    """Return points about so far from each other on a line; one more than a ``multiple``, where that is given."""
    along = arc_length(points)
    count = max(12, round(float(along[-1]) / step))
    if multiple:
        count = 1 + multiple * max(2, round(count / multiple))
    at = np.linspace(0.0, along[-1], count)
    return np.column_stack([np.interp(at, along, points[:, k]) for k in (0, 1)])


def smoothed(points: Points, sigma: float, anchors: tuple[bool, bool]) -> Points:
    """Smooth an open line about the straight line between its ends, which stay."""
    base = points[0] + np.linspace(0, 1, len(points))[:, None] * (points[-1] - points[0])
    rest = points - base
    reach = min(int(3 * sigma) + 1, len(points) - 1)
    if sigma < 0.3 or reach < 1:
        return points
    kernel = _bell(sigma, reach)
    # Odd reflection keeps the ends where they are and does not bend the line there.
    padded = np.vstack([-rest[reach:0:-1], rest, -rest[-2 : -reach - 2 : -1]])
    return np.asarray(base + np.column_stack([np.convolve(padded[:, k], kernel, mode="valid") for k in (0, 1)]))


def normals_of(points: Points) -> Points:
    """Return unit normals to the left of the way along the line, as the numbers (x, y) go."""
    tangent = np.empty_like(points)
    np.subtract(points[2:], points[:-2], out=tangent[1:-1])
    tangent[0], tangent[-1] = points[1] - points[0], points[-1] - points[-2]
    x, y = tangent[:, 0], tangent[:, 1]
    length = np.maximum(np.sqrt(x * x + y * y), 1e-9)
    normals = np.empty_like(points)
    np.divide(-y, length, out=normals[:, 0])
    np.divide(x, length, out=normals[:, 1])
    return normals
