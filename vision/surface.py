"""A welded surface between two plate runs: plate lines, toes and face."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from core.fitting import LineFit
from core.geometry import Line, Points, distance, distance_to_segments, step_lengths
from vision.face_toe import Toe, clear_of, find_toe
from vision.plate_line import Detail, fit_plate
from vision.runs import Run
from vision.section import Flag, PlateSurface, WeldSurface
from vision.untold_toe import FEWEST_PLATE_POINTS, SHORTEST_PLATE_MM, flags_for, stand_in

UNTOLD_SHARE = 0.5
"""A toe that is known no better than to this share of the chord (standard uncertainty) cannot be told."""

WALL_MM = 0.3
"""The inner wall of an undercut leans no farther into the weld than this."""

CREST_BLURS = 3.0
"""The crest between an undercut and the face is rounded over so many deviations of the edge spread."""

OFF_LINE_MM, OFF_LINE_BLURS, OFF_LINE_TIMES = 0.25, 1.5, 2.0
"""A toe that lies so far, in mm and in deviations of the edge spread, from each point of a laser line is none that the
line shows: other light draws the face aside that leads to it, or that is no face. It is known no better than so many
times how far (in spoiled drawn frames such toes were wrong by one to seven times that, each of nine; blur and a radius
keep the points of a corner within 0.2 mm of it)."""

GAP_STEPS = 6.0
"""Points so many usual steps apart, and farther than is asked of a toe, leave a gap, in which a toe may lie."""

FACET_POINTS, FACET_DEG = 40, 4.0
"""A plate of fewer points that the face leaves more gently is a facet of that: of the plate itself nothing is seen."""

MIRROR = np.array([-1.0, 1.0])


@dataclass(frozen=True, slots=True, eq=False)
class Traced:
    """A welded surface and the doubts about its toes."""

    surface: WeldSurface
    flags: tuple[Flag, ...]


def trace_surface(
    points: Points, first: Run, second: Run, detail: Detail, *, face_sign: int, most_untold: int = 0
) -> Traced | None:
    """Find toes and face between two plate runs of an outline that runs first, face, second.

    Parameters
    ----------
    points
        (N, 2) outline, air to the left of its direction.
    face_sign
        +1 where the face rises into the air beyond the plate lines (fillet, cap), -1 where it falls
        below them, 0 to accept either.
    most_untold
        How many toes need not be told from their plate.

    Returns
    -------
    None where more toes than these cannot be told.
    """
    count = len(points)
    fit_first, plate_first = fit_plate(points, first, detail, toe_at_stop=True)
    fit_second, plate_second = fit_plate(points, second, detail, toe_at_stop=False)
    # Path from well inside the first plate to well inside the second.
    reach = max(8, min(len(plate_first), len(plate_second)) // 2)
    back_first = min(len(plate_first) - 1, max(reach, round(4.0 / detail.step_mm)))
    back_second = min(len(plate_second) - 1, max(reach, round(4.0 / detail.step_mm)))
    stop = second.start if second.start > first.stop else second.start + count
    path = points[np.arange(first.stop - back_first, stop + back_second + 1) % count]
    towards = fit_first.line.reversed()
    # The other toe on the mirrored path, so that one piece of code serves both.
    mirrored = path[::-1] * MIRROR
    line = fit_second.line
    line_mirrored = Line(-line.x, line.y, line.dx, -line.dy)
    last = len(path) - 1
    ways = {
        "left": (path, towards, (back_first, last - back_second)),
        "right": (mirrored, line_mirrored, (back_second, last - back_first)),
    }
    found = {
        side: find_toe(way, line, fit, detail, face_sign, ends)
        for (side, (way, line, ends)), fit in zip(ways.items(), (fit_first, fit_second), strict=True)
    }
    toes = {side: toe or _stand_in(*ways[side]) for side, toe in found.items()}
    if detail.alone:
        toes = {side: on_line(toe, ways[side][0], detail) for side, toe in toes.items()}
    chord = distance(toes["right"].point * MIRROR, toes["left"].point)
    untold = frozenset(
        side for side, toe in toes.items() if found[side] is None or toe.std_along > UNTOLD_SHARE * chord
    )
    plates = {"left": (first, fit_first), "right": (second, fit_second)}
    if len(untold) > most_untold or not all(_well_seen(*plates[side]) for side in untold):
        return None
    toes |= {side: _stand_in(*ways[side]) for side in untold}
    if detail.alone and any(_is_facet(plates[side][1], toe) for side, toe in found.items() if toe is not None):
        return None
    toe_left, toe_right = toes["left"], toes["right"]
    right_point = toe_right.point * MIRROR
    right_index = last - toe_right.face_index
    if right_index - toe_left.face_index < 4:
        return None
    passed = {side: _in_groove(*ways[side][:2], toe, detail) for side, toe in toes.items()}
    if right_index - toe_left.face_index - sum(passed.values()) < 4:
        passed = dict.fromkeys(passed, 0)
    face = path[toe_left.face_index + passed["left"] : right_index + 1 - passed["right"]]
    least = clear_of(detail)
    lobes = (towards.offset(face) > least, fit_second.line.offset(face) > least)
    face = _between(face, toe_left.point, right_point, lobes)
    flags = tuple(
        Flag("toe_ambiguous", f"the {side} toe is doubtful: {toe.flag}")
        for side, toe in (("left", toe_left), ("right", toe_right))
        if toe.flag is not None
    )
    surface = WeldSurface(
        PlateSurface(fit_first, _outwards(path[: toe_left.face_index][::-1], plate_first, toe_left.point, fit_first)),
        PlateSurface(fit_second, _outwards(path[right_index + 1 :], plate_second, right_point, fit_second)),
        toe_left.point,
        right_point,
        face,
        toe_left.std_along,
        toe_right.std_along,
        untold=untold,
    )
    return Traced(surface, flags + tuple(flags_for(untold)))


def _stand_in(path: Points, towards: Line, ends: tuple[int, int]) -> Toe:
    """Return what stands in for a toe on a path from one plate to the other, which end and begin at these indices."""
    point, std = stand_in(towards, path[ends[0]], path[ends[1]])
    return Toe(point, std, ends[0], None)


def on_line(toe: Toe, path: Points, detail: Detail) -> Toe:
    """Return a toe, less sure where it lies beside the points of a laser line and in no gap between them."""
    least = max(OFF_LINE_MM, OFF_LINE_BLURS * detail.blur_mm)
    off = float(np.hypot(*(path - toe.point).T).min())
    if off < least:
        return toe
    gaps = np.flatnonzero(step_lengths(path) > max(GAP_STEPS * detail.step_mm, least))
    if any(_over(path[after : after + 2], toe.point, least) for after in gaps.tolist()):
        return toe
    return replace(toe, std_along=float(np.hypot(toe.std_along, OFF_LINE_TIMES * off)))


def _over(gap: Points, toe: Points, near: float) -> bool:
    """Tell whether a toe lies over a gap between two points (2, 2), or near the way from one to the other."""
    middle, half = gap.mean(axis=0), 0.5 * distance(gap[1], gap[0])
    return distance(toe, middle) < half or distance_to_segments(toe, gap)[0] < near


def _well_seen(plate: Run, fit: LineFit) -> bool:
    return plate.length >= SHORTEST_PLATE_MM and int(np.count_nonzero(fit.inliers)) >= FEWEST_PLATE_POINTS


def _is_facet(fit: LineFit, toe: Toe) -> bool:
    """Tell whether what passes for a plate of a frame is a piece of the face: short, and the face goes over into it."""
    return int(np.count_nonzero(fit.inliers)) < FACET_POINTS and toe.slope_deg < FACET_DEG


def _in_groove(path: Points, towards: Line, toe: Toe, detail: Detail) -> int:
    """Return how many points of a face, from its toe on, belong to the crest between it and an undercut.

    Blur lets the inner wall lean into the weld and rounds the crest; the face rises from the plate just behind it.
    """
    near = max(1, round(WALL_MM / detail.step_mm))
    before = min(near, toe.face_index)
    above = towards.offset(path[toe.face_index - before : toe.face_index + 2 * near])
    low = np.flatnonzero(above[: before + near] < -clear_of(detail))
    if not len(low):
        return 0
    behind = int(low[-1]) + 1
    if not (above[behind : behind + near] > 0).any():
        return 0
    away = path[toe.face_index : toe.face_index + near] - toe.point
    rounded = np.flatnonzero(np.hypot(away[:, 0], away[:, 1]) < CREST_BLURS * detail.blur_mm)
    return max(behind - before, int(rounded[-1]) + 1 if len(rounded) else 0)


def _between(face: Points, left: Points, right: Points, lobes: tuple[NDArray[np.bool_], NDArray[np.bool_]]) -> Points:
    """Put the toes at the ends of the face, dropping points that lie outside them along the chord.

    What runs out over a plate, clear of it (``lobes``, (N,) each for the left and the right one), belongs to the face.
    """
    chord = right - left
    length2 = float(chord @ chord)
    share = (face - left) @ chord / length2
    margin = 1e-6
    third = len(face) // 3
    keep = np.ones(len(face), bool)
    keep[:third] = (share[:third] > margin) | lobes[0][:third]
    keep[len(face) - third :] = (share[len(face) - third :] < 1 - margin) | lobes[1][len(face) - third :]
    return np.vstack([left, face[keep], right])


def _outwards(path: Points, plate: Points, toe: Points, fit: LineFit) -> Points:
    """Return profile points of one plate from the toe outwards: the path near the toe, then the run."""
    along_path = fit.line.along(path) - float(fit.line.along(toe))
    near = path[along_path > 0]
    if len(near) == 0:
        return plate
    reach = float(fit.line.along(near[-1]))
    far = plate[fit.line.along(plate) > reach]
    return np.vstack([near, far])
