"""What a point cloud says of its seam: normals of its surface, and its line from sections laid over each other."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from core.geometry import Points

Vector = NDArray[np.float64]

SAMPLE, TREE = 4_000, 300_000
NEIGHBOURS, MOST_NEIGHBOURS = 20, 640
REACH_MM = 1.5
"""A neighbourhood reaches so far, whatever the scatter seems: that of a row's points may be alike."""

MOST_BENT = 0.25
BROAD = 0.5
"""Neighbourhoods narrower than this share of their length show no normal; those of evenly spread points have 0.8."""

STARTS = (0.5, 0.25, 0.75)
"""Shares of the seam at which pieces are taken that the others are laid over."""

GRID_MM = 0.25
FARTHEST_MM = 5.0
LEAST_OVERLAP = 0.6


@dataclass(frozen=True, slots=True, eq=False)
class Surface:
    """What the neighbours of sampled points (N, 3) say: unit normals (N, 3), scatter and spacing of points in mm."""

    points: NDArray[np.float64]
    normals: NDArray[np.float64]
    noise_mm: float
    spacing_mm: float


def surface_normals(points: NDArray[np.float64], rng: np.random.Generator) -> Surface:
    """Return normals of a cloud (N, 3) at sampled points, those of stray points left out."""
    from scipy.spatial import cKDTree

    some = points if len(points) <= TREE else points[rng.choice(len(points), TREE, replace=False)]
    tree = cKDTree(some)
    chosen = some[rng.choice(len(some), min(SAMPLE, len(some)), replace=False)]
    usual = min(NEIGHBOURS, len(some) - 1)
    thickness = _neighbourhoods(tree, some, chosen, usual)[1]
    noise = float(np.median(thickness))
    # The neighbourhood must be wide against the scatter, which may be alike along a row, or its plane has no
    # direction. However wide it is, the plane of a swept surface is square to the seam.
    reach = max(float(np.median(tree.query(chosen[:500], usual)[0][:, -1])), 1e-9)
    most = min(MOST_NEIGHBOURS, len(some) - 1)
    count = int(np.clip(usual * (max(8.0 * noise, REACH_MM) / reach) ** 2, usual, most))
    normals, thickness, size, breadth = _neighbourhoods(tree, some, chosen, count)
    # Points in rows: the nearest of them lie in one row, and a row has no normal.
    while np.median(breadth / np.maximum(size, 1e-12)) < BROAD and count < most:
        count = min(2 * count, most)
        normals, thickness, size, breadth = _neighbourhoods(tree, some, chosen, count)
    noise = float(np.median(thickness)) * math.sqrt(count / max(count - 3, 1))
    # A bead that is narrow against the neighbourhood bends it: that is no reason to take its points for stray ones.
    good = (thickness < np.maximum(3.0 * noise, MOST_BENT * size)) & (size < 3.0 * np.median(size))
    spacing = float(np.median(tree.query(chosen[:2000], 2)[0][:, 1])) * math.sqrt(len(some) / len(points))
    return Surface(chosen[good], normals[good], noise, spacing)


def _neighbourhoods(
    tree: object, points: NDArray[np.float64], chosen: NDArray[np.float64], count: int
) -> tuple[NDArray[np.float64], Vector, Vector, Vector]:
    """Return normal, thickness, length and breadth of the neighbourhood of each chosen point."""
    near = tree.query(chosen, count)[1]  # type: ignore[attr-defined]
    local = points[near] - points[near].mean(axis=1, keepdims=True)
    values, vectors = np.linalg.eigh(np.einsum("nki,nkj->nij", local, local) / count)
    thickness, breadth, length = np.sqrt(np.maximum(values, 0.0)).T
    return vectors[:, :, 0], thickness, length, breadth


@dataclass(frozen=True, slots=True, eq=False)
class Centreline:
    """A seam's line in a frame x along, y across (right, seen along it), z into the air.

    ``across`` and ``up`` are polynomials of (x - middle) / half, lowest power first.
    """

    middle: float
    half: float
    across: Vector
    up: Vector

    def at(self, x: Vector, derivative: int = 0) -> NDArray[np.float64]:
        """Return (y, z) of the line, or a derivative by x, (N, 2)."""
        share = (np.asarray(x) - self.middle) / self.half
        polynomials = [np.polynomial.Polynomial(c) for c in (self.across, self.up)]
        if derivative:
            polynomials = [p.deriv(derivative) for p in polynomials]
        return np.column_stack([p(share) for p in polynomials]) / self.half**derivative

    @property
    def bend_mm(self) -> float:
        """How far the line leaves the chord between its ends."""
        x = self.middle + self.half * np.linspace(-1, 1, 41)
        line = self.at(x)
        chord = line[0] + np.linspace(0, 1, 41)[:, None] * (line[-1] - line[0])
        return float(np.hypot(*(line - chord).T).max())


def fit_centreline(x: Vector, shifts: Points, low: float, high: float) -> Centreline:
    """Fit a smooth line to the shifts (N, 2) of sections at x; a few that are off do not count."""
    middle, half = (low + high) / 2, max((high - low) / 2, 1e-6)
    degree = 3 if len(x) >= 8 else 1 if len(x) >= 3 else 0
    share = (x - middle) / half
    design = np.vander(share, degree + 1, increasing=True)
    columns = []
    for values in shifts.T:
        weights = np.ones(len(x))
        for _ in range(15):
            solution = np.linalg.lstsq(design * weights[:, None], values * weights, rcond=None)[0]
            residual = np.abs(values - design @ solution)
            scale = max(1.4826 * float(np.median(residual)), 0.01)
            weights = 1.0 / (1.0 + (residual / (2.0 * scale)) ** 2)
        columns.append(solution)
    return Centreline(middle, half, columns[0], columns[1])


def on_grid(points: Points, low: float, high: float) -> Vector:
    """Return heights of a profile at every ``GRID_MM`` from low to high, NaN where it has none."""
    x = np.arange(low, high, GRID_MM)
    order = np.argsort(points[:, 0], kind="stable")
    u, h = points[order].T
    height = np.interp(x, u, h, left=np.nan, right=np.nan)
    after = np.clip(np.searchsorted(u, x), 1, len(u) - 1)
    height[u[after] - u[after - 1] > 4 * GRID_MM] = np.nan
    return np.asarray(height)


def shifts_between(heights: Sequence[Vector]) -> Points:
    """Return by how much (across, up) each section of a row lies off the middle one, (N, 2) mm; NaN if unknown."""
    count = len(heights)
    known = [i for i in range(count) if np.isfinite(heights[i]).sum() > 20]
    if not known:
        return np.full((count, 2), np.nan)
    # What lies across the seam may be at any one place: the pieces that most others are like tell.
    starts = dict.fromkeys(min(known, key=lambda i: abs(i - share * count)) for share in STARTS)
    chains = [_chained(heights, known, start) for start in starts]
    found = max(chains, key=lambda chain: np.count_nonzero(np.isfinite(chain[:, 0])))
    # From neighbour to neighbour small errors add up: lay every section over the middle of all of them.
    moved = {i: _moved(heights[i], found[i]) for i in known if np.isfinite(found[i]).all()}
    together = np.array(list(moved.values()))
    reference = np.full(together.shape[1], np.nan)
    seen = np.isfinite(together).sum(axis=0) >= max(1, len(moved) // 2)
    reference[seen] = np.nanmedian(together[:, seen], axis=0)
    for i, height in moved.items():
        step = _shift(reference, height)
        found[i] = np.nan if step is None else found[i] + step
    return found


def _chained(heights: Sequence[Vector], known: Sequence[int], start: int) -> Points:
    """Return by how much sections lie off one of them, from neighbour to neighbour, (N, 2); NaN for an unlike one."""
    found = np.full((len(heights), 2), np.nan)
    found[start] = 0.0
    for row in ([i for i in known if i > start], [i for i in known if i < start][::-1]):
        before = start
        for i in row:
            step = _shift(heights[before], heights[i])
            if step is not None:
                found[i] = found[before] + step
                before = i
    return found


def _moved(height: Vector, shift: Vector) -> Vector:
    """Return heights on the same grid after the section was moved back by a shift."""
    x = np.arange(len(height)) + shift[0] / GRID_MM
    moved = np.interp(x, np.arange(len(height)), height, left=np.nan, right=np.nan)
    return np.asarray(moved - shift[1])


def _shift(reference: Vector, height: Vector) -> Vector | None:
    """Return (across, up) by which one section must be moved back to lie on another."""
    steps = round(FARTHEST_MM / GRID_MM)
    needed = LEAST_OVERLAP * min(np.isfinite(reference).sum(), np.isfinite(height).sum())
    cost = np.full(2 * steps + 1, np.inf)
    rise = np.zeros(2 * steps + 1)
    for k in range(-steps, steps + 1):
        moved, still = (height[k:], reference[: len(reference) - k]) if k >= 0 else (height[:k], reference[-k:])
        difference = (moved - still)[np.isfinite(moved) & np.isfinite(still)]
        if len(difference) < needed:
            continue
        rise[k + steps] = np.median(difference)
        cost[k + steps] = np.minimum(np.abs(difference - rise[k + steps]), 1.0).mean()
    best = int(np.argmin(cost))
    # What lies so far above or below is another surface: the bench beyond the ends of the plates.
    if not np.isfinite(cost[best]) or abs(rise[best]) > FARTHEST_MM:
        return None
    fine = 0.0
    if 0 < best < 2 * steps and np.isfinite(cost[[best - 1, best + 1]]).all():
        bend = cost[best - 1] + cost[best + 1] - 2 * cost[best]
        fine = 0.5 * (cost[best - 1] - cost[best + 1]) / bend if bend > 0 else 0.0
    slope = rise[min(best + 1, 2 * steps)] - rise[max(best - 1, 0)]
    return np.array([(best - steps + fine) * GRID_MM, rise[best] + 0.5 * slope * fine])
