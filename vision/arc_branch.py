"""A fillet between a straight wall and a pipe's outside, as at a branch: the pipe's side is laid flat from the root on.

The wall stays where it is. On the pipe's side each point is moved along the normal at the root by as much as the pipe
has dropped away from its tangent there, and its place becomes the length along the arc. A leg on the pipe is then the
length of its surface from the root to the toe, and the joint angle that between the wall and the tangent at the root.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from core.fitting import robust_line
from core.geometry import Line, Points
from vision.arc_surface import (
    ALIKE,
    DIAMETER_STD,
    RADII_MM,
    Bend,
    bend_of,
    centre_near,
    ends_of,
    is_straight,
    widened,
)
from vision.profile import Profile, usual_std_mm
from vision.section import Section

LEAST_SAGITTA_MM = 0.08
STRAIGHT = 0.25
"""The wall bends by less than this share of the pipe."""

WAVERS = 3.0
"""A pipe leaves its chord so many times as far as the wall does: surfaces that waver bend alike."""


@dataclass(frozen=True, slots=True, eq=False)
class Branch:
    """A pipe on one side of a fillet.

    ``side`` is that of the pipe, "left" or "right"; ``tangent`` touches the pipe at the root, its point, and leads away
    from the wall along it.
    """

    side: str
    tangent: Line
    radius_mm: float
    radius_std_mm: float
    given: bool

    @property
    def curvature_std(self) -> float:
        """Standard uncertainty of 1 / radius, 1/mm."""
        return self.radius_std_mm / self.radius_mm**2

    @property
    def _air(self) -> Points:
        return self.tangent.normal * (1.0 if self.side == "right" else -1.0)

    def unrolled(self, points: Points) -> Points:
        """Return points (N, 2) with the pipe laid flat along its tangent at the root."""
        along = self.tangent.along(points)
        height = (points - self.tangent.point) @ self._air
        share = np.clip(along / self.radius_mm, 0.0, 0.98)
        flat = np.where(along > 0, self.radius_mm * np.arcsin(share), along)
        height = height + self.radius_mm * (1 - np.sqrt(1 - share**2))
        return np.asarray(self.tangent.point + flat[:, None] * self.tangent.direction + height[:, None] * self._air)

    def rolled(self, points: Points) -> Points:
        """Return flat points (N, 2) where they lie in the section."""
        flat = self.tangent.along(points)
        height = (points - self.tangent.point) @ self._air
        angle = np.clip(flat / self.radius_mm, 0.0, math.asin(0.98))
        along = np.where(flat > 0, self.radius_mm * np.sin(angle), flat)
        height = height - self.radius_mm * (1 - np.cos(angle))
        return np.asarray(self.tangent.point + along[:, None] * self.tangent.direction + height[:, None] * self._air)

    def doubted(self, section: Section) -> Section:
        """Add what is not known of the radius to the line of the pipe's side."""
        face = section.face
        if face is None or section.root is None:
            return section
        plate, toe = (face.left, face.toe_left) if self.side == "left" else (face.right, face.toe_right)
        leg = float(np.hypot(*(toe - section.root)))
        plate = replace(plate, fit=widened(plate.fit, plate.points, self.curvature_std, 2 * leg))
        sides = {"left": plate} if self.side == "left" else {"right": plate}
        return replace(section, face=replace(face, **sides))  # type: ignore[arg-type]


def branch_of(profile: Profile, outside_diameter_mm: float | None = None) -> Branch | None:
    """Return the pipe beside a fillet in an open profile, None where both sides are straight or both bend."""
    if profile.closed:
        return None
    ends = ends_of(profile.points_mm)
    if ends is None:
        return None
    if outside_diameter_mm is None and all(is_straight(end, LEAST_SAGITTA_MM) for end in ends):
        return None
    noise = usual_std_mm(profile)
    bends = [bend_of(end) for end in ends]
    if any(bend.scatter > max(3.0 * noise, 0.03) for bend in bends):
        return None
    known = None if outside_diameter_mm is None else -2.0 / outside_diameter_mm
    for at, side in ((0, "left"), (1, "right")):
        wall, pipe = bends[1 - at], bends[at]
        straight = abs(wall.curvature) < STRAIGHT * abs(pipe.curvature) + 3 * wall.std
        if known is None:
            straight &= WAVERS * abs(_sagitta(wall, ends[1 - at])) < abs(_sagitta(pipe, ends[at]))
        if straight and _is_pipe(pipe, ends[at], known):
            return _laid_flat(side, ends[at], ends[1 - at], pipe, known, noise)
    return None


def _is_pipe(bend: Bend, end: Points, known: float | None) -> bool:
    if known is not None:
        return abs(bend.curvature - known) < ALIKE * abs(known) + 3 * bend.std and -bend.curvature > 2 * bend.std
    bent = -_sagitta(bend, end) > LEAST_SAGITTA_MM and bend.is_pipe
    return bent and RADII_MM[0] < -1.0 / bend.curvature < RADII_MM[1]


def _sagitta(bend: Bend, end: Points) -> float:
    return bend.curvature * float(np.hypot(*(end[-1] - end[0]))) ** 2 / 8


def _laid_flat(side: str, pipe: Points, wall: Points, bend: Bend, known: float | None, noise: float) -> Branch | None:
    curvature = bend.curvature if known is None else known
    std = bend.std if known is None else DIAMETER_STD * abs(known)
    line = robust_line(wall, max(noise, 0.004)).line
    branch = None
    for _ in range(1 if known is not None else 4):
        tangent = _tangent(pipe, line, -1.0 / curvature, side)
        if tangent is None:
            return None
        branch = Branch(side, tangent, -1.0 / curvature, std / curvature**2, known is not None)
        if known is None:
            # A parabola is not quite a circle: what bend is left once the pipe is flat.
            curvature += bend_of(branch.unrolled(pipe)).curvature
            if not RADII_MM[0] < -1.0 / curvature < RADII_MM[1]:
                return None
    return branch


def _tangent(pipe: Points, wall: Line, radius: float, side: str) -> Line | None:
    """Return the pipe's tangent where the wall meets it."""
    centre = centre_near(pipe, radius)
    offset = float(wall.offset(centre))
    if abs(offset) > 0.95 * radius:
        return None
    half = math.sqrt(radius**2 - offset**2)
    middle = float(wall.along(centre))
    meets = [wall.at(middle + half), wall.at(middle - half)]
    inner = pipe[-1] if side == "left" else pipe[0]
    root = min(meets, key=lambda point: float(np.hypot(*(point - inner))))
    outwards = (root - centre) / radius
    # Along the pipe, away from the wall: clockwise about the centre to the right, with the air outside.
    clockwise = np.array([outwards[1], -outwards[0]])
    direction = clockwise if side == "right" else -clockwise
    return Line(float(root[0]), float(root[1]), float(direction[0]), float(direction[1]))
