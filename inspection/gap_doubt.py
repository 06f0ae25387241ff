"""What missing points leave open of a weld: in a laser line, a profile from a file, a section of a cloud."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from core.geometry import Line, Points, distance_to_segments
from measurement.uncertainty import combined
from vision.face_gap import bridged
from vision.profile import Gap, Profile
from vision.section import Flag, WeldSurface

if TYPE_CHECKING:
    from vision.found import FoundWeld, FoundWelds

OF_AN_UNDERCUT = ("undercut", "undercut_width")
OF_A_TOE = (*OF_AN_UNDERCUT, "toe_radius", "toe_angle", "overlap")
OF_A_FACE = (
    "throat", "size", "design_throat", "convexity", "concavity",
    "reinforcement", "reinforcement_from_left", "reinforcement_from_right", "underfill",
)  # fmt: skip
BESIDE_MM = 3.0
"""An undercut lies within so much of its toe."""

HOLLOW_MM = 0.05
LONGEST_WALL = 2.0
"""A gap is the outer wall of a hollow while it is no longer than so much of what is seen of the hollow."""

MOST_DEEPER = 0.2
"""A hollow that would go deeper in a gap by more than this share of what is seen is not measured."""

MOST_BELOW_RIM = 0.7
"""The same where only the rim above the gap says how far the hollow can go on; its interval is as wide then."""

TANGENT_POINTS = 6
LEAST_GAP_MM = 0.3
FEWEST_BEFORE, SAME_MM = 2, 1e-6
"""A face with no more points than these before a gap begins there; points of a face are those of its profile."""

NEAR_TOE_MM = 0.25


def with_gaps(found: FoundWelds, profile: Profile, shared: tuple[Flag, ...] = ()) -> FoundWelds:
    """Return welds with what the gaps of their open profile leave open, and with flags that all of them share."""
    # On a pipe the welds were found on the unrolled profile: its points are those of the outline.
    seen = found.seen or replace(profile, points_mm=found.outline_mm[0])
    return replace(found, welds=tuple(_with_gaps(weld, seen, shared) for weld in found.welds))


def _with_gaps(weld: FoundWeld, profile: Profile, shared: tuple[Flag, ...]) -> FoundWeld:
    """Say where points are missing in a weld; a toe beside missing points is known no better than they are wide."""
    section = weld.section
    flags = list(shared)
    unseen = dict(section.unseen)
    hidden = dict(section.hidden)
    face = section.face
    if face is not None:
        for gap, ends in _inner_gaps(profile):
            wide = gap.length_mm > LEAST_GAP_MM
            near = [
                side
                for side in ("left", "right")
                # Where a plate is not seen at all, its toe was placed with what is missing in mind.
                if wide
                and side not in face.inferred
                and (_beside(getattr(face, f"toe_{side}"), ends, profile.points_mm) or _begins(face.face, side, ends))
            ]
            for side in near:
                more = gap.length_mm / math.sqrt(12.0)
                if side == "left":
                    face = replace(face, toe_std_left=math.hypot(face.toe_std_left, more))
                else:
                    face = replace(face, toe_std_right=math.hypot(face.toe_std_right, more))
                text = f"{gap.length_mm:.1f} mm are missing at the {side} toe: {gap.reason}"
                flags.append(Flag("gap_at_toe", text))
                unseen |= {f"{name}_{side}": f"{text}; it may lie there" for name in OF_A_TOE}
            for side, doubt_mm in _hollow_beside(face, ends):
                if side in face.inferred:
                    continue
                if doubt_mm is None:
                    reason = f"{gap.length_mm:.1f} mm of the groove beside the toe are missing: {gap.reason}"
                    unseen |= {f"{name}_{side}": reason for name in OF_AN_UNDERCUT}
                else:
                    width_mm = gap.length_mm / math.sqrt(12.0)
                    hidden = combined(hidden, {f"undercut_{side}": doubt_mm, f"undercut_width_{side}": width_mm})
            if wide and not near and _in_face(face, ends):
                flags.append(Flag("gap_in_face", f"{gap.length_mm:.1f} mm are missing in the face: {gap.reason}"))
                face, doubts = _over_gap(face, ends)
                hidden = combined(hidden, doubts)
        section = replace(section, face=face, unseen=unseen, hidden=hidden)
    if not flags and not unseen and not hidden:
        return weld
    section = replace(section, flags=(*section.flags, *flags))
    return replace(weld, section=section)


def _inner_gaps(profile: Profile) -> Iterator[tuple[Gap, Points]]:
    """Yield the gaps between points, with the two points at their rims, (2, 2)."""
    for gap in profile.gaps:
        if 0 <= gap.after < len(profile.points_mm) - 1:
            yield gap, profile.points_mm[gap.after : gap.after + 2]


def _beside(toe: Points, ends: Points, points: Points) -> bool:
    """Tell whether a toe lies beside a gap, or between its rims where no point was seen: there it is a guess."""
    if distance_to_segments(toe, ends)[0] < NEAR_TOE_MM:
        return True
    within = float(np.hypot(*(toe - ends.mean(axis=0)))) < 0.5 * float(np.hypot(*(ends[1] - ends[0])))
    return within and float(np.hypot(*(points - toe).T).min()) > NEAR_TOE_MM


def _begins(face: Points, side: str, ends: Points) -> bool:
    """Tell whether a face begins with a gap, but for a stray point or two: its toe is told from beyond the gap."""
    first = face[1 : 2 + FEWEST_BEFORE] if side == "left" else face[-2 : -3 - FEWEST_BEFORE : -1]
    rim, beyond = ends if side == "left" else ends[::-1]
    at = np.flatnonzero(np.hypot(*(first - beyond).T) < SAME_MM)
    return bool(len(at)) and bool((np.hypot(*(first[: at[0]] - rim).T) < SAME_MM).any())


def _hollow_beside(face: WeldSurface, ends: Points) -> list[tuple[str, float | None]]:
    """Return the sides on which a gap begins or ends in a hollow beside the toe, below the plate's surface.

    With each goes how much deeper the hollow may be in the gap, as a standard uncertainty in mm: little where the gap
    is no more than the outer wall, in the shadow of the line or of the camera; None where nothing can be said.
    """
    sides: list[tuple[str, float | None]] = []
    for side, plate, toe in (("left", face.left, face.toe_left), ("right", face.right, face.toe_right)):
        line = plate.fit.line
        start = float(line.along(toe))
        away = line.along(ends) - start
        # The line leads away from the weld: air lies to its left on the right plate and to its right on the left one.
        down = 1.0 if side == "left" else -1.0
        below = line.offset(ends) * down
        # Beyond the end of a plate lies what it stands on: no hollow of the weld, though it may lie below its toe.
        if float(np.hypot(*(ends - toe).T).min()) > 2 * BESIDE_MM:
            continue
        if bool((away > -NEAR_TOE_MM).any() and away.min() < BESIDE_MM and below.max() > HOLLOW_MM):
            inner, outer = (int(index) for index in np.argsort(away))
            doubt = None
            if below[outer] < HOLLOW_MM and away[outer] - away[inner] < LONGEST_WALL * away[inner]:
                along = line.along(plate.points) - start
                seen = (along > 0) & (along <= away[inner])
                depth = line.offset(plate.points[seen]) * down
                doubt = _deeper_in_gap(along[seen], depth, float(away[outer]))
                if doubt is None:
                    doubt = _deeper_below_rim(plate.points[seen], ends[inner], ends[outer], line, down)
            sides.append((side, doubt))
    return sides


def _deeper_in_gap(along: NDArray[np.float64], depth: NDArray[np.float64], end: float) -> float | None:
    """Return how much deeper a hollow may go on between its last point and the end of a gap, None if by much.

    The parabola through the last half of what is seen says how it goes on.
    """
    if len(along) < 8:
        return None
    last = along > 0.5 * along[-1]
    if np.count_nonzero(last) < 4:
        return None
    bend, slope, height = np.polyfit(along[last] - along[-1], depth[last], 2)
    deepest = max(float(np.convolve(depth, np.full(3, 1 / 3), mode="valid").max()), float(height))
    reach = end - float(along[-1])
    if bend >= 0 and slope > 0:
        return None
    turn = min(max(-slope / (2 * bend), 0.0), reach) if bend < 0 else 0.0
    deeper = float(height + slope * turn + bend * turn**2) - deepest
    return None if deeper > MOST_DEEPER * deepest else max(deeper, 0.0) / math.sqrt(3.0)


def _deeper_below_rim(seen: Points, last: Points, rim: Points, line: Line, down: float) -> float | None:
    """Return how much deeper a hollow may be below the rim that hides its outer wall, None if by much.

    Line, camera and scanner look down on the surface: what a rim hides lies below it. The hollow's floor goes on at
    most as it was last seen to, until it is below the rim.

    Parameters
    ----------
    seen
        (N, 2) points of the hollow, the air above.
    last, rim
        The points on both sides of the gap.
    line, down
        Of the plate; what the sign of a depth below it is.
    """
    if len(seen) < TANGENT_POINTS:
        return None
    floor = seen[np.argsort(np.hypot(*(seen - last).T))[:TANGENT_POINTS]]
    way = last - floor.mean(axis=0)
    across = float(rim[0] - last[0])
    if way[0] * across <= 0:
        return None
    deepest = float((line.offset(seen) * down).max())
    below = last + way * (across / way[0])
    deeper = float(line.offset(below)) * down - deepest
    return None if deeper > MOST_BELOW_RIM * deepest else max(deeper, 0.0) / math.sqrt(3.0)


def _over_gap(face: WeldSurface, ends: Points) -> tuple[WeldSurface, dict[str, float]]:
    """Return a face with a bridge over its gap, and how much less sure that leaves its heights and its area."""
    found = bridged(face.face, ends)
    if found is None:
        return face, {}
    points, std_mm = found
    doubts = dict.fromkeys(OF_A_FACE, std_mm)
    # the bridge is a parabola, whose mean height is two thirds of its greatest
    doubts["weld_area"] = std_mm * float(np.hypot(*(ends[1] - ends[0]))) * 2 / 3
    return replace(face, face=points), doubts


def _in_face(face: WeldSurface, ends: Points) -> bool:
    chord = face.toe_right - face.toe_left
    share = (ends - face.toe_left) @ chord / float(chord @ chord)
    return bool(share.min() > 0.0 and share.max() < 1.0)
