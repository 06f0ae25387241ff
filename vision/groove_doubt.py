"""What a line or a profile from one side leaves open of a groove, and what it leaves less sure."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from core.geometry import Points, distance, step_lengths
from vision.groove_joint import SQUARE_WITHIN_DEG
from vision.member_ends import least_gap_mm
from vision.open_groove import OpenGroove
from vision.plate_line import NOISY_MM, Detail
from vision.runs import turn_deg
from vision.section import Flag, PreparedEdge

MOST_BEYOND_MM = 0.4
"""A surface that is seen so far beyond the corner with its face, towards the joint, has its corner elsewhere: what was
taken for the face is a radius or a land below it. Corners that a thick line rounds reach less far."""

LEAST_APART_MM, LEAST_APART_SHARE = 1.0, 0.12
"""Faces of one joint are prepared to about the same depth (common practice, no source): a larger difference, in mm and
as a share of the deeper, is told."""

MUCH_LONGER, OTHER_SLOPE_DEG = 1.4, 4.0
"""A part of a face so many times longer than what was taken for its bevel, at another slope, makes it one in parts."""

LEAST_DROPOUT_MM, WIDE_STEPS = 0.25, 6.0
"""Light is missing over a step along a surface that is longer than each of these: mm, usual steps."""

ASKEW = 0.05
"""A device looks at a groove from so far aside, as a tangent, at least where nobody has said more."""

SQUARE = Flag("square_edges_taken", "two surfaces and a gap are seen: taken for square edges, as a groove")


@dataclass(frozen=True, slots=True, eq=False)
class GrooveDoubt:
    """Names of values that are not seen, each with the reason; those less sure, each with its doubt; flags."""

    unseen: Mapping[str, str] = field(default_factory=dict)
    hidden: Mapping[str, float] = field(default_factory=dict)
    flags: tuple[Flag, ...] = ()


def doubt_of(
    points: Points, groove: OpenGroove, left: PreparedEdge | None, right: PreparedEdge | None, detail: Detail
) -> GrooveDoubt:
    """Return what an open profile (N, 2) leaves open of its groove."""
    unseen: dict[str, str] = {}
    hidden: dict[str, float] = {}
    if groove.end_right <= groove.end_left + 1 and detail.noise_mm > NOISY_MM:
        least = least_gap_mm(detail.step_mm)
        if distance(points[groove.end_right], points[groove.end_left]) < least:
            unseen["root_gap"] = f"no gap is seen at the root; one below {least:.1f} mm does not show in such points"
    ends = (("left", left, points[groove.outside_left.stop]), ("right", right, points[groove.outside_right.start]))
    for side, edge, end in ends:
        if edge is not None and _goes_on(edge, end):
            reason = f"the {side} face is not seen where the surface ends: what is seen below does not lead there"
            unseen |= dict.fromkeys((f"bevel_angle_{side}", "groove_angle"), reason)
    if bool(groove.faces_left) != bool(groove.faces_right):
        side = "left" if groove.faces_left else "right"
        if _behind_edge(points, groove, detail):
            unseen[f"preparation_depth_{side}"] = (
                f"the edge of the other plate may hide the lower part of the {side} face"
            )
    if groove.faces_left or groove.faces_right:
        return GrooveDoubt(
            unseen,
            hidden | _deeper(left, right, interrupted=_interrupted(points, groove, detail)),
            _told_apart(left, right) + _in_parts(groove, left, right),
        )
    reason = "no prepared face is seen, only the surfaces"
    unseen |= dict.fromkeys(("preparation_depth_left", "preparation_depth_right"), reason)
    chosen = groove.square_gap
    if chosen is not None and chosen.doubt is not None and left is not None and right is not None:
        unseen["root_gap"] = chosen.doubt
        hidden["misalignment"] = chosen.offset_doubt_mm(points, left.outside.line, right.outside.line)
    return GrooveDoubt(unseen, hidden, (SQUARE,))


def _in_parts(groove: OpenGroove, left: PreparedEdge | None, right: PreparedEdge | None) -> tuple[Flag, ...]:
    """Return a flag for each face of which a longer part goes down at another slope than what was taken for its bevel.

    A preparation may have two slopes (ASME B16.25, thick walls), or spatter sticks to it.
    """
    flags = []
    for side, edge, faces in (("left", left, groove.faces_left), ("right", right, groove.faces_right)):
        if edge is None or edge.bevel is None or len(faces) < 2:
            continue
        turns = [90.0 - abs(90.0 - abs(turn_deg(edge.bevel.line, run.line))) for run in faces]
        own = max((run.length for run, turn in zip(faces, turns, strict=True) if turn < OTHER_SLOPE_DEG / 2), default=0)
        longest, turn = max(zip(faces, turns, strict=True), key=lambda pair: pair[0].length)
        square = abs(abs(turn_deg(edge.outside.line, longest.line)) - 90.0) < SQUARE_WITHIN_DEG
        if not square and turn > OTHER_SLOPE_DEG and longest.length > MUCH_LONGER * own > 0:
            text = (
                f"the {side} face goes down in parts, {turn:.0f} degrees apart: its bevel angle is that of the upper "
                "one; two slopes may have been prepared, or spatter sticks to it"
            )
            flags.append(Flag("face_in_parts", text))
    return tuple(flags)


def _behind_edge(points: Points, groove: OpenGroove, detail: Detail) -> bool:
    """Tell whether the only face ends straight below the edge of the other plate, as seen from the air."""
    away = points[groove.end_right] - points[groove.end_left]
    return abs(float(away[0])) < max(least_gap_mm(detail.step_mm), ASKEW * abs(float(away[1])))


def _goes_on(edge: PreparedEdge, end: Points) -> bool:
    """Tell whether the surface was seen on beyond the corner with what was taken for its face."""
    if edge.bevel is None and edge.land is None:
        return False
    # The outside line leads away from the joint.
    beyond = edge.outside.line.along(edge.outer_corner) - edge.outside.line.along(end)
    return float(beyond) > MOST_BEYOND_MM


def _told_apart(left: PreparedEdge | None, right: PreparedEdge | None) -> tuple[Flag, ...]:
    faces = [edge is not None and edge.bevel is not None for edge in (left, right)]
    if faces.count(True) == 1:
        side = "left" if faces[0] else "right"
        text = f"only the {side} face is seen, which may go on where no light came back"
        return (Flag("face_ends_apart", text),)
    apart = _ends_apart_mm(left, right)
    if apart is None:
        return ()
    text = f"one face is seen to end {apart:.1f} mm deeper than the other, which may go on where no light came back"
    return (Flag("face_ends_apart", text),)


def _interrupted(points: Points, groove: OpenGroove, detail: Detail) -> bool:
    """Tell whether light is missing along the surfaces, where nothing hides any: on a face it may be missing, too."""
    least = max(LEAST_DROPOUT_MM, WIDE_STEPS * detail.step_mm)
    beside = (points[: groove.outside_left.stop + 1], points[groove.outside_right.start :])
    return any(float(step_lengths(part).max(initial=0.0)) > least for part in beside)


def _deeper(left: PreparedEdge | None, right: PreparedEdge | None, *, interrupted: bool) -> dict[str, float]:
    """Return what the face that ends higher leaves open, if it goes on as deep as the other: its depth, and the gap."""
    apart = _ends_apart_mm(left, right)
    if apart is None or left is None or right is None:
        return {}
    sides = {"left": left, "right": right}
    side = min(sides, key=lambda name: _depth_mm(sides[name]))
    edge = sides[side]
    # Light that breaks off at an end, and is bright up to it, did come back, unless it breaks off elsewhere, too.
    if edge.bevel is None or (edge.end_seen and not interrupted):
        return {}
    turn = math.radians(turn_deg(edge.outside.line, edge.bevel.line))
    narrower = apart * abs(math.cos(turn)) / max(abs(math.sin(turn)), 1e-6)
    return {f"preparation_depth_{side}": apart / math.sqrt(3.0), "root_gap": narrower / math.sqrt(3.0)}


def _depth_mm(edge: PreparedEdge) -> float:
    return abs(float(edge.outside.line.offset(edge.land_top)))


def _ends_apart_mm(left: PreparedEdge | None, right: PreparedEdge | None) -> float | None:
    """Return how much deeper one face ends than the other where that is much, None where not, or for one face.

    Light that does not come back from the end of a face looks like the end of it.
    """
    if left is None or right is None or left.bevel is None or right.bevel is None:
        return None
    depths = [_depth_mm(edge) for edge in (left, right)]
    apart = abs(depths[0] - depths[1])
    return apart if apart > max(LEAST_APART_MM, LEAST_APART_SHARE * max(depths)) else None
