"""The prepared edges of a groove in an open profile: what of each is seen, and where it ends."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from core.geometry import Line, Points
from vision.groove_ends import (
    ON_LINE_MM,
    beyond_last,
    doubt_beyond,
    end_doubt,
    land_below_radius,
    short_land,
    sparse_doubt,
)
from vision.groove_joint import SQUARE_WITHIN_DEG, bevel_among, land_top_of, meeting
from vision.open_groove import OpenGroove
from vision.plate_line import Detail, fit_plate
from vision.runs import Run, turn_deg
from vision.section import PreparedEdge

ONE_SLOPE_DEG = 3.0
"""Runs that turn by less are pieces of one face; preparations of two slopes differ by more."""

FLATTENED_MM = 0.6
"""A root face is the last of its edge; the radius of a J or a U leads farther off the straight part of its face."""


def groove_edges(
    points: Points, groove: OpenGroove, detail: Detail, end_shifts_mm: Mapping[int, Points] | None = None
) -> tuple[PreparedEdge | None, PreparedEdge | None]:
    """Return the prepared edges, left and right, None for one whose face is not seen; the inside never is.

    ``end_shifts_mm`` names the points at which the surface is seen to end, with what is not known of that; it is None
    for points that were taken here and there, of which the last is seldom where a surface ends.
    """
    sampled = end_shifts_mm is None
    left, right = (
        (points, groove.end_left, detail, (end_shifts_mm or {}).get(groove.end_left)),
        (points, groove.end_right, detail, (end_shifts_mm or {}).get(groove.end_right)),
    )
    if not groove.faces_left and not groove.faces_right:
        return (
            _square_edge(groove.outside_left, *left, towards=True, sampled=sampled),
            _square_edge(groove.outside_right, *right, towards=False, sampled=sampled),
        )
    edges = (
        _edge(groove.outside_left, groove.faces_left, *left, towards=True, sampled=sampled),
        _edge(groove.outside_right, groove.faces_right[::-1], *right, towards=False, sampled=sampled),
    )
    # Of a line the light was looked at where it breaks off; a cloud only has no more points there.
    told = end_shifts_mm if end_shifts_mm is not None and detail.alone else {}
    seen = (groove.end_left in told, groove.end_right in told)
    one, other = (edge and replace(edge, end_seen=lit) for edge, lit in zip(edges, seen, strict=True))
    return one, other


def bare_edges(
    points: Points, groove: OpenGroove, detail: Detail, end_shifts_mm: Mapping[int, Points] | None = None
) -> tuple[PreparedEdge | None, PreparedEdge | None]:
    """Return of a groove with one face seen the surface of the other member, left or right; else None for both."""
    if bool(groove.faces_left) == bool(groove.faces_right):
        return None, None
    sampled, shifts = end_shifts_mm is None, end_shifts_mm or {}
    if groove.faces_left:
        end = groove.end_right
        bare = _square_edge(groove.outside_right, points, end, detail, shifts.get(end), towards=False, sampled=sampled)
        return None, bare
    end = groove.end_left
    return _square_edge(groove.outside_left, points, end, detail, shifts.get(end), towards=True, sampled=sampled), None


def _square_edge(
    run: Run, points: Points, end: int, detail: Detail, shifts: Points | None, *, towards: bool, sampled: bool
) -> PreparedEdge:
    """Return an edge of which only the surface is seen; it ends where its points do."""
    outside, _ = fit_plate(points, run, detail, toe_at_stop=towards)
    corner = outside.line.at(float(outside.line.along(points[end])))
    line, step = outside.line, 1 if towards else -1
    further = beyond_last(points, line, line, end, detail, step=step) if sampled else None
    if further is not None:
        corner, shifts = corner + further[0], further[1]
    return PreparedEdge(outside, None, None, None, corner, corner, corner, end_shifts_mm=shifts)


def _edge(
    outside_run: Run,
    faces: tuple[Run, ...],
    points: Points,
    end: int,
    detail: Detail,
    shifts: Points | None,
    *,
    towards: bool,
    sampled: bool,
) -> PreparedEdge | None:
    if not faces:
        return None
    outside, _ = fit_plate(points, outside_run, detail, toe_at_stop=towards)
    fits = [fit_plate(points, run, detail, toe_at_stop=False)[0] for run in faces]
    square = [_may_be_land(outside.line, fit.line, points[end]) for fit in fits]
    bevel_index = bevel_among([_in_pieces(run, faces) for run in faces], square)
    bevel = None if bevel_index is None else fits[bevel_index]
    land = next((fit for fit, is_square in zip(fits, square, strict=True) if is_square), None)
    face = bevel or land
    assert face is not None
    outer = meeting(outside.line, face.line)
    # An end that is told by itself stands where it is, beside the line of its face, too: a radius led to it.
    last = points[end] if shifts is not None else land_end(points[end], (land or face).line)
    if bevel is None:
        return PreparedEdge(outside, None, None, land, outer, outer, last, end_shifts_mm=shifts)
    if land is not None:
        run = next(run for run, is_square in zip(faces, square, strict=True) if is_square)
        top = land_top_of(points, run, bevel, land, detail, from_start=towards)
        return PreparedEdge(outside, None, bevel, land, outer, top, last, end_shifts_mm=shifts)
    step = 1 if towards else -1
    corner = land_below_radius(points, outside.line, bevel.line, end, step=step)
    if corner is not None:
        return PreparedEdge(outside, None, bevel, None, outer, corner, points[end], None, shifts)
    beyond = doubt_beyond(points, face.line, end, step=step)
    if beyond is not None:
        return PreparedEdge(outside, None, bevel, None, outer, last, last, beyond, shifts)
    short = short_land(points, outside.line, bevel.line, end, detail, step=step)
    if short is not None:
        return PreparedEdge(outside, None, bevel, None, outer, short[0], last, short[1], shifts)
    if shifts is not None:
        return PreparedEdge(outside, None, bevel, None, outer, last, last, None, shifts)
    doubt = end_doubt(points, bevel.line, end, step=step)
    if doubt is not None:
        return PreparedEdge(outside, None, bevel, None, outer, last, last, doubt)
    further = beyond_last(points, outside.line, bevel.line, end, detail, step=step) if sampled else None
    if further is not None:
        last = last + further[0]
        return PreparedEdge(outside, None, bevel, None, outer, last, last, None, further[1])
    doubt = sparse_doubt(points, bevel.line, end, detail, step=step)
    return PreparedEdge(outside, None, bevel, None, outer, last, last, doubt)


def _in_pieces(face: Run, faces: tuple[Run, ...]) -> float:
    """Return how long a face is with the other pieces into which stray points part it: those at its slope."""
    return sum(run.length for run in faces if abs(turn_deg(face.line, run.line)) < ONE_SLOPE_DEG)


def _may_be_land(outside: Line, face: Line, end: Points) -> bool:
    """Tell whether a face stands square to its surface and no radius leads on from it to where the profile ends."""
    stands = abs(abs(turn_deg(outside, face)) - 90.0) < SQUARE_WITHIN_DEG
    return stands and abs(float(face.offset(end))) < FLATTENED_MM


def land_end(seen: Points, line: Line) -> Points:
    """Return the end of a face: on its line, or the last point itself where a radius leads away from the line."""
    if abs(float(line.offset(seen))) < ON_LINE_MM:
        return line.at(float(line.along(seen)))
    return np.asarray(seen)
