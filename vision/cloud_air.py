"""On which side of a cloud the air is: a cloud does not say, so the joint does.

Short pieces of the seam are looked at from all sides in turn, and the side from which they show a joint is the air:
plates that open towards it with a weld between them, or a prepared groove. A butt weld may be a cap seen from the air
or a hollow seen through the metal; excess metal is the rule, so the cap is taken, and that is told.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from core.errors import NothingMeasurable
from core.geometry import Line, Points, rotate
from vision.cloud_profile import profile_of_slab
from vision.drawn_edge import EDGE_FILLED
from vision.find_profile import find_welds_in_profile
from vision.runs import turn_deg
from vision.section import Section
from vision.structure import JointChoice

VIEWS = 12
SCORES = {"tee": 3.0, "lap": 3.0, "groove": 3.0, "butt": 2.0}
HOLLOW_SCORE, INFERRED_SCORE, FEW_SHARE = 1.0, 2.95, 0.9
NEARLY = 0.8
UNEXPLAINED, ON_PLATE_MM = 0.3, 0.5
"""A view loses this share of its score when nothing of the profile belongs to the joint; what lies so far from the line
of a plate, beyond its toe, belongs to it."""

STEEP_DEG = 40.0
"""Faces of preparations go down more steeply than this, those of most caps less."""

SHALLOWEST_GROOVE, HIGHEST_CAP = 0.35, 0.4
"""A prepared groove is deeper than this share of its width, a cap no higher than this share of its own: of a hollow
shallower, and of a ridge higher, the other side is the air."""


@dataclass(frozen=True, slots=True)
class Air:
    """Direction of the air in a section, as an angle from its first axis, and how it was told.

    ``shown`` is how much of a joint the pieces show from there: 1 where each shows a whole one.
    """

    angle_rad: float
    how: str
    doubtful: bool
    shown: float = 1.0


def air_of(pieces: Sequence[Points], joint: JointChoice) -> Air:
    """Return where the air is in pieces of a cloud that are seen along the seam, each (N, 2).

    Raises
    ------
    NothingMeasurable
        When no side shows a joint.
    """
    views = []
    for view in range(VIEWS):
        turn = 2 * math.pi * view / VIEWS
        score, up, kinds = 0.0, np.zeros(2), []
        for piece in pieces:
            found = look(rotate(piece, math.pi / 2 - turn), joint)
            if found is not None:
                value, direction, kind = found
                score += value
                up = up + value * rotate(direction[None], turn - math.pi / 2)[0]
                kinds.append(kind)
        if score > 0:
            up = up / max(float(np.hypot(*up)), 1e-12)
            # From far aside the rims of a joint hide a part of it; in the view nearest to its own up little is lost.
            straight = max(float(up @ np.array([math.cos(turn), math.sin(turn)])), 0.0)
            views.append((score * straight, up, max(set(kinds), key=kinds.count), score))
    if not views:
        wanted = "joint" if joint == "auto" else f"{joint} joint"
        raise NothingMeasurable(
            f"no {wanted} was recognised in the cloud from any side: give the seam's direction with --along and the "
            "side of the air with --air"
        )
    best = max(views, key=lambda view: view[0])
    # Views from nearly the same side see the same joint: together they say where its middle is.
    agreed = sum((score * up for _, up, kind, score in views if up @ best[1] > 0.9 and kind == best[2]), np.zeros(2))
    others = [(score, kind) for score, up, kind, _ in views if up @ best[1] < 0.3]
    other = max(others, default=(0.0, ""))
    kind = best[2]
    how = {
        "butt": "the weld rises on this side",
        "hollow": "the weld is hollow on this side",
        "groove": "the groove opens to this side",
    }.get(kind, "the plates open to this side")
    # What is deep enough for a groove from one side and low enough for a cap from the other may be either.
    doubtful = other[0] > NEARLY * best[0] or {kind, other[1]} == {"groove", "butt"}
    shown = best[3] / (len(pieces) * SCORES.get(kind, SCORES["butt"]))
    return Air(math.atan2(float(agreed[1]), float(agreed[0])), how, doubtful, shown)


def look(piece: Points, joint: JointChoice) -> tuple[float, NDArray[np.float64], str] | None:
    """Return how much of a joint a view shows, the weld's own up, and the kind."""
    slab = profile_of_slab(piece)
    if slab is None:
        return None
    try:
        found = find_welds_in_profile(slab.profile, joint=joint)
    except NothingMeasurable:
        return None
    if not found.welds:
        return None
    section = found.welds[0].section
    kind = str(section.joint)
    if any(flag.code == EDGE_FILLED for flag in section.flags):
        # It looks the same from the other side, where its hollows are bumps.
        return None
    if (kind == "butt" and not is_cap(section)) or (kind == "groove" and not is_preparation(section)):
        kind = "hollow"
    # A bevelled edge over a bench, seen through the metal, looks like a lap whose edge is not seen.
    inferred = section.face is not None and bool(section.face.inferred)
    score = INFERRED_SCORE if inferred else SCORES.get(kind, HOLLOW_SCORE)
    if any(flag.code == "few_plate_points" for flag in section.flags):
        score *= FEW_SHARE
    score *= slab.used / (slab.used + slab.left_out)
    score *= 1.0 - UNEXPLAINED * (1.0 - _explained(section, slab.profile.points_mm))
    return score, up_of(section), kind


def _explained(section: Section, points: Points) -> float:
    """Return the share of a profile that lies on the plates of a weld or between its toes.

    It is all of it for a groove or a lap. A groove seen through the metal may pass for the corner of one plate and one
    bevel; the other half is left over.
    """
    face = section.face
    # Of a lap the upper plate's surface, which tells it, is neither plate, and a bench may lie beyond the lower one.
    if face is None or section.joint == "lap":
        return 1.0
    explained = np.zeros(len(points), bool)
    for plate in (face.left, face.right):
        line = plate.fit.line
        explained |= (np.abs(line.offset(points)) < ON_PLATE_MM) & (line.along(points) > line.along(plate.points[0]))
    first, last = (int(np.argmin(np.hypot(*(points - toe).T))) for toe in (face.toe_left, face.toe_right))
    explained[min(first, last) : max(first, last) + 1] = True
    return float(explained.mean())


def is_cap(section: Section) -> bool:
    """Tell whether a butt weld's face rises over its toes, and by no more than a cap does.

    It does so along most of its width: a hollow between two narrow ridges is a low cap beside whose toes there is
    undercut, seen through the metal.
    """
    face = section.face
    if face is None:
        return False
    chord = face.toe_right - face.toe_left
    offset = (face.face - face.toe_left) @ np.array([-chord[1], chord[0]])
    return bool(offset.mean() > 0 and -offset.min() < offset.max() < HIGHEST_CAP * float(chord @ chord))


def is_preparation(section: Section) -> bool:
    """Tell whether a groove has faces of a preparation: a cap seen through the metal is shallow, its faces gentle."""
    edges = [edge for edge in (section.edge_left, section.edge_right) if edge is not None]
    turns = [
        abs(turn_deg(edge.outside.line, face.line))
        for edge in edges
        for face in (edge.bevel, edge.land)
        if face is not None
    ]
    if not turns or max(min(turn, 180.0 - turn) for turn in turns) <= STEEP_DEG:
        return False
    if len(edges) < 2:
        return True
    chord = Line.through(edges[0].outer_corner, edges[1].outer_corner)
    depth = max(abs(float(chord.offset(edge.land_bottom))) for edge in edges)
    return depth > SHALLOWEST_GROOVE * math.dist(edges[0].outer_corner, edges[1].outer_corner)


def up_of(section: Section) -> NDArray[np.float64]:
    """Return the middle between both plates' normals into the air, a unit vector; straight up without plates."""
    if section.face is not None:
        left, right = section.face.left.fit.line, section.face.right.fit.line
        up = right.normal - left.normal
    else:
        edges = [
            sign * edge.outside.line.normal
            for sign, edge in ((-1.0, section.edge_left), (1.0, section.edge_right))
            if edge is not None
        ]
        up = np.sum(edges, axis=0) if edges else np.array([0.0, 1.0])
    length = float(np.hypot(*up))
    return np.asarray(up / length) if length > 0 else np.array([0.0, 1.0])
