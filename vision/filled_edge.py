"""A lap whose weld fills the whole edge of the upper plate: its face leads from the lower surface up to the upper one.

The edge melts back with the weld, and nothing shows where it stood: what does without its place is measured. A bevelled
plate that lies on another one looks the same, so that such laps are only looked for where the joint is given.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from core.geometry import Points, step_lengths
from vision.runs import Run
from vision.unseen_edge import jump_between, lapped_plates, mirrored

WIDTH_SHARE = (0.35, 3.0)
"""A face over the whole edge is so wide, along the plates, against its height."""

MOST_JUMP_MM, MOST_JUMP_NOISE = 0.3, 3.5
"""A stretch that falls steeply by more, in mm and times the scatter, may be a low edge, too low to be told."""

LONGEST_STEPS, LONGEST_MM = 3.0, 0.6
"""No step from point to point of the face is longer: an edge may hide where points are missing."""

HIGHEST_MM, LOWEST_MM = 1.0, 1.5
"""The face rises above the upper surface by no more than the first; an undercut is no deeper than the second."""


@dataclass(frozen=True, slots=True, eq=False)
class FilledEdge:
    """Two plates in outline order with a face from one to the other.

    ``upper_first`` says that the upper plate is the left one, ``jump_mm`` how high the steepest stretch of the face is:
    too low for an edge, but it leaves open where the face ends; ``slope`` how steep the whole face is, height by width.
    """

    first: Run
    second: Run
    upper_first: bool
    jump_mm: float
    slope: float


def filled_edges(points: Points, runs: list[Run], noise_mm: float, step_mm: float) -> list[FilledEdge]:
    """Return the laps of an open outline whose upper plate shows no edge and no jump, from left to right.

    Parameters
    ----------
    points
        (N, 2) from left to right with the air above.
    runs
        Its straight stretches.
    noise_mm, step_mm
        Scatter of a point across the outline, and distance of neighbours.
    """
    found = []
    for seen, upper, lower, upper_first in lapped_plates(points, runs):
        along, above = upper.line.along(seen), upper.line.offset(seen)
        jump = jump_between(along, above, upper, lower)
        width = float(along[lower.start] - along[upper.stop])
        height = float(lower.line.offset(seen[upper.stop]))
        fall = 0.0
        if jump is not None and width > 0:
            # Beyond what the face as a whole falls over the same way.
            rim, begin = jump
            fall = float(above[rim] - above[begin]) - height / width * max(float(along[begin] - along[rim]), 0.0)
        face = seen[upper.stop : lower.start + 1]
        if (
            fall < max(MOST_JUMP_MM, MOST_JUMP_NOISE * noise_mm)
            and float(step_lengths(face).max(initial=0.0)) < max(LONGEST_STEPS * step_mm, LONGEST_MM)
            and WIDTH_SHARE[0] * height < width < WIDTH_SHARE[1] * height
            and float(np.max(above[upper.stop : lower.start + 1])) < HIGHEST_MM
            and float(np.min(lower.line.offset(face))) > -LOWEST_MM
        ):
            first, second = (upper, lower) if upper_first else (lower, upper)
            if not upper_first:
                first, second = mirrored(first, len(points)), mirrored(second, len(points))
            found.append(FilledEdge(first, second, upper_first, fall, height / width))
    return sorted(found, key=lambda edge: edge.first.start)
