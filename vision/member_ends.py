"""Where the two members of a groove end in an open profile: at the gap between them, or where their faces do."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from core.geometry import Points, step_lengths
from core.medians import median
from vision.groove_ends import ON_LINE_MM, UPRIGHT, WIDE_STEPS
from vision.runs import Run
from vision.strip_in_gap import crosses

MOST_MISSING_MM = 2.0
"""Points of a face that follow after more than this may be another thing that lies on its line."""

ONE_MISSING = 2.5
"""Where a single point is missing the step is two steps wide."""

LEAST_GAP_MM = 0.8

NEAR_END = 4
"""Points at the end of a surface that a thick line may round."""

NEAR_ROOT = 0.75
"""A gap between members lies so deep at least, as a share of the greatest depth."""

FEW_RISING, LEAST_RISE_MM = 4, 0.3
"""So many points at an end may be told between two surfaces; they rise by so much at least."""


def members_end(points: Points, stop: int, start: int) -> tuple[int, int]:
    """Return the last points of both members: at the wide steps between them, where nothing was seen.

    A stretch may go on over the gap: it lies a few points off.
    """
    near = max(0, min(stop, start) - NEAR_END)
    steps = step_lengths(points[near : max(stop, start) + NEAR_END + 1])
    usual = median(step_lengths(points))
    if not len(steps) or float(steps.max()) <= least_gap_mm(usual):
        return min(stop, start), max(stop, start)
    # Small steps are corners that a thick line rounds; a strip behind the gap lies between two wide ones.
    wide = np.flatnonzero(steps > max(0.5 * float(steps.max()), ONE_MISSING * usual))
    return near + int(wide[0]), near + int(wide[-1]) + 1


def gap_in_face(points: Points, down: Run, up: Run, left: Run, right: Run) -> int | None:
    """Return the point before the only gap near the root where two members seem to touch, None where there is none.

    Where the foot of one member lies in line with that of the other, one straight run leads over the gap between them.
    """
    if min(down.stop, up.start) < max(down.stop, up.start) - NEAR_END:
        return None
    steps = step_lengths(points)
    # Points of steep faces are wide apart as well.
    wide = np.flatnonzero(steps > max(LEAST_GAP_MM, ONE_MISSING * median(steps)))
    within = wide[(wide >= down.start) & (wide < up.stop)]
    # A profile with other gaps misses points: one more of them would be no sign.
    if len(wide) != 1 or len(within) != 1:
        return None
    at = int(within[0])
    if not (down.start + NEAR_END <= at < down.stop or up.start <= at < up.stop - NEAR_END):
        return None
    depth = -np.maximum(left.line.offset(points), right.line.offset(points))[down.start : up.stop + 1]
    here = depth[at - down.start : at + 2 - down.start]
    return at if float(here.min()) > NEAR_ROOT * float(depth.max()) else None


def along_face(points: Points, face: Run, end: int, other_end: int, *, step: int) -> int:
    """Return the last point of a face: beyond missing points it goes on where they lie on its line and lead down it."""
    onwards = face.line.direction * step
    for index in range(end + step, other_end, step):
        ahead = float((points[index] - points[end]) @ onwards)
        on_line = abs(float(face.line.offset(points[index]))) < ON_LINE_MM
        if on_line and 0 < ahead < MOST_MISSING_MM and not crosses(points, face.line, end, index):
            end = index
    return end


def before_the_gap(points: Points, runs: Sequence[Run], outside: Run) -> list[Run]:
    """Return those of the runs that do not lie behind the gap between two members.

    Points are missing down to what lies there, and up again from it, over more than where points of a face follow. It
    may be slanted, or have slanted parts, as a face has: a bench, or the far wall of a hollow piece.
    """
    steps = step_lengths(points)
    wide = np.flatnonzero(steps > max(LEAST_GAP_MM, ONE_MISSING * median(steps)))
    # Points of steep faces are wide apart as well.
    wide = wide[[not any(run.start <= at < run.stop for run in runs) for at in wide]]
    rise = outside.line.offset(points[wide + 1]) - outside.line.offset(points[wide])
    steep = (np.abs(rise) > UPRIGHT * steps[wide]) & (steps[wide] > MOST_MISSING_MM)
    behind = np.flatnonzero(steep[:-1] & steep[1:] & (rise[:-1] < 0) & (rise[1:] > 0))
    regions = [(int(wide[at]), int(wide[at + 1])) for at in behind]
    return [
        run for run in runs if not any(first < run.start + NEAR_END and run.stop <= last for first, last in regions)
    ]


def before_rise(points: Points, outside: Run, face_end: int, end: int, *, step: int) -> int:
    """Return the last point of a member before a few points that rise towards its surface again.

    Where a beam falls half on the end of a face and half on something else a point is told in between: no face rises.
    """
    index = np.arange(face_end, end + step, step)
    if not 1 < len(index) <= FEW_RISING + NEAR_END:
        return end
    depth = -outside.line.offset(points[index])
    deepest = int(np.argmax(depth))
    rises = float(depth[deepest] - depth[-1]) > LEAST_RISE_MM
    return int(index[deepest]) if rises and len(index) - 1 - deepest <= FEW_RISING else end


def least_gap_mm(spacing: float) -> float:
    """Return the smallest root gap that shows in a profile whose points are so far apart."""
    return max(min(WIDE_STEPS * spacing, LEAST_GAP_MM), ONE_MISSING * spacing)
