"""Where hardly any edge is seen along an outline: a glare on the metal as bright as the ground, metal of its tone.

The outline runs along the limit of something else there, seldom along the metal's: what rests on it is not told.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from core.geometry import Points, distance
from vision.found import FoundWeld, flagged
from vision.ground_doubt import ROOT_SIDE
from vision.outline import Outline
from vision.section import Flag, PlateSurface, WeldSurface
from vision.untold_toe import OF_BOTH_TOES, of_toe

HARDLY, LONGEST_MM = 0.2, 0.25
"""Step across an outline over that across most of it, below which it is hardly an edge if it does not stand clear of
grain either, and length of a stretch of such points that is no chance: of 300 rendered pictures, a third of them on
rough grounds, those whose values were right had none longer than 0.1 mm beside a toe, the one whose outline followed a
glare 0.8 mm."""

BESIDE_MM = 2.0
"""A toe, and undercut, may lie so near such a stretch."""

NEAR_PLATE_MM, PIECE = 1.0, 0.5
"""So near such a stretch a plate's surface that is shorter than this share of the width of the face may be none: a
facet of the face that goes on behind a glare, or the rim of a stain. Its line tells nothing then."""

RAGGED, RAGGED_MM = 5.0, 0.05
"""The rim of a glare wanders about its line by so many times what the other plate's surface does, and by so much."""

OF_PLATES = (
    "joint_angle", "misalignment", "angular_misalignment", "thickness_left", "thickness_right", "penetration_left",
    "penetration_right", "root_penetration", "lack_of_root_fusion", "sidewall_fusion_left", "sidewall_fusion_right",
    "fused_area", "root_gap",
)  # fmt: skip

OF_FACE = tuple(name for name in OF_BOTH_TOES if name not in ("leg_difference", "face_width", "cap_width"))
INSIDE = ("weld_metal_area", "penetration_depth", "throat_with_penetration", "dilution", "pore_area_share")


def with_lost_edge(outlines: Sequence[tuple[Points, Outline]], weld: FoundWeld) -> FoundWeld:
    """Return a weld without the values for which hardly any edge is seen, told of if there are any.

    Parameters
    ----------
    outlines
        Points of each outline in mm, (N, 2), and the outline.
    """
    section = weld.section
    stretches = [stretch for points, outline in outlines for stretch in _stretches(points, outline)]
    if section.face is None or not stretches:
        return weld
    reason = "hardly any edge is seen {}: something as bright as the ground lies there, a glare or bright metal"
    unseen: dict[str, str] = {}
    for place, names in _places(section.face, stretches):
        unseen = {**dict.fromkeys(names, reason.format(place)), **unseen}
    for side in _doubtful_plates(section.face, stretches):
        other = "right" if side == "left" else "left"
        why = (
            f"what was taken for the {side} plate may be another thing: hardly any edge is seen beside it, at a glare "
            "or metal as bright as the ground"
        )
        # Its toe lies on its line, and the root where the two lines meet.
        unseen = {
            **dict.fromkeys((*OF_PLATES, *of_toe(side), f"leg_{other}", f"perpendicular_leg_{other}", *INSIDE), why),
            **unseen,
        }
    if section.root_side is not None and _places(section.root_side, stretches):
        unseen |= dict.fromkeys((*ROOT_SIDE, "root_misalignment"), reason.format("on the root side"))
    if not unseen:
        return weld
    text = (
        "along a part of the outline hardly any edge is seen, as at a glare as bright as the ground; change the light"
    )
    told = replace(weld, section=replace(section, unseen={**unseen, **section.unseen}))
    return flagged(told, Flag("edge_lost", text))


def _doubtful_plates(face: WeldSurface, stretches: Sequence[Points]) -> list[str]:
    """Return the sides of whose plate no more than a piece is seen, or a ragged rim, with a lost stretch at it."""
    width = distance(face.toe_left, face.toe_right)
    wander = {"left": _wander(face.left), "right": _wander(face.right)}
    found = []
    for side, plate in (("left", face.left), ("right", face.right)):
        long = float(np.ptp(plate.fit.line.along(plate.points))) if len(plate.points) else 0.0
        some = plate.points[:: max(1, len(plate.points) // 200)]
        ragged = wander[side] > max(RAGGED * min(wander.values()), RAGGED_MM)
        if (ragged or long < PIECE * width) and any(
            float(np.hypot(*(some[:, None] - stretch[None, ::4]).transpose(2, 0, 1)).min()) < NEAR_PLATE_MM
            for stretch in stretches
        ):
            found.append(side)
    return found


def _wander(plate: PlateSurface) -> float:
    """Return how far the points of a plate's surface usually lie off its line, mm."""
    return float(np.median(np.abs(plate.fit.line.offset(plate.points)))) if len(plate.points) else 0.0


def _places(face: WeldSurface, stretches: Sequence[Points]) -> list[tuple[str, tuple[str, ...]]]:
    found = []
    for side, toe in (("left", face.toe_left), ("right", face.toe_right)):
        if any(float(np.hypot(*(stretch - toe).T).min()) < BESIDE_MM for stretch in stretches):
            found.append((f"beside the {side} toe", (*of_toe(side), *INSIDE)))
    some = face.face[:: max(1, len(face.face) // 200)]
    near = distance(some[0], some[-1]) / 50
    for stretch in stretches:
        if float(np.hypot(*(some[:, None] - stretch[None, ::4]).transpose(2, 0, 1)).min()) < near:
            found.append(("on the face", (*OF_FACE, *INSIDE)))
            break
    return found


def _stretches(points: Points, outline: Outline) -> list[Points]:
    """Return the points of each stretch along which hardly any edge is seen, (M, 2) each."""
    if outline.steps is None or outline.cut.all():
        return []
    steps = np.abs(outline.steps)
    faint = (steps < HARDLY * float(np.median(steps[~outline.cut]))) & ~outline.cut
    if outline.seen is not None:
        faint &= ~outline.seen
    if outline.bridged_px is not None:
        faint &= outline.bridged_px <= 0
    if not faint.any() or faint.all():
        return []
    start = int(np.argmin(faint))
    ring, marked = np.roll(points, -start, axis=0), np.roll(faint, -start)
    step = float(np.median(np.hypot(*np.diff(ring, axis=0).T)))
    at = np.flatnonzero(marked)
    runs = np.split(at, np.flatnonzero(np.diff(at) > 1) + 1)
    return [ring[run] for run in runs if len(run) * step >= LONGEST_MM]
