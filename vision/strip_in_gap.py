"""A strip that is seen through the root gap of a groove: a backing, or a bench; the faces end above it.

Light falls on it through the gap. It begins below the end of one face and ends below that of the other, so it may lie
on the line of a face, or a small step from its end, and yet is no part of it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from core.geometry import Line, Points, distance, step_lengths
from core.medians import median
from vision.groove_ends import ON_LINE_MM, ROUNDING_MM, WIDE_STEPS
from vision.runs import Run, turn_deg

LEAST_TURN_DEG = 15.0
"""What lies within this angle of the outside surfaces goes down with no face of the preparation."""

ALONG_MM = 1.0
"""So much of what is seen beyond missing points, before and behind one of them, tells where it leads."""

DROPS = math.cos(math.radians(45.0))
"""A root face drops from the end of a face to a strip, but for what a thick line rounds of it; a radius that leads from
a face to its floor leads aside by more than down."""

NEAR = 2


def ends_above_strip(
    points: Points, runs: Sequence[Run], left: Run, right: Run, down: Run, up: Run
) -> tuple[int, int] | None:
    """Return the last points of both faces where one strip lies between them, and nothing else; None where not.

    A strip is straight, runs along the surfaces, and the faces break off above it or meet it in a sharp corner, with no
    more than a root face between. The floor of a J or a U goes over into its face by a radius.
    """
    floors = [run for run in runs if run.start >= down.stop - NEAR and run.stop <= up.start + NEAR]
    if len(floors) != 1 or abs(turn_deg(left.line, floors[0].line)) >= LEAST_TURN_DEG:
        return None
    floor = floors[0]
    first = _last_on(points, down.line, down.stop, floor.start, step=1)
    last = _last_on(points, up.line, up.start, floor.stop, step=-1)
    begins = _last_on(points, floor.line, floor.start, first + 1, step=-1)
    ends = _last_on(points, floor.line, floor.stop, last - 1, step=1)
    if not (_drops(points, first, begins, left.line) and _drops(points, last, ends, right.line)):
        return None
    # A floor without a step at either end may be that of the preparation: then it is as wide as the gap.
    return (first, last) if first < last else None


def _last_on(points: Points, line: Line, start: int, limit: int, *, step: int) -> int:
    """Return the last point that lies on a line, from a point of it on as far as all do, and before a limit."""
    at = start
    while at + step != limit and abs(float(line.offset(points[at + step]))) < ON_LINE_MM:
        at += step
    return at


def _drops(points: Points, face_end: int, strip_end: int, outside: Line) -> bool:
    """Tell whether a strip begins at the end of a face, or below it: no radius leads over to it."""
    way = points[strip_end] - points[face_end]
    length = float(np.hypot(*way))
    return length < ROUNDING_MM or -float(way @ outside.normal) > DROPS * length


def crosses(points: Points, line: Line, end: int, index: int) -> bool:
    """Tell whether what is seen at ``index``, beyond points that are missing after ``end``, crosses the line of a face.

    A face that is lit and seen hides nothing in front of its own straight continuation: a strip behind the gap begins
    on the metal's side of it and leads across. What belongs to the face lies on it, and may bend off to one side.
    """
    usual = median(step_lengths(points))
    if float(step_lengths(points[min(end, index) : max(end, index) + 1]).max()) <= WIDE_STEPS * usual:
        return False
    piece = [index]
    for way in (-1, 1):
        at = index
        while (
            0 <= at + way < len(points)
            and at + way != end
            and distance(points[at + way], points[at]) <= WIDE_STEPS * usual
            and distance(points[at], points[index]) < ALONG_MM
        ):
            at += way
            piece.append(at)
    off = line.offset(points[piece])
    return float(off.min()) < -ON_LINE_MM and float(off.max()) > ON_LINE_MM
