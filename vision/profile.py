"""A cross-section outline in mm: what passes from vision to measurement."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from core.errors import NothingMeasurable
from core.geometry import Points
from core.medians import median


@dataclass(frozen=True, slots=True)
class Gap:
    """A stretch without points: it follows point ``after`` of the profile; -1 means before the first."""

    after: int
    length_mm: float
    reason: str


@dataclass(frozen=True, slots=True, eq=False)
class Profile:
    """One cross-section outline.

    Attributes
    ----------
    points_mm
        (N, 2) float64, read-only, x right and y up. Outlines run with the metal on their right: a closed
        one clockwise, an open one from left to right with air above.
    std_mm
        (N,) standard uncertainty of each point across the outline.
    closed
        True for the silhouette of a section, False for a surface seen from one side.
    cut
        (N,) bool, True where the outline follows the border of the picture and not an edge of metal.
    points_px
        (N, 2) where each point was found in the picture, None for a profile from a file.
    relative_std
        What the calibration leaves unknown near these points: source ("scale", "tilt", "lens",
        "plane offset") to relative standard uncertainty of a length.
    resolution_mm
        Size of one pixel or spacing of points.
    blur_mm
        Standard deviation of the edge spread, 0 when unknown.
    correlation_points
        Neighbouring points that carry one independent piece of information.
    gaps
        Where points are missing, in order, with the reason.
    tone_doubt_mm
        Standard uncertainty of the place of all edges alike that the tone curve of a picture leaves.
    rim_doubt_mm
        The same that a rim or a gap along the edges leaves (`vision.rim`).
    points_alone
        Each point was found from pixels of its own: its scatter says nothing of its neighbour's.
    sampled
        Points were taken here and there along the surfaces, which end somewhere before the next point would have been.
    end_shifts_mm
        Points at which the surface is seen to end, each with the ways (2, 2) by which its end may lie elsewhere, one
        standard uncertainty along the surface and one across it.
    band_mm
        As much of its width as rounds corners of an overexposed laser line, which its blur does not tell; else 0.
    """

    points_mm: Points
    std_mm: NDArray[np.float64]
    closed: bool
    cut: NDArray[np.bool_]
    resolution_mm: float
    points_px: Points | None = None
    relative_std: Mapping[str, float] = field(default_factory=dict)
    blur_mm: float = 0.0
    correlation_points: float = 1.0
    gaps: tuple[Gap, ...] = ()
    tone_doubt_mm: float = 0.0
    rim_doubt_mm: float = 0.0
    limit_doubt_mm: float = 0.0
    points_alone: bool = False
    sampled: bool = False
    end_shifts_mm: Mapping[int, Points] = field(default_factory=dict)
    band_mm: float = 0.0

    def __post_init__(self) -> None:
        points = np.array(self.points_mm, dtype=np.float64)
        if points.ndim != 2 or points.shape[1] != 2 or len(points) < 3:
            raise NothingMeasurable(f"a profile needs at least 3 points of 2 columns, got shape {points.shape}")
        if not np.isfinite(points).all():
            raise NothingMeasurable("a profile must not hold points that are not finite numbers")
        if len(self.std_mm) != len(points) or len(self.cut) != len(points):
            raise ValueError("std_mm and cut must have one entry for each point")
        points.flags.writeable = False
        object.__setattr__(self, "points_mm", points)


@lru_cache(maxsize=4)
def usual_std_mm(profile: Profile) -> float:
    """Return the median standard uncertainty of a profile's points; it is asked for several times about each."""
    return median(profile.std_mm)
