"""What was found in a profile: plate surfaces, toes, face, root, and the doubts met on the way.

Everything is in the section frame (mm, x right, y up). ``left`` and ``right`` are as seen with the weld
turned face up (air above, metal below).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from core.fitting import LineFit
from core.geometry import Points
from vision.fusion_line import Inside

Joint = Literal["tee", "lap", "butt", "groove"]


@dataclass(frozen=True, slots=True)
class Flag:
    """A doubt a person should know of."""

    code: str
    message: str


@dataclass(frozen=True, slots=True, eq=False)
class PlateSurface:
    """Parent-metal surface beside a weld.

    Attributes
    ----------
    fit
        The line; its direction leads AWAY from the weld.
    points
        (N, 2) profile points of this surface from the toe outwards (undercut included), ordered away
        from the weld.
    """

    fit: LineFit
    points: Points


@dataclass(frozen=True, slots=True, eq=False)
class WeldSurface:
    """One welded surface: two plate surfaces, two toes and the face between them.

    Attributes
    ----------
    left, right
        The plate surfaces, seen face up.
    toe_left, toe_right
        (2,) where the face leaves the plate surface line.
    face
        (M, 2) from the left toe to the right toe, both included.
    toe_std_left, toe_std_right
        Standard uncertainty of each toe along its plate, mm.
    marked
        Which of ``plate_left``, ``plate_right``, ``toe_left``, ``toe_right`` a person gave.
    untold
        The sides, "left" or "right", whose toe is not told: its point only stands in for it.
    inferred
        The sides whose plate surface is not seen: its line was inferred from where it begins and ends.
    unlike
        By which share the tone of the face's metal differs from that of its plates, seen against the ground; None where
        that was not looked at.
    """

    left: PlateSurface
    right: PlateSurface
    toe_left: Points
    toe_right: Points
    face: Points
    toe_std_left: float
    toe_std_right: float
    marked: frozenset[str] = frozenset()
    untold: frozenset[str] = frozenset()
    inferred: frozenset[str] = frozenset()
    unlike: float | None = None

    @property
    def told_toes(self) -> dict[str, Points]:
        """Return the toes that are told, by the names that points of a weld have."""
        toes = {"left": self.toe_left, "right": self.toe_right}
        return {f"toe_{side}": toe for side, toe in toes.items() if side not in self.untold}


@dataclass(frozen=True, slots=True, eq=False)
class PreparedEdge:
    """One member of a joint prepared for welding, seen end-on.

    ``outside`` and ``inside`` lead AWAY from the joint. ``bevel`` is the prepared face, None for a
    square edge; ``land`` the root face, None when the bevel ends in a feather edge. ``outer_corner``
    lies between outside surface and bevel, ``land_top`` between bevel and land, ``land_bottom``
    between land and inside surface; a missing part makes its corners coincide. ``end_doubt`` is the standard
    uncertainty (2,) of the lowest visible point, beyond that of a clear end, where the profile does not end clearly;
    ``end_shifts_mm`` (K, 2) are those of a clear one, where the profile tells them; ``end_seen`` tells that light was
    seen to break off there.
    """

    outside: LineFit
    inside: LineFit | None
    bevel: LineFit | None
    land: LineFit | None
    outer_corner: Points
    land_top: Points
    land_bottom: Points
    end_doubt: Points | None = None
    end_shifts_mm: Points | None = None
    end_seen: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Section:
    """One weld or one prepared joint, found in a profile.

    Attributes
    ----------
    joint
        Kind of joint.
    face
        The welded surface (the face side of a butt weld); None for a groove.
    root
        (2,) joint root of a fillet, None otherwise.
    root_side
        The root side of a butt weld, when the profile shows it.
    edge_left, edge_right
        The members of a groove.
    bare_left, bare_right
        A member of a groove of which a line or a scanner shows the surface and no face: its corners are where the
        surface is last seen, and whether its edge is square or prepared is not told.
    opposite_left, opposite_right
        Surface on the other side of each plate, for its thickness.
    point_std_mm
        Standard uncertainty of a single outline point, across the outline.
    relative_std, resolution_mm, blur_mm, correlation_points, tone_doubt_mm, rim_doubt_mm
        Taken over from the profile.
    wander_mm, wander_length_mm
        How far the surfaces of a silhouette wander slowly about their lines (part of ``point_std_mm``), and over what
        length as one piece; 0 where that is not told.
    one_sided
        The profile is a surface seen from one side, by a laser line or a scanner, and no silhouette.
    flags
        Doubts met on the way.
    inside
        Fusion line and what else the etch shows; None when it was not looked for.
    unseen
        Names of values that the profile does not show although it shows the weld, each with the reason.
    hidden
        Names of values that missing points leave less sure, each with the standard uncertainty that comes on top.
    """

    joint: Joint
    point_std_mm: float
    resolution_mm: float
    face: WeldSurface | None = None
    root: Points | None = None
    root_side: WeldSurface | None = None
    edge_left: PreparedEdge | None = None
    edge_right: PreparedEdge | None = None
    bare_left: PreparedEdge | None = None
    bare_right: PreparedEdge | None = None
    opposite_left: LineFit | None = None
    opposite_right: LineFit | None = None
    relative_std: Mapping[str, float] = field(default_factory=dict)
    blur_mm: float = 0.0
    correlation_points: float = 1.0
    tone_doubt_mm: float = 0.0
    rim_doubt_mm: float = 0.0
    limit_doubt_mm: float = 0.0
    wander_mm: float = 0.0
    wander_length_mm: float = 0.0
    one_sided: bool = False
    flags: tuple[Flag, ...] = ()
    inside: Inside | None = None
    unseen: Mapping[str, str] = field(default_factory=dict)
    hidden: Mapping[str, float] = field(default_factory=dict)
