"""Where the outline of a weld is no sharp edge of metal but follows a soft rim: of a shadow, a glare, a stain."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from core.geometry import Points, distance_to_segments
from vision.outline import Outline
from vision.section import Section

MOST_SOFT = 0.3
"""Share of a plate surface that may follow a soft rim; a plate of glare is soft all along."""

BESIDE_MM = 3.0
"""How far from a toe undercut is looked for."""

AT_TOE_MM, SOFT_TOE = 1.0, 0.2
"""So near a toe, and from this share of the face there on, the outline follows a soft rim to the toe: drawn sections on
plain grounds have none there, where an outline left the metal for a shadow 0.4 to 0.7 of it is soft."""

SOFT_FACE = 0.02
"""From this share of a face it runs round something for a while: a stain as dark as the ground, a glare."""

TOLD_SOFT = 0.02
"""Share of face and plates from which a soft rim is told."""

PREPARATION_MM, LEAST_SOFT_MM = 1.5, 0.25
"""So near the face of a prepared member a soft rim of this length at least may be what was taken for it."""

_SAMPLED = 60


@dataclass(frozen=True, slots=True)
class Softness:
    """How much of a weld's outline follows a soft rim, as shares of points.

    Attributes
    ----------
    plate
        Of the worse plate surface of the face side.
    all
        Of everything the section rests on.
    beside_left, beside_right
        Of the plate next to each toe of the face side.
    root_side
        Of the root side of a butt weld.
    at_left, at_right
        Of the face next to each toe.
    face
        Of the whole face.
    """

    plate: float
    all: float
    beside_left: float
    beside_right: float
    root_side: float
    at_left: float
    at_right: float
    face: float


def softness(section: Section, outlines: Sequence[tuple[Points, Outline]]) -> Softness | None:
    """Return where the outline of a weld is soft, None where it is nowhere.

    Parameters
    ----------
    outlines
        Points of each outline in mm, and the outline.
    """
    soft = np.vstack([each[o.soft] for each, o in outlines if o.soft is not None] or [np.empty((0, 2))])
    if section.face is None or len(soft) == 0:
        return None
    step = max(float(np.median(np.hypot(*np.diff(each[:200], axis=0).T))) for each, _ in outlines)

    def share(part: Points) -> float:
        some = part[:: max(1, len(part) // _SAMPLED)]
        if len(some) == 0:
            return 0.0
        away2 = np.square(some[:, None, 0] - soft[None, :, 0]) + np.square(some[:, None, 1] - soft[None, :, 1])
        return float(np.mean(away2.min(axis=1) < step**2))

    left, right = section.face.left.points, section.face.right.points
    beside = [share(plate[np.hypot(*(plate - plate[0]).T) < BESIDE_MM]) for plate in (left, right)]
    face = section.face.face
    at = [share(face[np.hypot(*(face - toe).T) < AT_TOE_MM]) for toe in (section.face.toe_left, section.face.toe_right)]
    root = section.root_side
    back = (
        0.0 if root is None else float(np.mean([share(root.face), share(root.left.points), share(root.right.points)]))
    )
    plates = [share(left), share(right)]
    of_face = share(face)
    everything = float(np.mean([*plates, of_face, back]))
    return Softness(max(plates), everything, beside[0], beside[1], back, at[0], at[1], of_face)


def soft_preparations(section: Section, outlines: Sequence[tuple[Points, Outline]]) -> list[str]:
    """Return the sides of a prepared joint, "left" and "right", whose face to the gap follows a soft rim somewhere.

    Parameters
    ----------
    outlines
        Points of each outline in mm, and the outline.
    """
    soft = np.vstack([each[o.soft & ~o.cut] for each, o in outlines if o.soft is not None] or [np.empty((0, 2))])
    if len(soft) == 0:
        return []
    step = max(float(np.median(np.hypot(*np.diff(each[:200], axis=0).T))) for each, _ in outlines)
    found = []
    for side, edge in (("left", section.edge_left), ("right", section.edge_right)):
        if edge is not None:
            way = np.array([edge.outer_corner, edge.land_top, edge.land_bottom])
            near = sum(distance_to_segments(point, way)[0] < PREPARATION_MM for point in soft)
            if near * step >= LEAST_SOFT_MM:
                found.append(side)
    return found
