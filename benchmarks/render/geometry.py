"""Section outlines in mm (x right, y up), built from dimensions, with what is true of them.

A drawing is metal (a silhouette, with holes), patches of other tone inside it (weld metal, heat-affected
zone), dark seams, and the welds with their true values. Builders of the single joints are in
``fillets``, ``butts`` and ``grooves``.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from shapely import affinity
from shapely.geometry import LineString, MultiPolygon, Point, Polygon
from shapely.geometry.base import BaseGeometry
from shapely.geometry.polygon import orient
from shapely.ops import unary_union

from core.geometry import Points

Joint = Literal["tee", "lap", "butt", "groove"]
Tone = Literal["weld", "haz", "pass"]


@dataclass(frozen=True, slots=True)
class Patch:
    """A part of the section that may have its own tone; ``feather_mm`` softens its border."""

    shape: BaseGeometry
    tone: Tone
    feather_mm: float = 0.05


@dataclass(frozen=True, slots=True)
class DrawnWeld:
    """One weld or one prepared joint with its true values (mm, degrees, mm²) and true points (mm)."""

    joint: Joint
    values: Mapping[str, float]
    points_mm: Mapping[str, Points]


@dataclass(frozen=True, slots=True)
class Drawing:
    """A section, ready to be painted."""

    metal: BaseGeometry
    patches: tuple[Patch, ...] = ()
    seams: tuple[tuple[Points, float], ...] = ()
    welds: tuple[DrawnWeld, ...] = ()
    focus_mm: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True, slots=True)
class PlateEnd:
    """How a plate ends: ``length_mm`` from the joint, its cut end oblique, rounded, with a burr."""

    length_mm: float = 200.0
    oblique_deg: float = 0.0
    corner_radius_mm: float = 0.0
    burr_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class Toe:
    """What happens at one toe: undercut beside it, overlap over it, or a transition radius.

    ``undercut_peak`` is where the groove is deepest, as a share of its width from the toe; None draws a
    circular segment.
    """

    undercut_depth_mm: float = 0.0
    undercut_width_mm: float = 0.0
    undercut_peak: float | None = None
    overlap_mm: float = 0.0
    radius_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class Bumps:
    """Spatter beads and pits on plates: (distance from the toe, height; below 0 a pit) a side."""

    left: tuple[tuple[float, float], ...] = ()
    right: tuple[tuple[float, float], ...] = ()


def unit(angle_deg: float) -> Points:
    """Return the unit vector at an angle counter-clockwise from x."""
    return np.array([math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))])


def circular_arc(first: Points, last: Points, sagitta: float, count: int = 721) -> Points:
    """Return points on the arc between two points whose middle lies ``sagitta`` to the left of the chord."""
    chord = last - first
    width = float(np.hypot(*chord))
    along = chord / width
    normal = np.array([-along[1], along[0]])
    if abs(sagitta) < 1e-9:
        return np.asarray(first + np.linspace(0, 1, count)[:, None] * chord)
    half_angle = 2 * math.atan2(2 * abs(sagitta), width)
    radius = width / (2 * math.sin(half_angle))
    angles = np.linspace(-half_angle, half_angle, count)
    x = radius * np.sin(angles)
    y = radius * (np.cos(angles) - math.cos(half_angle))
    middle = (first + last) / 2
    arc = middle + x[:, None] * along + math.copysign(1.0, sagitta) * y[:, None] * normal
    arc[0], arc[-1] = first, last
    return np.asarray(arc)


def undercut_groove(
    toe: Points, outward: Points, into_air: Points, depth: float, width: float, peak: float | None = None
) -> Polygon:
    """Return the groove beside a toe, from the toe outwards: a circular segment, or one deepest at its peak."""
    far = toe + width * outward
    if peak is None:
        bottom = circular_arc(toe, far, depth, 121)
        if float(np.dot(bottom[60] - toe, into_air)) > 0:
            bottom = circular_arc(toe, far, -depth, 121)
    else:
        # sin reaches exactly 1 at the peak: steep on the weld's side, gentle on the plate's
        share = np.linspace(0, 1, 241) ** 1.5
        sink = depth * np.sin(math.pi * share ** (math.log(0.5) / math.log(peak)))
        bottom = toe + width * share[:, None] * outward - sink[:, None] * into_air
    lip = 0.02
    return Polygon(np.vstack([bottom, far + lip * into_air, toe + lip * into_air]))


def plate_polygon(start: Points, along: Points, thickness_side: Points, thickness: float, end: PlateEnd) -> Polygon:
    """Return a plate: surface from start along a direction, its body on the given side, cut at its end."""
    skew = math.tan(math.radians(end.oblique_deg)) * thickness
    corners = [
        start,
        start + end.length_mm * along,
        start + (end.length_mm + skew) * along + thickness * thickness_side,
        start + thickness * thickness_side,
    ]
    plate = Polygon(corners)
    for index, share in ((1, 1.0), (2, 0.6)):
        if end.corner_radius_mm > 0:
            plate = round_corner(plate, np.asarray(corners[index]), end.corner_radius_mm * share)
    if end.burr_mm > 0:
        tip = np.asarray(corners[2])
        burr = Polygon(
            [
                tip - 0.9 * end.burr_mm * along - 0.1 * thickness_side,
                tip + 0.15 * along + 0.9 * end.burr_mm * thickness_side,
                tip + 0.4 * end.burr_mm * along - 0.5 * thickness_side,
            ]
        )
        plate = plate.union(burr.buffer(0.03))
    return plate


def round_corner(shape: BaseGeometry, corner: Points, radius: float) -> BaseGeometry:
    """Round an outer corner of a shape with a radius."""
    near = Point(*corner).buffer(4 * radius)
    opened = shape.buffer(-radius, quad_segs=32).buffer(radius, quad_segs=32)
    return shape.difference(near).union(opened.intersection(near)).buffer(1e-6)


def blend_toe(metal: BaseGeometry, toe: Points, radius: float) -> BaseGeometry:
    """Fill the inner corner at a toe with a transition of that radius, tangent to plate and face."""
    if radius <= 0:
        return metal
    near = metal.intersection(Point(*toe).buffer(8 * radius + 2))
    closed = near.buffer(radius, quad_segs=90).buffer(-radius, quad_segs=90)
    return metal.union(closed.intersection(Point(*toe).buffer(2.5 * radius)).buffer(1e-6))


def bump(at: Points, outward: Points, into_air: Points, height: float) -> Polygon:
    """Return a spatter bead standing on (height above 0), or a pit sunk into (below 0), a surface."""
    half = 0.9 * abs(height) if height > 0 else 1.6 * abs(height)
    side = circular_arc(at - half * outward, at + half * outward, abs(height), 61)
    if float(np.dot(side[30] - at, into_air)) * height < 0:
        side = circular_arc(at - half * outward, at + half * outward, -abs(height), 61)
    lip = -0.05 if height > 0 else 0.02
    return Polygon(np.vstack([side, at + half * outward + lip * into_air, at - half * outward + lip * into_air]))


def with_bumps(
    metal: BaseGeometry, toe: Points, outward: Points, into_air: Points, bumps: tuple[tuple[float, float], ...]
) -> BaseGeometry:
    """Add spatter and pits to a plate surface, at distances from its toe."""
    for distance, height in bumps:
        shape = bump(toe + distance * outward, outward, into_air, height)
        metal = metal.union(shape) if height > 0 else metal.difference(shape)
    return metal


def rings_of(shape: BaseGeometry) -> list[Points]:
    """Return the closed rings of a shape, outlines counter-clockwise and holes clockwise."""
    if shape.is_empty:
        return []
    parts = shape.geoms if isinstance(shape, MultiPolygon) or hasattr(shape, "geoms") else [shape]
    rings = []
    for part in parts:
        if not isinstance(part, Polygon):
            continue
        turned = orient(part, 1.0)
        rings.append(np.asarray(turned.exterior.coords)[:-1])
        rings.extend(np.asarray(hole.coords)[:-1] for hole in turned.interiors)
    return rings


def mirrored(drawing: Drawing) -> Drawing:
    """Mirror the drawing of fillet welds (x to -x): left and right change places."""

    def flip(shape: BaseGeometry) -> BaseGeometry:
        return affinity.scale(shape, -1, 1, origin=(0, 0))

    turn = np.array([-1.0, 1.0])
    welds = []
    for weld in drawing.welds:
        values = {_other_side(name): value for name, value in weld.values.items()}
        points = {_other_side(name): point * turn for name, point in weld.points_mm.items()}
        welds.append(replace(weld, values=values, points_mm=points))
    return Drawing(
        flip(drawing.metal),
        tuple(replace(patch, shape=flip(patch.shape)) for patch in drawing.patches),
        tuple((line * turn, width) for line, width in drawing.seams),
        tuple(reversed(welds)),
        (-drawing.focus_mm[0], drawing.focus_mm[1]),
    )


def _other_side(name: str) -> str:
    for one, other in (("left", "right"), ("right", "left")):
        if name.endswith(one):
            return name[: -len(one)] + other
    return name


def roughened(ring: Points, rng: np.random.Generator, *, amplitude_mm: float, wavelength_mm: float) -> Points:
    """Return a dense ring that wanders across its own line by a mean-free, slow amount (rms amplitude_mm)."""
    from benchmarks.render.camera import densify

    points = densify(ring, 0.1)
    if amplitude_mm <= 0:
        return points
    following, before = np.roll(points, -1, axis=0), np.roll(points, 1, axis=0)
    tangent = following - before
    length = np.maximum(np.hypot(*tangent.T), 1e-9)
    normal = np.column_stack([tangent[:, 1], -tangent[:, 0]]) / length[:, None]
    steps = np.hypot(*(following - points).T)
    knots = max(8, int(steps.sum() / wavelength_mm))
    position = np.cumsum(steps) / steps.sum() * knots
    wander = rng.standard_normal(knots + 1)
    wander[-1] = wander[0]
    low = np.floor(position).astype(int) % knots
    share = position - np.floor(position)
    share = share * share * (3 - 2 * share)
    shift = wander[low] * (1 - share) + wander[low + 1] * share
    shift = (shift - shift.mean()) * amplitude_mm
    return np.asarray(points + shift[:, None] * normal)


def line_patch(points: Points, width_mm: float) -> BaseGeometry:
    """Return a thin band along a polyline."""
    return LineString(points).buffer(width_mm / 2, cap_style="flat")


def union(*shapes: BaseGeometry) -> BaseGeometry:
    """Return the union of shapes."""
    return unary_union(list(shapes))


def bare_plate(width_mm: float, thickness_mm: float, corner_radius_mm: float = 0.2) -> Drawing:
    """Return a plate without any weld."""
    half = np.array([width_mm, thickness_mm]) / 2
    box = Polygon([(-half[0], -half[1]), (half[0], -half[1]), half, (-half[0], half[1])])
    for corner in ((-half[0], half[1]), tuple(half)):
        box = round_corner(box, np.array(corner), corner_radius_mm)
    return Drawing(box)
