"""Point clouds of known truth: a drawn section swept along a seam, seen from its air side as a scanner sees it.

The section square to the seam is the drawing itself, so the drawing's true values hold at every place of the seam. On
top come what scanners add: points of uneven density, noise, holes, points in the air, a surface behind, a bead that
crosses the seam. Nothing here comes from the measuring rooms.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchmarks.render.camera import densify
from benchmarks.render.geometry import Drawing, rings_of
from core.geometry import Points, rotate

STEP_MM = 0.02


@dataclass(frozen=True, slots=True)
class Scan:
    """How a seam was scanned.

    Attributes
    ----------
    length_mm
        Length of the seam.
    per_mm2
        Points on a square millimetre of surface, on average.
    noise_mm
        Standard deviation of each coordinate of a point.
    uneven
        Density goes up and down by up to this share over centimetres.
    holes
        Round patches of 2 to 5 mm without points.
    floating
        Share of points that lie somewhere in the air.
    behind_mm
        Depth of a second surface behind the first, None without one.
    bend_radius_mm
        Radius on which the seam curves (across the air direction), None for a straight one.
    crossing_at_mm
        Where another bead of 1.5 mm crosses the seam, None without one.
    turned
        Whether the cloud lies any way up in space.
    """

    length_mm: float = 60.0
    per_mm2: float = 25.0
    noise_mm: float = 0.12
    uneven: float = 0.5
    holes: int = 0
    floating: float = 0.002
    behind_mm: float | None = None
    bend_radius_mm: float | None = None
    crossing_at_mm: float | None = None
    turned: bool = True


@dataclass(frozen=True, slots=True, eq=False)
class DrawnCloud:
    """Points (N, 3) in mm, and the frame in which they were made: where the seam leads, where the air is."""

    points_mm: NDArray[np.float64]
    seam: NDArray[np.float64]
    air: NDArray[np.float64]
    outline_mm: Points


def surface_of(drawing: Drawing, air: Points, *, reach_mm: float) -> Points:
    """Return what is seen of a section from the air: an open polyline from left to right, (N, 2).

    Parameters
    ----------
    air
        (2,) unit vector towards the scanner.
    reach_mm
        How far from the section's focus the scanner sees.
    """
    turn = math.pi / 2 - math.atan2(air[1], air[0])
    points = rotate(np.vstack([densify(ring, STEP_MM) for ring in rings_of(drawing.metal)]), turn)
    centre = rotate(np.array([drawing.focus_mm]), turn)[0]
    points = points[np.abs(points[:, 0] - centre[0]) < reach_mm]
    cell = np.floor(points[:, 0] / STEP_MM).astype(int)
    cell -= cell.min()
    top = np.full(cell.max() + 1, -np.inf)
    np.maximum.at(top, cell, points[:, 1])
    # What lies behind the edge of another part by more than a step is hidden.
    seen = points[points[:, 1] >= top[cell] - 6 * STEP_MM]
    seen = seen[np.argsort(seen[:, 0], kind="stable")]
    return rotate(seen, -turn)


def weld_air(drawing: Drawing) -> Points:
    """Return where the air is at a drawing's first weld, as a unit vector."""
    weld = drawing.welds[0]
    if weld.joint in ("butt", "groove"):
        return np.array([0.0, 1.0])
    arms = [weld.points_mm[name] - weld.points_mm["root"] for name in ("toe_left", "toe_right")]
    middle = sum(arm / np.hypot(*arm) for arm in arms)
    return np.asarray(middle / np.hypot(*middle))


def scan(drawing: Drawing, how: Scan, seed: int, *, reach_mm: float = 30.0) -> DrawnCloud:
    """Return the cloud of a drawing's first weld; the same seed gives the same cloud."""
    rng = np.random.default_rng(seed)
    air = weld_air(drawing)
    outline = surface_of(drawing, air, reach_mm=reach_mm)
    turn = math.pi / 2 - math.atan2(air[1], air[0])
    upright = rotate(outline, turn)
    along, across = _on_surface(upright, how, rng)
    flat = np.column_stack([along, across])
    if how.crossing_at_mm is not None:
        share = (flat[:, 0] - how.crossing_at_mm) / 4.0
        flat[:, 2] += np.where(np.abs(share) < 1, 1.5 * (1 - share**2), 0.0)
    parts = [flat, *_extras(upright, how, rng, len(flat))]
    points = _bent(np.vstack(parts), how.bend_radius_mm)
    points = points + rng.normal(0, how.noise_mm, points.shape)
    turning = _turn(rng) if how.turned else np.eye(3)
    shift = rng.uniform(-100, 100, 3) if how.turned else np.zeros(3)
    order = rng.permutation(len(points))
    return DrawnCloud((points @ turning.T + shift)[order], turning[:, 0], turning[:, 2], outline)


def _on_surface(upright: Points, how: Scan, rng: np.random.Generator) -> tuple[NDArray[np.float64], Points]:
    """Return points on the swept surface: their place along the seam, and in the section with the air above."""
    steps = np.hypot(*np.diff(upright, axis=0).T)
    # Seen edge-on a surface gets few points, and a step that nothing covers (a hidden part) gets none.
    facing = np.abs(np.diff(upright[:, 0])) / np.maximum(steps, 1e-12)
    weight = np.where(steps > 10 * STEP_MM, 0.0, steps * np.minimum(1.0, 1.6 * facing))
    count = int(how.per_mm2 * how.length_mm * float(weight.sum()) * (1 + how.uneven))
    along = rng.uniform(0, how.length_mm, count)
    place = np.interp(
        rng.uniform(0, weight.sum(), count), np.concatenate([[0], np.cumsum(weight)]), np.arange(len(upright))
    )
    index = np.minimum(place.astype(int), len(upright) - 2)
    points = upright[index] + (place - index)[:, None] * (upright[index + 1] - upright[index])
    phase = rng.uniform(0, 2 * math.pi, 4)
    swell = np.sin(along / 5 + phase[0]) * np.sin(points[:, 0] / 4 + phase[1]) + 0.5 * np.sin(along / 11 + phase[2])
    keep = rng.uniform(0, 1 + how.uneven, count) < 1 + how.uneven * swell / 1.5
    for _ in range(how.holes):
        middle = np.array([rng.uniform(0, how.length_mm), rng.uniform(*upright[[0, -1], 0])])
        keep &= np.hypot(along - middle[0], points[:, 0] - middle[1]) > rng.uniform(1, 2.5)
    return along[keep], points[keep]


def _extras(upright: Points, how: Scan, rng: np.random.Generator, count: int) -> list[NDArray[np.float64]]:
    low, high = upright[:, 0].min(), upright[:, 0].max()
    parts = []
    stray = int(how.floating * count)
    if stray:
        side = rng.uniform(low, high, stray)
        height = np.interp(side, upright[:, 0], upright[:, 1]) + rng.uniform(0.5, 25, stray)
        parts.append(np.column_stack([rng.uniform(0, how.length_mm, stray), side, height]))
    if how.behind_mm is not None:
        many = int(0.6 * count)
        side = rng.uniform(low, high, many)
        height = np.interp(side, upright[:, 0], upright[:, 1]) - how.behind_mm
        parts.append(np.column_stack([rng.uniform(0, how.length_mm, many), side, height]))
    return parts


def _bent(points: NDArray[np.float64], radius: float | None) -> NDArray[np.float64]:
    """Lay a straight seam along x on a circle in the x-y plane; sections stay square to it."""
    if radius is None:
        return points
    angle = points[:, 0] / radius
    reach = radius - points[:, 1]
    return np.column_stack([reach * np.sin(angle), radius - reach * np.cos(angle), points[:, 2]])


def _turn(rng: np.random.Generator) -> NDArray[np.float64]:
    """Return a random rotation, evenly spread (a QR factor of Gaussian columns)."""
    factor, triangle = np.linalg.qr(rng.normal(size=(3, 3)))
    factor = factor * np.sign(np.diag(triangle))
    if np.linalg.det(factor) < 0:
        factor[:, 0] = -factor[:, 0]
    return np.asarray(factor)
