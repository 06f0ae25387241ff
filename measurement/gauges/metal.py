"""The metal a gauge meets: one polyline with the air on its left, from the plates, the face and what lies on them.

Plates go on straight beyond what the picture shows, along their fitted lines: a gauge is longer than most pictures.
The edge of a lapped plate does not: it ends at its rim.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from core.geometry import Line, Points
from vision.section import PlateSurface, PreparedEdge, WeldSurface

BEYOND_MM = 150.0


@dataclass(frozen=True, slots=True, eq=False)
class Metal:
    """A welded surface as gauges meet it.

    Attributes
    ----------
    left, right
        Plate lines, leading away from the weld.
    toe_left, toe_right
        The toes, (2,).
    plate_left, plate_right
        (N, 2), what lies on each plate, from its toe outwards.
    seen_left, seen_right
        How far each plate is seen, mm along its line from the toe.
    reach_left, reach_right
        How far each plate goes on, mm along its line from the toe.
    """

    left: Line
    right: Line
    toe_left: Points
    toe_right: Points
    face: Points
    plate_left: Points
    plate_right: Points
    seen_left: float
    seen_right: float
    reach_left: float = BEYOND_MM
    reach_right: float = BEYOND_MM

    @property
    def points(self) -> Points:
        """(N, 2) from the far left to the far right, air on the left of the way."""
        return np.vstack([self.plate_left[::-1], self.face, self.plate_right])

    @property
    def out_left(self) -> Points:
        """Unit normal of the left plate, into the air."""
        return np.asarray(-self.left.normal)

    @property
    def out_right(self) -> Points:
        """Unit normal of the right plate, into the air."""
        return np.asarray(self.right.normal)

    def beyond_sight(self, contacts: Points) -> bool:
        """Tell whether a gauge touches a plate where it is only taken to go on straight."""
        for line, toe, seen in (
            (self.left, self.toe_left, self.seen_left),
            (self.right, self.toe_right, self.seen_right),
        ):
            off = np.abs(line.offset(contacts)) < 0.05
            if np.any(off & (line.along(contacts) - float(line.along(toe)) > seen + 0.05)):
                return True
        return False

    @property
    def clean(self) -> Metal:
        """The same weld between plates that are straight: no spatter, no undercut, no roughness."""
        straight = [
            line.at(float(line.along(toe))) + np.array([[0.0], [reach]]) * line.direction
            for line, toe, reach in (
                (self.left, self.toe_left, self.reach_left),
                (self.right, self.toe_right, self.reach_right),
            )
        ]
        return replace(self, plate_left=straight[0], plate_right=straight[1])


def metal_of(surface: WeldSurface, *, air: int = 1, lap: bool = False) -> Metal:
    """Return the metal of a welded surface.

    Parameters
    ----------
    air
        -1 for the root side, whose left and right change places.
    lap
        The plate that is seen less far is the edge of a lapped plate, and ends where it is seen to end.
    """
    first, second = (surface.left, surface.toe_left), (surface.right, surface.toe_right)
    face = surface.face
    if air < 0:
        first, second, face = second, first, face[::-1]
    left, seen_left = _plate(*first)
    right, seen_right = _plate(*second)
    reach = [BEYOND_MM, BEYOND_MM]
    if lap and seen_left < seen_right:
        left, reach[0] = left[:-1], max(seen_left, 0.0)
    elif lap:
        right, reach[1] = right[:-1], max(seen_right, 0.0)
    return Metal(
        first[0].fit.line, second[0].fit.line, first[1], second[1], face, left, right, seen_left, seen_right, *reach
    )


def _plate(plate: PlateSurface, toe: Points) -> tuple[Points, float]:
    """Return a plate's points away from the weld, gone on straight, and how far it is seen from the toe."""
    line, fit = plate.fit.line, plate.fit
    start = float(line.along(toe))
    along = line.along(plate.points) if len(plate.points) else np.array([start])
    carrying = along[fit.inliers] if len(fit.inliers) == len(along) and fit.inliers.any() else along
    end = float(carrying.max())
    seen = plate.points[along <= end] if len(plate.points) else np.empty((0, 2))
    return np.vstack([seen, line.at(end), line.at(start + BEYOND_MM)]), end - start


def member_points(edge: PreparedEdge) -> Points | None:
    """Return a member of a groove from far outside over its corners to far inside, (5, 2), None without inside."""
    if edge.inside is None:
        return None
    outside, inside = edge.outside.line, edge.inside.line
    far_outside = outside.at(float(outside.along(edge.outer_corner)) + BEYOND_MM)
    far_inside = inside.at(float(inside.along(edge.land_bottom)) + BEYOND_MM)
    return np.array([far_outside, edge.outer_corner, edge.land_top, edge.land_bottom, far_inside])
