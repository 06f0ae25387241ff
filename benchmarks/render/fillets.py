"""Tee and lap joints with fillet welds."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from scipy.interpolate import make_interp_spline
from shapely.geometry import Point, Polygon
from shapely.geometry.base import BaseGeometry

from benchmarks.render import truth
from benchmarks.render.geometry import (
    Bumps,
    Drawing,
    DrawnWeld,
    Joint,
    Patch,
    PlateEnd,
    Toe,
    blend_toe,
    circular_arc,
    mirrored,
    plate_polygon,
    undercut_groove,
    union,
    unit,
    with_bumps,
)
from core.geometry import Points


@dataclass(frozen=True, slots=True)
class FilletShape:
    """One fillet: legs along the plates as seen face up, bulge of its face (below 0 hollow), its toes."""

    leg_left_mm: float
    leg_right_mm: float
    bulge_mm: float = 0.0
    left: Toe = field(default_factory=Toe)
    right: Toe = field(default_factory=Toe)
    bumps: Bumps = field(default_factory=Bumps)
    penetration_mm: float = 1.0


def tee(
    *,
    through_thickness_mm: float,
    standing_thickness_mm: float,
    angle_deg: float = 90.0,
    right: FilletShape | None,
    left: FilletShape | None = None,
    gap_mm: float = 0.0,
    gap_filled: bool = True,
    through_left: PlateEnd | None = None,
    through_right: PlateEnd | None = None,
    standing: PlateEnd | None = None,
) -> Drawing:
    """Return a standing plate on a through plate (surface y = 0), welded on its right and/or left side.

    ``angle_deg`` is the joint angle of the right weld; the left one then has 180 minus it. Seen face up,
    the right weld has the standing plate on its left, the left weld has it on its right.
    """
    up = unit(angle_deg)
    half = standing_thickness_mm / (2 * math.sin(math.radians(angle_deg)))
    through_left = through_left or PlateEnd()
    through_right = through_right or PlateEnd()
    down = np.array([0.0, -1.0])
    origin = np.zeros(2)
    through = union(
        plate_polygon(origin, unit(0), down, through_thickness_mm, through_right),
        plate_polygon(origin, unit(180), down, through_thickness_mm, through_left),
    ).buffer(1e-6)
    right_root, left_root = np.array([half, 0.0]), np.array([-half, 0.0])
    body = plate_polygon(right_root, up, np.array([-up[1], up[0]]), standing_thickness_mm, standing or PlateEnd())
    foot = Polygon([(-500, gap_mm), (500, gap_mm), (500, -500), (-500, -500)])
    rise = standing_thickness_mm * abs(up[0]) / up[1] + 1.0
    wedge = Polygon([right_root - 5 * up, right_root + rise * up, left_root + rise * up, left_root - 5 * up])
    standing_plate = union(body, wedge).difference(foot)
    seam_width = gap_mm if gap_mm > 0 else 0.05
    seams: tuple[tuple[Points, float], ...] = ()
    metal = union(through, standing_plate)
    if gap_mm == 0 or gap_filled:
        shift = up * gap_mm / up[1]
        slot = Polygon([left_root, right_root, right_root + shift, left_root + shift])
        metal = union(metal, slot.buffer(1e-6)) if gap_mm > 0 else metal
        seams = ((np.array([left_root, right_root]) + np.array([0, gap_mm / 2]), seam_width),)
    welds: list[DrawnWeld] = []
    patches: list[Patch] = []
    for root, along_left, along_right, shape in (
        (left_root, unit(180), up, left),
        (right_root, up, unit(0), right),
    ):
        if shape is not None:
            metal, weld, parts = _add_fillet(metal, "tee", root, along_left, along_right, shape)
            welds.append(weld)
            patches.extend(parts)
    return Drawing(metal, _sorted(patches), seams, tuple(welds), (0.0, 2.0))


def lap(
    *,
    lower_thickness_mm: float,
    upper_thickness_mm: float,
    weld: FilletShape,
    edge_deg: float = 90.0,
    overlap_mm: float = 25.0,
    gap_mm: float = 0.0,
    lower_end: PlateEnd | None = None,
    upper_end: PlateEnd | None = None,
    mirror: bool = False,
) -> Drawing:
    """Return an upper plate whose edge (seen face up, on the left) is welded to a lower plate (y = 0)."""
    root = np.zeros(2)
    edge = unit(edge_deg)
    lower = union(
        plate_polygon(root, unit(0), np.array([0.0, -1.0]), lower_thickness_mm, lower_end or PlateEnd()),
        plate_polygon(root, unit(180), np.array([0.0, -1.0]), lower_thickness_mm, PlateEnd(overlap_mm)),
    ).buffer(1e-6)
    top = edge * upper_thickness_mm / edge[1]
    far = upper_end or PlateEnd()
    upper = Polygon([root, top, top - [far.length_mm, 0], [-far.length_mm, 0]])
    seam = np.array([[-overlap_mm, gap_mm / 2], [0.0, gap_mm / 2]])
    metal = union(lower, upper)
    metal, drawn, parts = _add_fillet(metal, "lap", root, edge, unit(0), weld)
    drawing = Drawing(metal, _sorted(parts), ((seam, max(gap_mm, 0.05)),), (drawn,), (0.0, 1.0))
    return mirrored(drawing) if mirror else drawing


def _sorted(patches: list[Patch]) -> tuple[Patch, ...]:
    return tuple(sorted(patches, key=lambda patch: patch.tone == "weld"))


def _add_fillet(
    metal: BaseGeometry, joint: Joint, root: Points, left: Points, right: Points, shape: FilletShape
) -> tuple[BaseGeometry, DrawnWeld, list[Patch]]:
    bisector = (left + right) / np.hypot(*(left + right))
    toe_left = root + shape.leg_left_mm * left
    toe_right = root + shape.leg_right_mm * right
    face = circular_arc(toe_left, toe_right, shape.bulge_mm)
    air_left = _into_air(left, bisector)
    air_right = _into_air(right, bisector)
    if shape.left.overlap_mm > 0:
        face = _with_nose(face, left, air_left, shape.left.overlap_mm)
    if shape.right.overlap_mm > 0:
        face = _with_nose(face[::-1], right, air_right, shape.right.overlap_mm)[::-1]
    bead = Polygon(np.vstack([face, root[None] - 0.02 * bisector]))
    if not bead.is_valid:
        bead = bead.buffer(0)
    nugget = Polygon(np.vstack([face, _fusion_line(root, toe_right, toe_left, bisector, shape.penetration_mm)]))
    nugget = nugget if nugget.is_valid else nugget.buffer(0)
    metal = union(metal, bead)
    values = truth.fillet_values(root, left, right, face)
    for side, toe_at, along, air, toe, bumps in (
        ("left", toe_left, left, air_left, shape.left, shape.bumps.left),
        ("right", toe_right, right, air_right, shape.right, shape.bumps.right),
    ):
        metal = treat_toe(metal, toe_at, along, air, toe, bumps)
        values |= toe_values(side, toe)
    values |= bump_values(shape.bumps)
    weld = DrawnWeld(joint, values, {"root": root, "toe_left": toe_left, "toe_right": toe_right})
    haz = nugget.buffer(0.9 + 0.15 * shape.penetration_mm)
    return metal, weld, [Patch(haz, "haz", 0.35), Patch(nugget, "weld", 0.06)]


def treat_toe(
    metal: BaseGeometry,
    toe_at: Points,
    along: Points,
    air: Points,
    toe: Toe,
    bumps: tuple[tuple[float, float], ...],
) -> BaseGeometry:
    """Cut the undercut, fill the transition and put spatter and pits beside one toe."""
    if toe.undercut_depth_mm > 0:
        metal = metal.difference(
            undercut_groove(toe_at, along, air, toe.undercut_depth_mm, toe.undercut_width_mm, toe.undercut_peak)
        )
    elif toe.radius_mm > 0:
        metal = blend_toe(metal, toe_at, toe.radius_mm)
    return with_bumps(metal, toe_at, along, air, bumps)


def toe_values(side: str, toe: Toe) -> dict[str, float]:
    """Return the true values of one toe; the radius only where a transition was drawn."""
    values = {f"undercut_{side}": toe.undercut_depth_mm, f"overlap_{side}": toe.overlap_mm}
    if toe.undercut_depth_mm > 0:
        values[f"undercut_width_{side}"] = toe.undercut_width_mm
    elif toe.radius_mm > 0:
        values[f"toe_radius_{side}"] = toe.radius_mm
    return values


def bump_values(bumps: Bumps) -> dict[str, float]:
    """Return the height of the highest spatter bead and the depth of the deepest pit, where drawn."""
    heights = [height for _, height in (*bumps.left, *bumps.right)]
    values = {}
    if any(height > 0 for height in heights):
        values["spatter_height"] = max(heights)
    if any(height < 0 for height in heights):
        values["pit_depth"] = -min(heights)
    return values


def _into_air(along: Points, bisector: Points) -> Points:
    normal = np.array([-along[1], along[0]])
    return normal if float(np.dot(normal, bisector)) > 0 else -normal


def _with_nose(face: Points, along: Points, air: Points, overlap: float) -> Points:
    """Let the face's first end bulge over the plate: a circle through the toe that reaches ``overlap`` past it."""
    toe = face[0]
    # the radius leans so far inwards that the circle leaves the plate at 30 degrees
    radius = overlap / (1 - math.sin(math.radians(30)))
    centre = toe + air * radius * math.cos(math.radians(30)) - along * radius * math.sin(math.radians(30))
    disc = Point(*centre)
    outside = np.hypot(*(face - centre).T) > radius
    leave = len(face) - 1 if outside.all() else int(np.argmax(outside & (np.arange(len(face)) > 2)))
    start_angle = math.atan2(*reversed((toe - centre).tolist()))
    end_angle = math.atan2(*reversed((face[leave] - centre).tolist()))
    turn = float(along[0] * air[1] - along[1] * air[0])
    sweep = (end_angle - start_angle) % (2 * math.pi) if turn > 0 else -((start_angle - end_angle) % (2 * math.pi))
    angles = start_angle + np.linspace(0, sweep, 361)
    nose = np.array([disc.x, disc.y]) + radius * np.column_stack([np.cos(angles), np.sin(angles)])
    nose[0] = toe
    return np.vstack([nose, face[leave:]])


def _fusion_line(root: Points, toe_right: Points, toe_left: Points, bisector: Points, depth: float) -> Points:
    """Return a smooth line below the plates from the right toe to the left toe, deepest behind the root."""

    def below(toe: Points, share: float, sink: float) -> Points:
        return np.asarray(root + share * (toe - root) - sink * bisector)

    knots = np.array(
        [
            toe_right,
            below(toe_right, 0.75, 0.75 * depth),
            below(toe_right, 0.35, 0.95 * depth),
            root - 1.15 * depth * bisector,
            below(toe_left, 0.35, 0.95 * depth),
            below(toe_left, 0.75, 0.75 * depth),
            toe_left,
        ]
    )
    chord = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(knots, axis=0).T))])
    spline = make_interp_spline(chord, knots, k=3)
    return np.asarray(spline(np.linspace(0, chord[-1], 121)))[1:-1]
