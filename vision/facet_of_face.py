"""Pieces of a weld's face, and of the rounded rim of an edge, that would pass for a plate in an open profile."""

from __future__ import annotations

from collections.abc import Sequence

from core.geometry import Points, distance
from vision.runs import Run, turn_deg

NEXT_POINTS, NEXT_SHARE = 8, 0.5
"""Straight stretches no more points apart than this, nor farther than such a share of what passes for a plate, go over
into each other: what jumps is other light."""

RISES_DEG, RISES_SHARE = 15.0, 0.5
"""A short plate behind which the surface rises by more than this, over such a share of its length, is none: a plate
ends at the rim of what is seen, or at a corner from which the surface goes down."""

RIM_DEG = 20.0
"""The rounded rim of an edge turns from it by less than this."""


def is_facet(points: Points, plate: Run, other: Run, leg: float, runs: Sequence[Run], *, first: bool) -> bool:
    """Tell whether what passes for a plate of a fillet is a facet of its face, or of a plate's rim.

    Parameters
    ----------
    points
        (N, 2) open profile, from left to right, the air above.
    plate, other
        The plate in question and the one across the weld.
    leg
        Of the weld on that plate, mm.
    first
        The plate comes before the weld, from left to right.
    """
    if plate.length >= leg:
        return False
    for run in runs:
        if run is plate or run is other:
            continue
        before, after = (run, plate) if run.start < plate.start else (plate, run)
        apart = distance(points[after.start], points[before.stop])
        if not 0 <= after.start - before.stop <= NEXT_POINTS or apart > NEXT_SHARE * plate.length:
            continue
        turn = turn_deg(before.line, after.line)
        if (run is before) == first:
            if turn > RISES_DEG and run.length > RISES_SHARE * plate.length:
                return True
        elif run.length > plate.length and abs(turn) < RIM_DEG and _squarer(run, plate, other):
            return True
    return False


def _squarer(run: Run, plate: Run, other: Run) -> bool:
    """Tell whether a run stands squarer to the other plate than what passes for a plate."""
    off, own = (abs(abs(turn_deg(line.line, other.line)) - 90.0) for line in (run, plate))
    return off < own
