"""The cap behind the root of a butt weld whose plates are shown too briefly beside it to be told by themselves.

A narrow picture shows little more than the cap: beside it a plate is seen over a few millimetres, no longer than the
facets of the cap itself. The root on the other side is narrow, its plates are seen well, and what lies behind a plate
next to its end, along it, is its other surface.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from core.geometry import Points, diagonal
from vision.butt_pairs import MOST_RISE, MOST_RISE_MM, ButtPair, bead_between
from vision.runs import Run, turn_deg

ALONG_DEG = 3.0
"""The two surfaces of a plate run along each other to within this."""

WIDEST, SHORTEST_MM, SHORTEST_SHARE = 0.8, 1.0, 0.08
"""Width of such a cap over the size of the part at most; least length of its plates, and share of its width."""

MORE_THAN_ROOT = 1.15
"""A cap is wider than the root by more than this; of two alike, either may be the root."""

LEAST_OVER = 0.25
"""The face rises over both plates, by more than this share of how far it falls below the same one (an undercut, the
other plate where they are offset): a facet on top of the cap, in the place of a plate that is not seen, has all of the
face below it."""

IN_LINE = 0.5
"""Plates beside a hollow face lie off each other by no more than this share of its depth, else one is such a facet."""


def cap_behind(points: Points, cut: NDArray[np.bool_], runs: list[Run], root: ButtPair, rise: float) -> ButtPair | None:
    """Return the pair of plates with a wider bead on the other side of a pair, None where none is seen.

    Parameters
    ----------
    points, cut
        (N, 2) closed outline, the metal on its right; which of its points lie on the border of the picture.
    rise
        Least height of the bead, mm.
    """
    first = _other_surface(points, runs, root.surface_second, ahead=True)
    second = _other_surface(points, runs, root.surface_first, ahead=False)
    if first is None or second is None or first is second:
        return None
    bead = bead_between(points, cut, first, second, closed=True)
    if bead is None:
        return None
    face, width, height = bead
    if not MORE_THAN_ROOT * root.width < width < WIDEST * diagonal(points):
        return None
    if min(first.length, second.length) < max(SHORTEST_MM, SHORTEST_SHARE * width):
        return None
    if not rise < abs(height) < MOST_RISE_MM + MOST_RISE * width:
        return None
    # An undercut may go deeper than the cap rises.
    over = all(_rises_over(plate, face, rise) for plate in (first, second))
    hollow = height < 0 and abs(float(first.line.offset(face[-1]))) <= IN_LINE * -height
    return ButtPair(first, second, width, height, 0.0) if over or hollow else None


def _rises_over(plate: Run, face: Points, rise: float) -> bool:
    offset = plate.line.offset(face)
    return float(offset.max()) > max(rise, -LEAST_OVER * float(offset.min()))


def _other_surface(points: Points, runs: list[Run], plate: Run, *, ahead: bool) -> Run | None:
    """Return the first run along a plate that lies behind it, next after its end or, else, next before its start.

    The outline leaves the plate at its free end, or along the border of the picture, and comes back behind it.
    """
    count = len(points)

    def way(run: Run) -> int:
        return (run.start - plate.stop if ahead else plate.start - run.stop) % count

    for run in sorted((other for other in runs if other is not plate and not other.cut), key=way):
        if abs(abs(turn_deg(plate.line, run.line)) - 180.0) > ALONG_DEG:
            if run.length > plate.length:
                return None
            continue
        ends = points[run.indices(count)[[0, -1]]]
        low, high = sorted(plate.line.along(ends).tolist())
        from_, to = sorted(plate.line.along(points[plate.indices(count)[[0, -1]]]).tolist())
        along = min(high, to) - max(low, from_) > 0.5 * min(run.length, plate.length)
        return run if along and float(plate.line.offset(ends).max()) < 0 else None
    return None
