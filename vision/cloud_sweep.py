"""Where a seam leads in a point cloud, from the normals of its surface.

A seam is a surface swept along a line: no normal of it has a part along that line. The direction is the one that most
normals are square to; a bead that crosses the seam, or points in the air, are the few that are not. The line may curve:
what normals have along the direction of its middle then grows with their place along it.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from core.errors import NothingMeasurable
from vision.cloud_seam import Surface, Vector

DIRECTIONS, NORMALS = 1_000, 1_200
"""Directions that are tried, with so many of the normals."""

ALONG = 0.12
"""Normals with more than this share along a direction speak against it (7 degrees: scatter)."""

STANDS_OUT = 0.02
"""Least share of normals that must speak against every direction farther off than ``OTHER_DEG``."""

OTHER_DEG = 25.0
MOST_CURVED = 1.0 / 200.0
"""Greatest curvature that is allowed for, 1/mm: a weld's cap bends by more, and is not what a seam leads along."""

STIFF = 1e-4
"""Curvature that the normals hardly tell (in the plane of flat plates) is taken as little, by this share of what they
do tell."""

TRIALS, ROUNDS = 4, 15


class Sweep(NamedTuple):
    """The unit vector along the seam in its middle, and by how much its surface turns towards its ends, rad."""

    along: Vector
    turn_rad: float


def seam_direction(surface: Surface) -> Sweep:
    """Return the direction that most normals are square to, on a line that may curve.

    Raises
    ------
    NothingMeasurable
        When no direction stands out: a flat plate is the same along all of its directions.
    """
    places = surface.points - np.median(surface.points, axis=0)
    candidates = _half_sphere(DIRECTIONS)
    some = np.linspace(0, len(places) - 1, min(NORMALS, len(places))).astype(np.int64)
    against, bends = _against(candidates, places[some], surface.normals[some])
    best, bend = candidates[int(np.argmin(against))], bends[int(np.argmin(against))]
    best, bend = _refined(best, bend, places, surface.normals)
    own = float(_against(best[None], places[some], surface.normals[some])[0][0])
    others = np.abs(candidates @ best) < math.cos(math.radians(OTHER_DEG))
    if float(against[others].min()) - own < STANDS_OUT:
        raise NothingMeasurable(
            "the cloud looks alike along several directions, so the seam's is not clear: give it with --along, "
            'like "1,0,0"'
        )
    turns = np.abs((places @ best) * (surface.normals @ bend))
    return Sweep(_sign_fixed(best), float(np.quantile(turns, 0.95)))


def _against(
    directions: NDArray[np.float64], places: NDArray[np.float64], normals: NDArray[np.float64]
) -> tuple[Vector, NDArray[np.float64]]:
    """Return the share of normals (N, 3) that speak against each direction (K, 3), and the curvatures that suit them
    best, (K, 3) in 1/mm.

    A normal n at x along the seam is square to its direction there: n . (d + x c) = 0, c the curvature.
    """
    share, along = normals @ directions.T, places @ directions.T
    weights = np.ones_like(share)
    for _ in range(TRIALS):
        squares = np.einsum("nk,ni,nj->kij", weights * along**2, normals, normals, optimize=True)
        squares += STIFF * np.trace(squares, axis1=1, axis2=2)[:, None, None] * np.eye(3) + 1e-12 * np.eye(3)
        mixed = (weights * along * share).T @ normals
        bend = _limited(-np.asarray(np.linalg.solve(squares, mixed[..., None]), np.float64)[..., 0])
        rest = share + along * (normals @ bend.T)
        weights = _weights(rest)
    return np.minimum((rest / ALONG) ** 2, 1.0).mean(axis=0), bend


def _refined(
    direction: Vector, bend: Vector, places: NDArray[np.float64], normals: NDArray[np.float64]
) -> tuple[Vector, Vector]:
    """Return direction and curvature that suit all normals, from those of a trial."""
    for _ in range(ROUNDS):
        moved = normals * (places @ direction)[:, None]
        weights = _weights(normals @ direction + moved @ bend)[:, None]
        squares = (moved * weights).T @ moved
        squares += (STIFF * float(np.trace(squares)) + 1e-12) * np.eye(3)
        mixed = (moved * weights).T @ normals
        # With the best curvature for each direction put in, the rest is a form in the direction alone.
        form = (normals * weights).T @ normals - mixed.T @ np.linalg.solve(squares, mixed)
        found = np.linalg.eigh(form)[1][:, 0]
        direction = found * np.sign(found @ direction)
        bend = _limited(-np.asarray(np.linalg.solve(squares, mixed @ direction), np.float64))
    return direction, bend


def _weights(rest: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(1.0 / (1.0 + (rest / (0.5 * ALONG)) ** 2) ** 2)


def _limited(bend: NDArray[np.float64]) -> NDArray[np.float64]:
    size = np.linalg.norm(bend, axis=-1, keepdims=True)
    return np.asarray(bend * np.minimum(1.0, MOST_CURVED / np.maximum(size, 1e-12)))


def direction_around(normals: NDArray[np.float64], axis: Vector) -> Vector:
    """Return the direction about an axis in which a surface leads at its middle, a unit vector.

    The plates of a weld around a pipe are swept along the pipe's axis as well, and over more of the surface than the
    seam is: normals (N, 3) of both point to the middle of what is seen.
    """
    middle = np.linalg.eigh(normals.T @ normals)[1][:, -1]
    around = np.cross(axis, middle)
    return _sign_fixed(around / np.linalg.norm(around))


def _half_sphere(count: int) -> NDArray[np.float64]:
    """Return evenly spread directions of a half sphere (a Fibonacci lattice)."""
    index = np.arange(count) + 0.5
    z = index / count
    angle = math.pi * (1 + math.sqrt(5)) * index
    flat = np.sqrt(1 - z**2)
    return np.column_stack([flat * np.cos(angle), flat * np.sin(angle), z])


def _sign_fixed(direction: Vector) -> Vector:
    """Let the largest part of a direction be positive, so that the same seam is walked the same way."""
    return np.asarray(direction * np.sign(direction[np.argmax(np.abs(direction))]))
