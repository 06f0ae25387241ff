"""The prepared joint before welding, end-on: two members and their outside, bevel, land and inside."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeGuard

import numpy as np
from numpy.typing import NDArray

from core.fitting import LineFit, total_least_squares
from core.geometry import Line, Points, intersection, step_lengths
from vision.plate_line import Detail, fit_plate
from vision.runs import Run, turn_deg
from vision.section import PreparedEdge

SQUARE_WITHIN_DEG = 6.0
"""A face within this angle of square to the surface is a root face, beyond it a bevel."""

ROUNDED_POINTS, LEAST_FACE_POINTS, STRAIGHT_SHARE = 3, 8, 0.06
"""A short face: what is left without so many points at each end, rounded by blur, is as long and straight as this; no
line is fitted to fewer."""

TIP_STEPS, TIP_BLURS, TIP_BLURS_RAD, BLUNT_STEPS = 1.0, 0.1, 1.5, 1.25
"""How far an outline stays off the sharp edge between a bevel and the inside surface: so many steps of the outline, so
many standard deviations of blur, and so many more for each radian of bevel, for the edge gets sharper by that (drawn
feather edges of 22 to 45 degrees: to 0.12 steps). What is missing beyond, by the last number of steps, is a land."""

SQUARE_STD_DEG, PLACE_STD_STEPS = 3.5, 0.4
"""Standard uncertainties of the direction of a land that is too short to show it, uniform within `SQUARE_WITHIN_DEG`,
and of its place."""

CLEAR_OF_BLUR, FLOOR_MM, LEAST_FLOOR_POINTS = 1.8, 0.2, 6
"""Standard deviations of blur from a corner at which an edge is straight again; how much of a floor behind it, and
of its points, tells where it meets the land."""

LEAST_LENGTH, LEAST_BEVELLED = 1.15, 0.6
"""A plate is longer than thick, a square of a board is not; one with a bevel tells itself by that, and the one that it
is to be welded to (of thick plate short pieces are cut)."""


FACET_TURN_DEG, FACET_STEPS = 4.0, 2.0
"""Two stretches of one face go down at one slope to within this angle, and lie on one line to within so many steps of
the outline. What stands between them is the face, too, however it is turned: its edge is less clear there."""


@dataclass(frozen=True, slots=True, eq=False)
class Member:
    """One plate of an open joint: ``towards`` runs to the joint, ``away`` from it, ``end`` lies between."""

    points: Points
    towards: Run
    away: Run
    end: tuple[Run, ...]
    corner_towards: Points
    corner_away: Points


def members(
    first: tuple[Points, NDArray[np.bool_], list[Run]],
    second: tuple[Points, NDArray[np.bool_], list[Run]],
    direction: Points,
) -> tuple[Member, Member] | None:
    """Return the members that face each other along ``direction``, None where one of two outlines shows none.

    Parameters
    ----------
    first, second
        Points (N, 2) of an outline, (N,) which of them are cut, and its straight runs.
    """
    one, other = member(*first, direction), member(*second, -direction)
    if one is None and other is not None and _is_bevelled(other.towards, other.end):
        one = member(*first, direction, beside_bevel=True)
    elif other is None and one is not None and _is_bevelled(one.towards, one.end):
        other = member(*second, -direction, beside_bevel=True)
    return None if one is None or other is None else (one, other)


def _is_bevelled(towards: Run, end: tuple[Run, ...]) -> bool:
    """Tell whether one of the faces at a member's end is far from square to its surface."""
    return any(_from_square_deg(towards.line, face.line) > 2 * SQUARE_WITHIN_DEG for face in end)


def member(
    points: Points, cut: NDArray[np.bool_], runs: list[Run], direction: Points, *, beside_bevel: bool = False
) -> Member | None:
    """Return the member that faces along ``direction``, or None when the outline does not show one.

    ``beside_bevel`` says that the other member is bevelled: this one may be short, too.
    """
    plates = [run for run in runs if not run.cut]
    towards = max(
        (run for run in plates if run.line.direction @ direction > 0.85), key=lambda run: run.length, default=None
    )
    away = max(
        (run for run in plates if run.line.direction @ direction < -0.85), key=lambda run: run.length, default=None
    )
    if towards is None or away is None:
        return None
    if abs(abs(turn_deg(towards.line, away.line)) - 180) > 6:
        return None
    count = len(points)
    stop = away.start if away.start >= towards.stop else away.start + count
    path = np.arange(towards.stop, stop + 1) % count
    if len(path) < 4 or cut[path].any():
        return None
    thickness = -float(towards.line.offset(points[away.indices(count)]).mean())
    end = tuple(
        run
        for run in plates
        if run is not towards
        and run is not away
        and any(towards.stop - 2 <= run.start + shift and run.stop + shift <= stop + 2 for shift in (0, count))
    )
    if not end or thickness <= 0:
        return None
    ordered = tuple(sorted(end, key=lambda run: (run.start - towards.stop) % count))
    ordered = tuple(run for run in ordered if run.length > 0.04 * thickness)
    # The end goes across the plate; the floor of a J runs along it and is no face of the preparation.
    ordered = tuple(run for run in ordered if -160 <= turn_deg(towards.line, run.line) <= -20)
    if not ordered or _too_short(towards, away, ordered, thickness, beside_bevel):
        return None
    ordered = _with_short_lands(points, ordered, towards, stop)
    covered = sum(run.length for run in ordered)
    length = float(step_lengths(points[path]).sum())
    if covered < 0.5 * length:
        return None
    corner_towards = intersection(towards.line, ordered[0].line)
    corner_away = intersection(ordered[-1].line, away.line)
    if corner_towards is None or corner_away is None:
        return None
    return Member(points, towards, away, ordered, corner_towards, corner_away)


def _with_short_lands(points: Points, faces: tuple[Run, ...], towards: Run, stop: int) -> tuple[Run, ...]:
    """Add a land between a bevel and a surface of the plate.

    One of less than a millimetre on a large plate is too short to be sought all over the outline; its place tells it.
    """
    count = len(points)
    first, last = faces[0], faces[-1]
    begin = towards.stop if towards.stop <= first.start else towards.stop - count
    end = stop
    while end - last.stop >= count:
        end -= count

    def is_land(face: Run | None, beside: Run) -> TypeGuard[Run]:
        return (
            face is not None
            and _from_square_deg(towards.line, face.line) < SQUARE_WITHIN_DEG
            and _from_square_deg(towards.line, beside.line) > 2 * SQUARE_WITHIN_DEG
        )

    head, tail = _short_face(points, begin, first.start), _short_face(points, last.stop, end)
    return (*((head,) if is_land(head, first) else ()), *faces, *((tail,) if is_land(tail, last) else ()))


def _short_face(points: Points, start: int, stop: int) -> Run | None:
    """Return the straight stretch between two places of an outline without its rounded ends, None where it is none."""
    start, stop = start + ROUNDED_POINTS, stop - ROUNDED_POINTS
    if stop - start + 1 < LEAST_FACE_POINTS:
        return None
    stretch = points[np.arange(start, stop + 1) % len(points)]
    length = float(np.hypot(*(stretch[-1] - stretch[0])))
    line = total_least_squares(stretch)
    if (stretch[-1] - stretch[0]) @ line.direction < 0:
        line = line.reversed()
    if float(np.abs(line.offset(stretch)).max()) > STRAIGHT_SHARE * length:
        return None
    return Run(start, stop, line, length, False)


def _too_short(towards: Run, away: Run, end: tuple[Run, ...], thickness: float, beside_bevel: bool) -> bool:
    longest, shortest = max(towards.length, away.length), min(towards.length, away.length)
    if beside_bevel or _is_bevelled(towards, end):
        return longest < LEAST_BEVELLED * thickness or shortest < 0.25 * thickness
    return longest < LEAST_LENGTH * thickness or shortest < 0.5 * thickness


LEAST_BEVEL_SHARE = 0.25
"""What is shorter than this share of the longest sloping face is a rounded edge and no bevel."""


@dataclass(frozen=True, slots=True, eq=False)
class OpenJoint:
    """Two members, left and right as seen face up: the left one's run to the joint is its outside."""

    left: Member
    right: Member
    score: float


def open_joint(first: Member, second: Member) -> OpenJoint | None:
    """Pair two members that face each other; None when they do not."""
    if (
        abs(turn_deg(first.towards.line, second.away.line)) > 12
        or abs(turn_deg(first.away.line, second.towards.line)) > 12
    ):
        return None
    direction = first.towards.line.direction
    up = first.towards.line.normal
    gap_up = float((second.corner_away - first.corner_towards) @ direction)
    gap_down = float((second.corner_towards - first.corner_away) @ direction)
    thickness = -float(first.towards.line.offset(first.corner_away))
    offset = abs(float((second.corner_away - first.corner_towards) @ up))
    if min(gap_up, gap_down) < -0.2 * thickness or min(gap_up, gap_down) > 1.5 * thickness or offset > thickness:
        return None
    equal = abs(gap_up - gap_down) < 0.08 * thickness + 0.1
    face_is_up = up[1] > 0 if equal else gap_up > gap_down
    length = min(first.towards.length, second.towards.length) / thickness
    score = 3.0 + min(length, 3.0)
    if face_is_up:
        return OpenJoint(first, second, score)
    return OpenJoint(second, first, score)


def prepared_edge(item: Member, detail: Detail, *, outside_towards: bool) -> PreparedEdge:
    """Build the edge of a member; ``outside_towards`` tells that the run to the joint is the outside."""
    fit_towards, _ = fit_plate(item.points, item.towards, detail, toe_at_stop=True)
    fit_away, _ = fit_plate(item.points, item.away, detail, toe_at_stop=False)
    outside, inside = (fit_towards, fit_away) if outside_towards else (fit_away, fit_towards)
    faces = _with_whole_bevels(item.points, item.end, outside.line, detail)
    pieces = faces if outside_towards else faces[::-1]
    fits = [fit_plate(item.points, run, detail, toe_at_stop=False)[0] for run in pieces]
    square = [_from_square_deg(outside.line, fit.line) < SQUARE_WITHIN_DEG for fit in fits]
    bevel: LineFit | None = None
    land: LineFit | None = None
    if len(fits) == 1:
        bevel, land = (None, fits[0]) if square[0] else (fits[0], None)
    else:
        bevel_index = bevel_among([run.length for run in pieces], square)
        land_index = next((i for i, is_square in enumerate(square) if is_square), None)
        bevel = None if bevel_index is None else fits[bevel_index]
        land = None if land_index is None else fits[land_index]
    top = outside.line
    bottom = inside.line
    if bevel is not None and land is not None:
        outer = meeting(top, bevel.line)
        land_top = land_top_of(item.points, pieces[fits.index(land)], bevel, land, detail, from_start=outside_towards)
        after = fits[fits.index(land) + 1] if fits.index(land) + 1 < len(fits) else None
        land_bottom = meeting(land.line, bottom if after is None else after.line)
    elif bevel is not None:
        outer = meeting(top, bevel.line)
        land_top = land_bottom = meeting(bevel.line, bottom)
        land = _blunt_end(item.points, land_top, outside.line, bevel.line, detail)
        if land is not None:
            land_top, land_bottom = meeting(bevel.line, land.line), meeting(land.line, bottom)
    else:
        assert land is not None
        outer = land_top = meeting(top, land.line)
        land_bottom = meeting(land.line, bottom)
    return PreparedEdge(outside, inside, bevel, land, outer, land_top, land_bottom)


def _with_whole_bevels(points: Points, faces: tuple[Run, ...], outside: Line, detail: Detail) -> tuple[Run, ...]:
    """Return the faces of a member's end with the facets of a bevel in one: a square one passes for a land else."""
    whole: list[Run] = []
    index = 0
    while index < len(faces):
        first = faces[index]
        beyond = range(len(faces) - 1, index + 1, -1)
        sloping = _from_square_deg(outside, first.line) >= SQUARE_WITHIN_DEG
        last = next((far for far in beyond if sloping and _is_one_face(points, first, faces[far], detail)), index)
        whole.append(first if last == index else _one_run(points, first, faces[last]))
        index = last + 1
    return tuple(whole)


def _is_one_face(points: Points, first: Run, last: Run, detail: Detail) -> bool:
    """Tell whether two stretches of an outline lie on one line."""
    if abs(turn_deg(first.line, last.line)) > FACET_TURN_DEG:
        return False
    seen = points[np.concatenate([first.indices(len(points)), last.indices(len(points))])]
    return float(np.abs(total_least_squares(seen).offset(seen)).max()) < FACET_STEPS * detail.step_mm


def _one_run(points: Points, first: Run, last: Run) -> Run:
    stop = last.stop if last.stop >= first.start else last.stop + len(points)
    ends = points[first.start % len(points)], points[stop % len(points)]
    line = total_least_squares(points[np.arange(first.start, stop + 1) % len(points)])
    line = line if (ends[1] - ends[0]) @ line.direction > 0 else line.reversed()
    return Run(first.start, stop, line, float(np.hypot(*(ends[1] - ends[0]))), first.cut)


def _blunt_end(points: Points, tip: Points, outside: Line, bevel: Line, detail: Detail) -> LineFit | None:
    """Return the land of a bevel whose sharp edge ``tip`` is not there, None where blur tells all that is missing.

    It is too short to show as a straight piece: it is taken as square to the surface, through what reaches farthest
    into the gap. Without it the gap is told too narrow by what is missing of both tips.
    """
    away = np.hypot(*(points - tip).T)
    missing = float(away.min())
    blurs = TIP_BLURS + TIP_BLURS_RAD * math.radians(_from_square_deg(outside, bevel))
    if missing <= blurs * detail.blur_mm + (TIP_STEPS + BLUNT_STEPS) * detail.step_mm:
        return None
    near = points[away < 2.0 * missing]
    end = near[np.argmin(near @ outside.direction)]
    std = max(detail.noise_mm, PLACE_STD_STEPS * detail.step_mm)
    line = Line(float(end[0]), float(end[1]), -outside.dy, outside.dx)
    return LineFit(line, std, std, math.radians(SQUARE_STD_DEG), np.ones(1, bool))


def bevel_among(lengths: Sequence[float], square: Sequence[bool]) -> int | None:
    """Return which of the faces from a plate's surface to its root is the bevel: the first that goes down at a slope.

    A rounded edge may show as a face of its own before it; that is short beside the bevel.
    """
    sloping = [index for index, is_square in enumerate(square) if not is_square]
    least = LEAST_BEVEL_SHARE * max((lengths[index] for index in sloping), default=0.0)
    return next((index for index in sloping if lengths[index] >= least), None)


def land_top_of(points: Points, run: Run, bevel: LineFit, land: LineFit, detail: Detail, *, from_start: bool) -> Points:
    """Return where the land begins: at the bevel, or where it meets the floor or radius that lies between."""
    corner = meeting(bevel.line, land.line)
    end, step = (run.start, -1) if from_start else (run.stop, 1)
    seen = points[end % len(points)]
    if float(np.hypot(*(corner - seen))) < 0.15 * run.length + 0.15:
        return corner
    # The run ends before the blur rounds it; what follows the corner is straight for a little.
    skipped = ROUNDED_POINTS + math.ceil(2 * CLEAR_OF_BLUR * detail.blur_mm / detail.step_mm)
    count = max(LEAST_FLOOR_POINTS, round(FLOOR_MM / detail.step_mm))
    floor = total_least_squares(points[(end + step * np.arange(skipped, skipped + count)) % len(points)])
    met = intersection(floor, land.line)
    beyond = (skipped + 1) * detail.step_mm
    if met is not None and abs(turn_deg(land.line, floor)) % 180 > 30 and float(np.hypot(*(met - seen))) < beyond:
        return met
    return land.line.at(float(land.line.along(seen)))


def _from_square_deg(surface: Line, face: Line) -> float:
    return abs(abs(turn_deg(surface, face)) - 90.0)


def meeting(first: Line, second: Line) -> Points:
    """Return where two lines meet (2,), a point of the first where they are parallel."""
    point = intersection(first, second)
    return first.point if point is None else point
