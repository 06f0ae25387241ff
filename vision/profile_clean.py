"""Points of a profile from elsewhere made to follow the surface: in order, without stray ones and words for nothing.

A device writes 0 or -999 where it saw nothing, single points jump off the surface at a mirror image, a table may be
sorted by anything, and points may lie so densely that their scatter hides which of two comes first.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from core.geometry import Points, step_lengths

NOTHING_LEAST, NOTHING_APART = 3, 0.2
"""A height that so many points share exactly, farther from all others than this share of their extent, is no height."""

ZERO_JUMP_MM, LONGEST_HOLE = 0.5, 0.1
"""The surface jumps by more than this to a 0 that stands for nothing; a level end of a profile that is longer than this
share of it is a plate."""

UNSORTED = 0.5
"""Points whose way is shorter than this share of the file's own when they are sorted are not in order."""

LONGEST_SPIKE = 2
SPIKE_NOISE, SPIKE_STEPS, SPIKE_MM = 8.0, 3.0, 0.15
"""A stray point stands off its neighbours by more than each of these: times the scatter, times the spacing, mm."""

CLOSE_STEPS = 4.0


@dataclass(frozen=True, slots=True, eq=False)
class Cleaned:
    """Points (N, 2) in the order of the surface, and how many were left out as nothing or as stray."""

    points: Points
    left_out: int


def ordered(points: Points) -> Points:
    """Return points in their own order, or from left to right where that is a much shorter way.

    The outline of a section has two points above each other, and its own order is the shorter way.
    """
    if len(points) < 3:
        return points
    sorted_points = points[np.lexsort((points[:, 1], points[:, 0]))]
    own, other = float(step_lengths(points).sum()), float(step_lengths(sorted_points).sum())
    return sorted_points if other < UNSORTED * own else points


def without_nothing(points: Points) -> Points:
    """Return the points without those whose height stands for no value."""
    points = _without_zeros(points)
    heights = points[:, 1]
    for extreme in (heights.min(), heights.max()):
        same = heights == extreme
        rest = heights[~same]
        if np.count_nonzero(same) < NOTHING_LEAST or len(rest) < NOTHING_LEAST:
            continue
        apart = float(np.abs(rest - extreme).min())
        # Half a surface that is exactly level and far off is a surface.
        if apart > NOTHING_APART * float(np.ptp(rest)) and apart > 1.0 and not _runs_on(points, same):
            return without_nothing(points[~same])
    return points


def _without_zeros(points: Points) -> Points:
    """Return the points without zeros that stand for nothing though other heights lie around them.

    Three or more heights are exactly 0, and the surface jumps to them and back.
    """
    zero = points[:, 1] == 0.0
    if not NOTHING_LEAST <= np.count_nonzero(zero) < len(points) - NOTHING_LEAST:
        return points
    edges = np.flatnonzero(np.diff(zero, prepend=False, append=False)).reshape(-1, 2)
    left_out = np.zeros(len(points), bool)
    for start, stop in edges.tolist():
        beside = [points[at, 1] for at in (start - 1, stop) if 0 <= at < len(points)]
        if min(abs(height) for height in beside) > ZERO_JUMP_MM and not _is_level_end(start, stop, len(points)):
            left_out[start:stop] = True
    return points[~left_out] if np.count_nonzero(left_out) >= NOTHING_LEAST else points


def _runs_on(points: Points, same: NDArray[np.bool_]) -> bool:
    """Tell whether points of one height are an end of the profile: a step down to a level plate."""
    index = np.flatnonzero(same)
    return bool(np.all(np.diff(index) == 1)) and _is_level_end(int(index[0]), int(index[-1]) + 1, len(points))


def _is_level_end(start: int, stop: int, count: int) -> bool:
    """Tell whether a stretch of one height is an end of so many points, and long enough for a plate."""
    return (start == 0 or stop == count) and stop - start > LONGEST_HOLE * count


def without_spikes(points: Points, noise_mm: float) -> Points:
    """Return the points without one or two that jump off the surface and back."""
    if len(points) < 8:
        return points
    spacing = float(np.median(step_lengths(points)))
    least = max(SPIKE_NOISE * noise_mm, SPIKE_STEPS * spacing, SPIKE_MM)
    stray = np.zeros(len(points), bool)
    for length in range(1, LONGEST_SPIKE + 1):
        before, after = points[: -length - 1], points[length + 1 :]
        chord = after - before
        size = np.hypot(chord[:, 0], chord[:, 1])
        off = np.ones(len(before), bool)
        for inside in range(1, length + 1):
            offset = points[inside : inside + len(before)] - before
            across = np.abs(chord[:, 0] * offset[:, 1] - chord[:, 1] * offset[:, 0]) / np.maximum(size, 1e-12)
            off &= np.maximum(across, np.hypot(*offset.T) - size) > np.maximum(least, size)
        off &= size < CLOSE_STEPS * (length + 1) * spacing
        for inside in range(1, length + 1):
            stray[inside : inside + len(before)] |= off
    # Where much jumps the surface itself is rough.
    return points[~stray] if np.count_nonzero(stray) < 0.1 * len(points) else points


def cleaned(points: Points, noise_of: Callable[[Points], float]) -> Cleaned:
    """Return finite points in the order of the surface, (N, 2)."""
    kept = without_nothing(points)
    kept = ordered(kept)
    kept = without_spikes(kept, noise_of(kept))
    return Cleaned(kept, len(points) - len(kept))
