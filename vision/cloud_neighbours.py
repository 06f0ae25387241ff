"""What a section of a cloud has beside it along the seam: how it differs from that."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from core.geometry import Points
from vision.cloud_change import change_along
from vision.cloud_directions import Vector
from vision.cloud_seam import GRID_MM, on_grid
from vision.cloud_straight import heights_along

NEIGHBOURING_MM = 22.0
CROSSED_MM = 0.35
"""A section whose surfaces lie as a whole so far off those of its neighbours is crossed by something."""

BEHIND_MM = 2.5
NEAR_MM = 2.0
"""Within this a place of the section counts as seen."""

CHANGES_LOOKED_AT = 25


@dataclass(frozen=True, slots=True, eq=False)
class Neighbours:
    """Usual heights of the sections about each place along the seam."""

    places: Vector
    heights: NDArray[np.float64]
    sides: tuple[float, float]

    def without_behind(self, points: Points, place: float) -> Points:
        """Return the points that do not lie far behind the surface of the neighbours: seen through a hole of it."""
        usual = self._usual(place)
        cell = np.clip(((points[:, 0] - self.sides[0]) / GRID_MM).astype(int), 0, len(usual) - 1)
        behind = points[:, 1] < usual[cell] - BEHIND_MM
        return np.asarray(points[~behind])

    def _usual(self, place: float) -> Vector:
        return np.asarray(self.heights[int(np.argmin(np.abs(self.places - place)))])

    def change(self, along: Vector, points: Points, place: float) -> float:
        """Return by how much the plates of a section's points change from its one end to the other, mm."""
        usual = self._usual(place)
        cell = np.clip(((points[:, 0] - self.sides[0]) / GRID_MM).astype(int), 0, len(usual) - 1)
        return change_along(along, points[:, 0], points[:, 1] - usual[cell])

    def seen_share(self, points: Points, place: float) -> float:
        """Return over which share of the width that the neighbours show points of a section lie, however few."""
        known = self.sides[0] + GRID_MM * np.flatnonzero(np.isfinite(self._usual(place)))
        across = np.sort(points[:, 0])
        after = np.searchsorted(across, known).clip(1, len(across) - 1)
        nearest = np.minimum(np.abs(across[after] - known), np.abs(across[after - 1] - known))
        return float(np.mean(nearest < NEAR_MM)) if len(known) else 1.0

    def crossed(self, profile: Points, place: float) -> bool:
        """Tell whether a profile as a whole lies off those of its neighbours."""
        difference = on_grid(profile, *self.sides) - self._usual(place)
        difference = difference[np.isfinite(difference)]
        return len(difference) > 20 and abs(float(np.median(difference))) > CROSSED_MM


def neighbours_of(along: Vector, section: NDArray[np.float64], length: float) -> Neighbours:
    """Return the usual heights along a straightened cloud: places along the seam (N,), sections (N, 2), its length."""
    places, rows, sides = heights_along(along, section, 0.0, length)
    heights = np.array(rows)
    usual = np.full_like(heights, np.nan)
    for i, place in enumerate(places):
        near = heights[np.abs(places - place) < NEIGHBOURING_MM]
        seen = np.isfinite(near).sum(axis=0) >= 2
        usual[i, seen] = np.nanmedian(near[:, seen], axis=0)
    return Neighbours(places, usual, sides)


def usual_change(along: Vector, section: Points, slab_mm: float, neighbours: Neighbours) -> float:
    """Return by how much plates usually change within a slab, mm: nothing, or as much as rows lie off as a whole."""
    half = slab_mm / 2
    changes = []
    for centre in np.linspace(half, max(float(along[-1]) - half, half), CHANGES_LOOKED_AT):
        low, high = np.searchsorted(along, [centre - half, centre + half])
        changes.append(neighbours.change(along[low:high], section[low:high], float(centre)))
    # What crosses takes up less of a seam than that.
    return float(np.quantile(changes, 0.75))
