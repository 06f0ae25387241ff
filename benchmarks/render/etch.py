"""Etched sections with a known fusion line: outlines of joints, weld metal inside them, what is true of both.

The silhouettes come from the builders of fillets and butt welds; the weld metal, its heat-affected zone and
its pores are drawn anew here. ``etch_paint`` turns a section into a picture.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from scipy.interpolate import PchipInterpolator
from shapely.geometry import LineString, Point, Polygon
from shapely.geometry.base import BaseGeometry
from shapely.ops import unary_union

from benchmarks.render.butts import ButtShape, butt
from benchmarks.render.fillets import FilletShape, lap, tee
from benchmarks.render.geometry import Drawing, PlateEnd, Toe, circular_arc, line_patch
from core.geometry import Points

EtchedJoint = Literal[
    "tee", "double_tee", "lap", "single_v", "double_v", "partial_v", "partial_double_v", "met_tee"
]  # fmt: skip
JOINTS: tuple[EtchedJoint, ...] = (
    "tee", "double_tee", "lap", "single_v", "double_v", "partial_v", "partial_double_v",
)  # fmt: skip
FAR_MM = 20.0


@dataclass(frozen=True, slots=True)
class Pore:
    """A drawn pore or inclusion: an ellipse, darker or brighter than the weld metal."""

    centre_mm: tuple[float, float]
    long_mm: float
    short_mm: float
    angle_deg: float
    dark: bool

    @property
    def shape(self) -> Polygon:
        turn = np.linspace(0, 2 * math.pi, 73)[:-1]
        c, s = math.cos(math.radians(self.angle_deg)), math.sin(math.radians(self.angle_deg))
        x, y = 0.5 * self.long_mm * np.cos(turn), 0.5 * self.short_mm * np.sin(turn)
        return Polygon(np.column_stack([c * x - s * y, s * x + c * y]) + np.array(self.centre_mm))


@dataclass(frozen=True, slots=True, eq=False)
class EtchedWeld:
    """One weld: its fusion lines, its weld metal, what is true of it.

    ``fusion_mm`` holds one line from toe to toe for a fillet; for a butt weld two, the left and the right one
    of a weld that goes through, else that of the face side and that of the root side if there is one. ``painted``
    is what is painted where that is more than ``metal``: a later weld lies over it.
    """

    fusion_mm: tuple[Points, ...]
    metal: BaseGeometry
    values: Mapping[str, float]
    pores: tuple[Pore, ...] = ()
    painted: BaseGeometry | None = None


@dataclass(frozen=True, slots=True, eq=False)
class EtchedSection:
    """A silhouette with the welds inside it; ``voids`` are unfused gaps, drawn dark."""

    joint: EtchedJoint
    drawing: Drawing
    welds: tuple[EtchedWeld, ...]
    haz: BaseGeometry
    voids: BaseGeometry = field(default_factory=Polygon)
    pass_bands: BaseGeometry = field(default_factory=Polygon)


def random_section(rng: np.random.Generator, joint: EtchedJoint, *, pores: int = 0) -> EtchedSection:
    """Return a joint with random dimensions, penetration and heat-affected zone."""
    build = _fillets if joint in ("tee", "double_tee", "lap") else _butt
    section = build(rng, joint)
    return with_pores(section, rng, pores) if pores else section


def with_pores(section: EtchedSection, rng: np.random.Generator, count: int) -> EtchedSection:
    """Put pores (mostly round and dark, some bright, some long and thin) into every weld, clear of its rim."""
    welds = []
    for weld in section.welds:
        placed: list[Pore] = []
        room = weld.metal.buffer(-0.4)
        x0, y0, x1, y1 = weld.metal.bounds
        for _ in range(300):
            if len(placed) == count or room.is_empty:
                break
            size, thin = float(rng.uniform(0.3, 0.9)), rng.random() < 0.2
            pore = Pore(
                (float(rng.uniform(x0, x1)), float(rng.uniform(y0, y1))),
                2.2 * size if thin else size * float(rng.uniform(1.0, 1.25)),
                0.22 * size if thin else size,
                float(rng.uniform(0, 180)),
                thin or bool(rng.random() < 0.8),
            )
            if room.contains(pore.shape) and all(pore.shape.distance(other.shape) > 0.5 for other in placed):
                placed.append(pore)
        welds.append(replace(weld, pores=tuple(placed)))
    return replace(section, welds=tuple(welds))


def _fillets(rng: np.random.Generator, joint: EtchedJoint) -> EtchedSection:
    """Return a tee welded on one or two sides, or a lap."""
    skew = float(rng.uniform(-12, 12)) if rng.random() < 0.4 else 0.0
    thick = float(rng.uniform(8, 12))
    gap = float(rng.uniform(0.1, 0.5)) if rng.random() < 0.4 else 0.0
    shape = FilletShape(
        float(rng.uniform(5, 9)), float(rng.uniform(5, 9)), float(rng.uniform(-0.4, 0.8)), _toe(rng), _toe(rng)
    )
    ends = [PlateEnd(float(rng.uniform(20, 24))) for _ in "abc"]
    if joint == "lap":
        upper = float(rng.uniform(9, 12))
        edge_leg = float(rng.uniform(0.55, 0.75)) * upper
        shape = replace(shape, leg_left_mm=edge_leg, leg_right_mm=edge_leg * float(rng.uniform(0.9, 1.3)), left=Toe())
        drawing = lap(
            lower_thickness_mm=thick, upper_thickness_mm=upper, weld=shape, lower_end=ends[0], upper_end=ends[1],
            overlap_mm=18.0, mirror=bool(rng.random() < 0.5),
        )  # fmt: skip
    else:
        second = replace(shape, leg_left_mm=shape.leg_right_mm * 0.9, leg_right_mm=shape.leg_left_mm, right=Toe())
        drawing = tee(
            through_thickness_mm=thick, standing_thickness_mm=float(rng.uniform(8, 12)), angle_deg=90 + skew,
            right=shape, left=second if joint == "double_tee" else None, gap_mm=gap,
            through_left=ends[0], through_right=ends[1], standing=ends[2],
        )  # fmt: skip
    welds, zones, bands = [], [], []
    haz_width = float(rng.uniform(0.8, 2.0))
    for drawn in drawing.welds:
        root, left, right = (drawn.points_mm[name] for name in ("root", "toe_left", "toe_right"))
        fusion = _fillet_fusion(rng, root, left, right, lack=bool(rng.random() < 0.12))
        weld = fillet_weld(drawing.metal, root, (left, right), fusion)
        values = dict(weld.values) | {"haz_width_left": haz_width, "haz_width_right": haz_width}
        if gap:
            values["root_gap"] = gap
        welds.append(replace(weld, values=values))
        zones.append(weld.metal.buffer(haz_width))
        bands.append(_passes(rng, weld.metal, left, right, root))
    metal = unary_union([weld.metal for weld in welds])
    seams = unary_union([line_patch(line, width) for line, width in drawing.seams])
    triangles = [
        Polygon([drawn.points_mm[name] for name in ("root", "toe_left", "toe_right")]) for drawn in drawing.welds
    ]
    voids = unary_union([seams, *triangles]).difference(metal.buffer(1e-3)).buffer(-1e-4)
    order = np.argsort([weld.metal.centroid.x for weld in welds])
    return EtchedSection(
        joint, drawing, tuple(welds[i] for i in order), unary_union(zones), voids, unary_union(bands)
    )  # fmt: skip


def fillet_weld(metal: BaseGeometry, root: Points, toes: tuple[Points, Points], fusion: Points) -> EtchedWeld:
    """Return the weld metal that a fusion line cuts off, with its true values (shapely's areas and distances)."""
    along = [(toe - root) / np.hypot(*(toe - root)) for toe in toes]
    bisector = (along[0] + along[1]) / np.hypot(*(along[0] + along[1]))
    away = [toes[1] + FAR_MM * bisector, toes[0] + FAR_MM * bisector]
    weld = metal.intersection(Polygon(np.vstack([fusion, away])).buffer(0))
    strip = Polygon(np.vstack([toes[0], root, toes[1], away]))
    above = metal.intersection(strip).area
    axis = LineString([root + FAR_MM * bisector, root - FAR_MM * bisector]).intersection(LineString(fusion))
    hits = [axis] if axis.geom_type == "Point" else list(axis.geoms)
    depth = max(float(-(np.array(hit.coords[0]) - root) @ bisector) for hit in hits)
    face = metal.boundary.intersection(strip.buffer(1e-6))
    values = {
        "root_penetration": depth,
        "lack_of_root_fusion": max(0.0, -depth),
        "throat_with_penetration": face.distance(Point(*(root - depth * bisector))),
        "fused_area": weld.area - above,
        "weld_metal_area": weld.area,
        "dilution": 100 * (weld.area - above) / weld.area,
    }
    for side, direction in zip(("left", "right"), along, strict=True):
        normal = np.array([-direction[1], direction[0]])
        normal = -normal if normal @ bisector > 0 else normal
        beside = (fusion - root) @ direction >= 0
        values[f"penetration_{side}"] = max(0.0, float(((fusion - root) @ normal)[beside].max()))
    return EtchedWeld((fusion,), weld, values)


def _fillet_fusion(rng: np.random.Generator, root: Points, left: Points, right: Points, *, lack: bool) -> Points:
    """Return a fusion line from the left toe to the right one: bowl, finger or shallow; or short of the root."""
    bisector = left - root + right - root
    bisector = bisector / np.hypot(*bisector)
    depth = -float(rng.uniform(0.3, 0.9)) if lack else float(rng.uniform(0.4, 2.2))
    sides = [float(rng.uniform(0.5, 1.5)) for _ in "lr"]
    knots = [left]
    for toe, sink, shares in ((left, sides[0], (0.92, 0.75, 0.45)), (right, sides[1], (0.45, 0.75, 0.92))):
        if toe is right:
            knots.append(root - depth * bisector)
        knots += [root + s * (toe - root) - sink * w * bisector for s, w in ((share, _RISE[share]) for share in shares)]
    knots.append(right)
    return wandering(rng, smooth(np.array(knots)), 0.03)


_RISE = {0.92: 0.55, 0.75: 0.9, 0.45: 1.0}
"""How much of a side's penetration is reached at a share of the leg from the root."""


def _butt(rng: np.random.Generator, joint: EtchedJoint) -> EtchedSection:
    """Return a butt weld from one or two sides, through the plate or not."""
    thick = float(rng.uniform(9, 14))
    half = thick * float(rng.uniform(0.4, 0.6)) + 1.0
    double = joint in ("double_v", "partial_double_v")
    bottom = 0.85 * half if double else (float(rng.uniform(1.5, 2.6)) if joint == "single_v" else None)
    shift = float(rng.uniform(-0.8, 0.8)) if double else 0.0
    ends = [PlateEnd(float(rng.uniform(26, 30))) for _ in "ab"]
    root_half = None if bottom is None else (bottom - shift, bottom + shift)
    shape = ButtShape(half, half * float(rng.uniform(0.95, 1.05)), float(rng.uniform(0.8, 1.8)), root_half, 0.9)
    drawing = butt(thickness_left_mm=thick, thickness_right_mm=thick, weld=shape, end_left=ends[0], end_right=ends[1])
    points = drawing.welds[0].points_mm
    left, right = points["toe_left"], points["toe_right"]
    values: dict[str, float] = {}
    seam: BaseGeometry = Polygon()
    if joint in ("single_v", "double_v"):
        low = [points["root_toe_left"], points["root_toe_right"]]
        waist = float(rng.uniform(1.2, 2.0)) if double else None
        lines = [_side(rng, top, foot, sign, waist) for top, foot, sign in ((left, low[0], -1), (right, low[1], 1))]
        ring = np.vstack([lines[0], [0, -thick - FAR_MM], lines[1][::-1], [0, FAR_MM]])
        weld = drawing.metal.intersection(Polygon(ring).buffer(0))
        values = {"lack_of_penetration": 0.0, "penetration_depth": thick}
        if double:
            values["root_centreline_mismatch"] = abs(float(np.mean(low, axis=0)[0] - np.mean([left, right], axis=0)[0]))
    else:
        land = float(rng.uniform(1.5, 3.5)) if double else float(rng.uniform(0.2, 0.45)) * thick
        depth = (thick - land) * float(rng.uniform(0.45, 0.6)) if double else thick - land
        lines = [_bowl(rng, left, right, depth, -1)]
        parts = [_cut_off(drawing.metal, lines[0], 1)]
        values = {"lack_of_penetration": land, "penetration_depth": depth}
        if double:
            lines.append(_bowl(rng, points["root_toe_left"], points["root_toe_right"], thick - land - depth, 1))
            parts.append(_cut_off(drawing.metal, lines[1], -1))
            values["root_side_penetration_depth"] = thick - land - depth
            values["root_centreline_mismatch"] = abs(_centre(lines[1]) - _centre(lines[0]))
        # The wander of a line moves its deepest point: what is true is read off the line itself.
        values["penetration_depth"] = -float(lines[0][:, 1].min())
        if double:
            values["root_side_penetration_depth"] = thick + float(lines[1][:, 1].max())
        values["lack_of_penetration"] = (
            thick - values["penetration_depth"] - values.get("root_side_penetration_depth", 0.0)
        )
        weld = unary_union(parts)
        seam = line_patch(np.array([[0, 0.0], [0, -thick - 1]]), float(rng.uniform(0.05, 0.3))).difference(
            weld.buffer(1e-3)
        )
    haz_width = float(rng.uniform(0.8, 2.0))
    values |= {"weld_metal_area": weld.area, "haz_width_left": haz_width, "haz_width_right": haz_width}
    bands = _passes(rng, weld, left, right, np.array([0.0, -thick]))
    return EtchedSection(
        joint, drawing, (EtchedWeld(tuple(lines), weld, values),), weld.buffer(haz_width), seam, bands
    )  # fmt: skip


def _centre(line: Points) -> float:
    """Return the middle between the two flanks of a bowl at 60 % of its depth below its ends (y level)."""
    depth = np.abs(line[:, 1] - line[0, 1])
    deep = np.flatnonzero(depth >= 0.6 * depth.max())
    return float((line[deep[0], 0] + line[deep[-1], 0]) / 2)


def _side(rng: np.random.Generator, top: Points, foot: Points, sign: int, waist: float | None) -> Points:
    """Return one side of a weld that goes through, from its face toe to its root toe."""
    if waist is None:
        shares = np.array([0.0, 0.3, 0.6, 0.85, 1.0])
        knots = top + shares[:, None] * (foot - top)
        knots[1:-1, 0] += sign * rng.uniform(-0.4, 0.5, 3)
    else:
        middle = np.array([sign * waist + 0.5 * (top[0] + foot[0]) * 0.0, 0.5 * (top[1] + foot[1])])
        knots = np.array([top, 0.5 * (top + middle), middle, 0.5 * (middle + foot), foot])
        knots[[1, 3], 0] += sign * rng.uniform(-0.3, 0.5, 2)
    return wandering(rng, smooth(knots), 0.03)


def _bowl(rng: np.random.Generator, left: Points, right: Points, depth: float, sign: int) -> Points:
    """Return the line of a weld that does not go through: from toe to toe, ``sign`` the way it sinks in y."""
    shares = np.array([0.0, 0.06, 0.25, 0.5, 0.75, 0.94, 1.0])
    knots = left + shares[:, None] * (right - left)
    lean = rng.uniform(-0.08, 0.08)
    knots[1:-1, 1] += sign * depth * np.array([0.3, 0.8 + lean, 1.0, 0.8 - lean, 0.3])
    return wandering(rng, smooth(knots), 0.03)


def _cut_off(metal: BaseGeometry, line: Points, sign: int) -> BaseGeometry:
    away = np.array([0.0, sign * FAR_MM])
    return metal.intersection(Polygon(np.vstack([line, line[-1] + away, line[0] + away])).buffer(0))


def _passes(rng: np.random.Generator, weld: BaseGeometry, left: Points, right: Points, root: Points) -> BaseGeometry:
    """Return the borders between passes: bands in the weld metal, hollow towards the face."""
    bands = []
    for _ in range(int(rng.integers(0, 4))):
        share = rng.uniform(0.2, 0.8, 2)
        start = root + share[0] * (left - root) * 1.3
        end = root + share[1] * (right - root) * 1.3
        arc = circular_arc(start, end, float(rng.uniform(-1.0, 1.0)), 61)
        bands.append(line_patch(arc, float(rng.uniform(0.2, 0.5))))
    return unary_union(bands).intersection(weld) if bands else Polygon()


def _toe(rng: np.random.Generator) -> Toe:
    return Toe(float(rng.uniform(0.2, 0.5)), 1.2, 0.4) if rng.random() < 0.3 else Toe()


def smooth(knots: Points, count: int = 401) -> Points:
    """Return a curve through knots that overshoots none of them."""
    along = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(knots, axis=0).T))])
    at = np.linspace(0, along[-1], count)
    return np.column_stack([PchipInterpolator(along, knots[:, k])(at) for k in (0, 1)])


def wandering(rng: np.random.Generator, line: Points, amplitude_mm: float) -> Points:
    """Let a line wander about itself as grain makes it, by waves of about 0.8 mm; its ends stay."""
    step = np.gradient(line, axis=0)
    normal = np.column_stack([-step[:, 1], step[:, 0]]) / np.hypot(*step.T)[:, None]
    length = float(np.hypot(*np.diff(line, axis=0).T).sum())
    knots = max(4, int(length / 0.8))
    wave = PchipInterpolator(np.linspace(0, 1, knots + 1), rng.standard_normal(knots + 1))(np.linspace(0, 1, len(line)))
    ends = np.minimum(1.0, 8 * np.minimum(np.linspace(0, 1, len(line)), np.linspace(1, 0, len(line))))
    return np.asarray(line + (amplitude_mm * ends * wave)[:, None] * normal)
