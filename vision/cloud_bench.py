"""A bench beside the plates of a section: what they lie on goes on beyond their free edges, and is not measured."""

from __future__ import annotations

import numpy as np

from core.fitting import robust_line
from core.geometry import Points

LEAST_DROP_MM = 2.5
"""A plate's free edge stands higher than this above what it lies on."""

STEEPEST = 2.5
LEAST_STEP_MM, LEAST_STEPS = 1.5, 5.0
"""A step from point to point so long, in mm and in usual steps, may be an edge without points."""

FLAT_DEVIATIONS, FLAT_MM, STRAY_POINTS = 4.0, 0.15, 2
LEAST_POINTS = 8


def bench_ends(points: Points, noise_mm: float) -> tuple[int, int]:
    """Return the first point and the one behind the last of a profile without the bench on either side.

    A bench is flat, and the way from it to the joint leads up a free edge, all at once or over the few points that the
    edge shows. The plate below a lap is followed by its weld and so not flat up to the edge.

    Parameters
    ----------
    points
        (N, 2) from left to right with the air above.
    noise_mm
        Standard uncertainty of a point across the surface.
    """
    first = _after_bench(points, noise_mm, 1.0)
    last = len(points) - _after_bench(points[::-1], noise_mm, -1.0)
    return (first, last) if last - first >= LEAST_POINTS else (0, len(points))


def _after_bench(points: Points, noise_mm: float, air: float) -> int:
    """Return the number of points at the beginning that are bench; the air is left of their way, or (-1) right."""
    steps = np.diff(points, axis=0)
    size = np.hypot(steps[:, 0], steps[:, 1])
    steep = steps[:, 1] > STEEPEST * np.abs(steps[:, 0])
    steep |= size > max(LEAST_STEP_MM, LEAST_STEPS * float(np.median(size)))
    bounds = np.flatnonzero(np.diff(np.concatenate([[False], steep, [False]])))
    for begin, end in bounds.reshape(-1, 2).tolist():
        if size[begin:end].sum() < LEAST_DROP_MM:
            continue
        # The last points may be means over bench and edge.
        flat = points[: begin + 1]
        if len(flat) < LEAST_POINTS:
            if points[end, 1] - points[begin, 1] > LEAST_DROP_MM:
                return int(end)
            continue
        line = robust_line(flat, noise_mm).line
        line = line if float(line.direction @ (flat[-1] - flat[0])) > 0 else line.reversed()
        away = np.sort(np.abs(line.offset(flat)))
        if float(away[-1 - STRAY_POINTS]) > FLAT_DEVIATIONS * noise_mm + FLAT_MM:
            return 0
        rise = air * float(line.offset(points[end]))
        onward = float(line.along(points[end]) - line.along(flat[-1]))
        if rise > LEAST_DROP_MM and rise > STEEPEST * abs(onward):
            return int(end)
    return 0
