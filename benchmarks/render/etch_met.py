"""Etched tees whose two welds have run together under the standing plate, or have left a narrow land."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from shapely.geometry import LineString, Point, Polygon
from shapely.geometry.base import BaseGeometry
from shapely.ops import unary_union

from benchmarks.render.etch import FAR_MM, EtchedSection, EtchedWeld, fillet_weld, smooth, wandering, with_pores
from benchmarks.render.fillets import FilletShape, tee
from benchmarks.render.geometry import DrawnWeld, PlateEnd, Toe, line_patch
from core.geometry import Points

LEAST_WAIST_MM = 1.0


def met_tee(rng: np.random.Generator, *, pores: int = 0, land_mm: float | None = None) -> EtchedSection:
    """Return a tee welded from both sides whose welds overlap; the right one was laid over the left one.

    The true line of each weld is its own outline, also where the other weld hides it; what is true of areas ends at
    the straight line between the two places where the outlines cross. What is hidden has no true value. With a
    ``land_mm`` the same welds stop short of each other by that much.
    """
    while True:
        section = _met_tee(rng, land_mm)
        if section is not None:
            return with_pores(section, rng, pores) if pores else section


def _met_tee(rng: np.random.Generator, land_mm: float | None) -> EtchedSection | None:
    standing = float(rng.uniform(6, 10))
    shape = FilletShape(float(rng.uniform(5, 8)), float(rng.uniform(5, 8)), float(rng.uniform(-0.3, 0.6)), Toe(), Toe())
    second = replace(shape, leg_left_mm=shape.leg_right_mm * 0.95, leg_right_mm=shape.leg_left_mm)
    skew = float(rng.uniform(-10, 10)) if rng.random() < 0.3 else 0.0
    ends = [PlateEnd(float(rng.uniform(20, 24))) for _ in "abc"]
    drawing = tee(
        through_thickness_mm=float(rng.uniform(8, 12)), standing_thickness_mm=standing, angle_deg=90 + skew,
        right=shape, left=second, through_left=ends[0], through_right=ends[1], standing=ends[2],
    )  # fmt: skip
    drawn = sorted(drawing.welds, key=lambda weld: float(weld.points_mm["root"][0]))
    roots = [weld.points_mm["root"] for weld in drawn]
    apart = float(np.hypot(*(roots[1] - roots[0])))
    meet = float(rng.uniform(0.38, 0.62)) * apart
    past = [float(rng.uniform(0.12, 0.3)) * apart + 0.4 if land_mm is None else -0.5 * land_mm for _ in "lr"]
    welds = []
    for weld, deep in zip(drawn, (meet + past[0], apart - meet + past[1]), strict=True):
        root, left, right = (weld.points_mm[name] for name in ("root", "toe_left", "toe_right"))
        welds.append(fillet_weld(drawing.metal, root, (left, right), _deep_fusion(rng, root, left, right, deep)))
    haz_width = float(rng.uniform(0.8, 2.0))
    parts: list[BaseGeometry] = [weld.metal for weld in welds]
    if land_mm is None:
        divided = _divided(welds)
        if divided is None:
            return None
        parts = list(divided)
    finished = []
    for number, (weld, metal) in enumerate(zip(welds, parts, strict=True)):
        hidden = None if land_mm is not None else welds[1 - number].metal
        values = dict(_values(drawn[number], weld, metal, hidden))
        values |= {"haz_width_left": haz_width, "haz_width_right": haz_width}
        if hidden is not None:
            # The left weld has the standing plate on its right.
            del values["penetration_right" if number == 0 else "penetration_left"]
        finished.append(EtchedWeld(weld.fusion_mm, metal, values, painted=weld.metal))
    whole = unary_union([weld.metal for weld in welds])
    seams = unary_union([line_patch(line, width) for line, width in drawing.seams]).difference(whole.buffer(1e-3))
    return EtchedSection("met_tee", drawing, tuple(finished), whole.buffer(haz_width), seams, Polygon())


def _divided(welds: list[EtchedWeld]) -> tuple[BaseGeometry, BaseGeometry] | None:
    """Return both parts of what two welds cover, divided between the places where their outlines cross."""
    first, later = (weld.metal for weld in welds)
    crossing = LineString(welds[0].fusion_mm[0]).intersection(LineString(welds[1].fusion_mm[0]))
    if crossing.geom_type != "MultiPoint":
        return None
    places = sorted(((point.x, point.y) for point in crossing.geoms), key=lambda place: place[1])
    low, high = np.array(places[0]), np.array(places[-1])
    if high[1] - low[1] < LEAST_WAIST_MM:
        return None
    # Above and below lie the plates, whichever way the line between leans.
    far = np.array([0.0, FAR_MM])
    rim = np.array([low - far, low, high, high + far])
    left = Polygon([*rim, rim[-1] - [FAR_MM, 0], rim[0] - [FAR_MM, 0]])
    whole = first.union(later)
    return whole.intersection(left), whole.difference(left)


def _values(
    drawn: DrawnWeld, weld: EtchedWeld, metal: BaseGeometry, hidden: BaseGeometry | None
) -> Mapping[str, float]:
    """Return what is true of a weld that ends where another one begins."""
    cut = weld.metal.area - metal.area
    fused = weld.values["fused_area"] - cut
    values = dict(weld.values) | {
        "fused_area": fused, "weld_metal_area": metal.area, "dilution": 100 * fused / metal.area,
    }  # fmt: skip
    ways = [drawn.points_mm[name] - drawn.points_mm["root"] for name in ("toe_left", "toe_right")]
    both = sum((way / np.hypot(*way) for way in ways), np.zeros(2))
    deepest = drawn.points_mm["root"] - weld.values["root_penetration"] * both / np.hypot(*both)
    if hidden is not None and hidden.buffer(0.3).contains(Point(*deepest)):
        del values["root_penetration"], values["throat_with_penetration"]
    return values


def _deep_fusion(rng: np.random.Generator, root: Points, left: Points, right: Points, deep: float) -> Points:
    """Return a line from toe to toe that reaches so far under the standing plate, which the upper toe lies on."""
    upper, lower = (left, right) if left[1] > right[1] else (right, left)
    out, up = (end - root for end in (lower, upper))
    side, rise = out / np.hypot(*out), up / np.hypot(*up)
    above, below = float(rng.uniform(0.5, 1.6)), float(rng.uniform(0.8, 1.8))
    at_leg = [float(rng.uniform(0.4, 0.9)) for _ in "ud"]
    knots = [
        upper,
        root + 0.8 * up - at_leg[0] * side,
        root + 0.45 * up - (at_leg[0] + 0.12 * deep) * side,
        root + above * rise - 0.7 * deep * side,
        root + 0.1 * (above - below) * rise - deep * side,
        root - below * rise - 0.65 * deep * side,
        root - (below + 0.1) * rise,
        root + 0.5 * out - (0.7 * below + 0.1) * rise,
        root + 0.85 * out - at_leg[1] * 0.8 * rise,
        lower,
    ]
    line = wandering(rng, smooth(np.array(knots)), 0.03)
    return line if upper is left else line[::-1]
