"""Edges of plates that lie on another one: square to the plate's own surface, which runs along the other plate."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from core.geometry import Points, distance
from vision.runs import Run, turn_deg

CORNER_POINTS, SQUARE_DEG, ALONG_DEG = 8, 15.0, 6.0
"""An edge comes from its plate's surface over a corner of so many points, this square to it; that surface runs along
the other plate within the last angle."""

LEAST_TOP = 0.3
"""Length of a surface between the plates of a butt weld, over the distance of these, from which it is a plate that lies
on them; the flat top of a bead that was ground ends in no square edge."""

LOWEST_TOP_MM, WIDEST_TOP, LEAST_FLAT = 1.0, 2.0, 0.5
"""Where its edges are hidden by welds: height of a flat surface above the plates, and its length over their thickness
and over the distance between them. Caps are hardly twice as wide as plates are thick, and flat over less of that."""

LEAST_WIDE = 1.3
"""A plate that lies on another one is so many times wider than it is high; one that stands on it is not."""


def is_square_corner(before: Run, after: Run, count: int) -> bool:
    """Tell whether an outline of ``count`` points turns squarely around metal from one run to the next."""
    apart = (after.start - before.stop) % count
    return min(apart, count - apart) <= CORNER_POINTS and abs(turn_deg(before.line, after.line) + 90.0) < SQUARE_DEG


def is_edge_of(edge: Run, surface: Run, other: Run, *, edge_first: bool, count: int) -> bool:
    """Tell whether an edge comes square from a surface that runs along another plate.

    Parameters
    ----------
    edge_first
        The edge comes before the other plate in the outline, and so its own surface before it.
    count
        Number of points of the outline.
    """
    if surface is edge or surface is other:
        return False
    before, after = (surface, edge) if edge_first else (edge, surface)
    return is_square_corner(before, after, count) and runs_along(surface, other)


def edges_on_top(runs: Sequence[Run], count: int, least: float) -> tuple[Mapping[Run, Run], Mapping[Run, Run]]:
    """Return the edges that come square from a surface, with it: those behind it in the outline, and those before it.

    Parameters
    ----------
    count
        Number of points of the outline.
    least
        Least length of the surface, mm.
    """
    behind: dict[Run, Run] = {}
    ahead: dict[Run, Run] = {}
    for top in (run for run in runs if run.length >= least):
        for run in runs:
            if run is not top and is_square_corner(top, run, count):
                behind[run] = top
            if run is not top and is_square_corner(run, top, count):
                ahead[run] = top
    return behind, ahead


def runs_along(top: Run | None, other: Run) -> bool:
    """Tell whether the surface of a plate, if there is one, runs along another plate that faces the same way."""
    return top is not None and top is not other and abs(turn_deg(top.line, other.line)) < ALONG_DEG


def carries_plate(points: Points, first: Run, second: Run, runs: Sequence[Run], thickness: float | None) -> bool:
    """Tell whether a plate lies on two plates in outline order, or stands on them: what is between is no bead.

    Parameters
    ----------
    points
        (N, 2) closed outline.
    thickness
        Of the plates, mm; None where their other side is not seen.
    """
    count = len(points)
    span = (second.start - first.stop) % count
    width = distance(points[second.start % count], points[first.stop % count])
    between = [run for run in runs if (run.start - first.stop) % count + (run.stop - run.start) <= span]
    for run in between:
        off_deg = max(abs(turn_deg(run.line, plate.line)) for plate in (first, second))
        if run.length <= LEAST_TOP * width or off_deg >= ALONG_DEG:
            continue
        if any(is_square_corner(run, other, count) or is_square_corner(other, run, count) for other in between):
            return True
        middle = points[run.indices(count)].mean(axis=0)
        high = min(float(plate.line.offset(middle)) for plate in (first, second)) > LOWEST_TOP_MM
        wide = thickness is not None and run.length > max(WIDEST_TOP * thickness, LEAST_FLAT * width)
        if high and wide:
            return True
    return False


def lies_on(points: Points, plate: Run, other: Run, leg: float, runs: Sequence[Run]) -> bool:
    """Tell whether ``other`` is the edge of a plate that lies on ``plate``: above it a surface runs along this one.

    Parameters
    ----------
    points
        (N, 2) outline.
    leg
        What the weld hides of the edge, mm.
    """
    height = other.length + leg
    for run in runs:
        if run is plate or run is other or run.cut or abs(turn_deg(plate.line, run.line)) > ALONG_DEG:
            continue
        step = float(plate.line.offset(points[run.indices(len(points))].mean(axis=0)))
        if step > 0 and abs(step - height) < 0.2 * height + 0.3 and run.length > LEAST_WIDE * height:
            return True
    return False
