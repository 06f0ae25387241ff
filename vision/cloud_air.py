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
from core.geometry import Points, rotate
from vision.cloud_profile import profile_of_slab
from vision.find import JointChoice, find_welds_in_profile
from vision.runs import turn_deg
from vision.section import Section

VIEWS = 12
SCORES = {"tee": 3.0, "lap": 3.0, "groove": 3.0, "butt": 2.0}
HOLLOW_SCORE = 1.0
NEARLY = 0.8
STEEP_DEG = 40.0
"""Faces of preparations go down more steeply than this, faces of caps less."""


@dataclass(frozen=True, slots=True)
class Air:
    """Direction of the air in a section, as an angle from its first axis, and how it was told."""

    angle_rad: float
    how: str
    doubtful: bool


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
            found = _look(rotate(piece, math.pi / 2 - turn), joint)
            if found is not None:
                value, direction, kind = found
                score += value
                up = up + value * rotate(direction[None], turn - math.pi / 2)[0]
                kinds.append(kind)
        if score > 0:
            views.append((score, up / max(float(np.hypot(*up)), 1e-12), max(set(kinds), key=kinds.count)))
    if not views:
        wanted = "joint" if joint == "auto" else f"{joint} joint"
        raise NothingMeasurable(
            f"no {wanted} was recognised in the cloud from any side: give the seam's direction with --seam and the "
            "side of the air with --air"
        )
    best = max(views, key=lambda view: view[0])
    # Views from nearly the same side see the same joint: together they say where its middle is.
    agreed = sum((score * up for score, up, kind in views if up @ best[1] > 0.9 and kind == best[2]), np.zeros(2))
    other = max((score for score, up, _ in views if up @ best[1] < 0.3), default=0.0)
    kind = best[2]
    how = {
        "butt": "the weld rises on this side",
        "hollow": "the weld is hollow on this side",
        "groove": "the groove opens to this side",
    }.get(kind, "the plates open to this side")
    return Air(math.atan2(float(agreed[1]), float(agreed[0])), how, other > NEARLY * best[0])


def _look(piece: Points, joint: JointChoice) -> tuple[float, NDArray[np.float64], str] | None:
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
    if (kind == "butt" and not _rises(section)) or (kind == "groove" and not _steep(section)):
        kind = "hollow"
    score = SCORES.get(kind, HOLLOW_SCORE) * slab.used / (slab.used + slab.left_out)
    return score, up_of(section), kind


def _rises(section: Section) -> bool:
    face = section.face
    if face is None:
        return False
    chord = face.toe_right - face.toe_left
    offset = (face.face - face.toe_left) @ np.array([-chord[1], chord[0]])
    return bool(offset.max() > -offset.min())


def _steep(section: Section) -> bool:
    """Tell whether a groove's faces are those of a preparation: a cap seen through the metal has gentle ones."""
    turns = [
        abs(turn_deg(edge.outside.line, face.line))
        for edge in (section.edge_left, section.edge_right)
        if edge is not None
        for face in (edge.bevel, edge.land)
        if face is not None
    ]
    return bool(turns) and max(min(turn, 180.0 - turn) for turn in turns) > STEEP_DEG


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
