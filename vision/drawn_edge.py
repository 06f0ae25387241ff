"""Welds of laps whose upper plate shows no edge: it is drawn in, and what needs it to be seen is not told."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from core.fitting import LineFit
from core.geometry import Line, Points, diagonal, distance, intersection
from vision.filled_edge import FilledEdge
from vision.joints import fillet_between
from vision.runs import Run
from vision.section import Flag, PlateSurface, WeldSurface
from vision.structure import Shape
from vision.surface import trace_surface
from vision.unseen_edge import SQUARE_STD_DEG, UnseenEdge

DRAWN_MM = 3.0
"""So much of the edge is drawn in, at least."""

LEAST_LEG_MM = 1.0
EDGE_FILLED = "edge_filled"
"""Code of the flag of a weld that leaves nothing of the edge."""

ROUNDED_STD_MM = 0.1
"""A rim is rounded; where on it the face begins is known so well, whatever the points say."""

BEYOND_MM, BEYOND_STEPS, FEWEST_BEYOND = 0.6, 4.0, 3
"""Beyond its upper toe the face falls, over so much, in mm and in steps, and seen in so many points, at least half as
steeply as on the whole: where the surface goes on level a low edge stands between."""

OF_THE_ROOT = ("joint_angle", "leg_difference", "size", "design_throat", "throat", "weld_area")
LEGS = ("leg", "perpendicular_leg")
OF_THE_EDGE = ("undercut", "undercut_width", "toe_radius", "overlap")


def edge_flag(side: str) -> Flag:
    """Return what a person should know of a weld whose plate on this side shows no edge."""
    text = (
        f"the edge of the upper plate, on the {side}, is not seen from where the line or the scanner looks: it is "
        f"taken where the plate's surface ends, square to it within {2 * SQUARE_STD_DEG:g} degrees; what rests on it "
        "is less sure by that"
    )
    return Flag("edge_not_seen", text)


def not_of_edge(side: str) -> dict[str, str]:
    """Return the names of the values that need the edge itself to be seen, each with the reason."""
    reason = "the edge of the upper plate is not seen: look at it from aside, from between both surfaces"
    names = ("joint_angle", *(f"{name}_{side}" for name in OF_THE_EDGE))
    return dict.fromkeys(names, reason)


@dataclass(frozen=True, slots=True, eq=False)
class LappedSurface:
    """The weld of a lap whose upper plate's edge is not seen, with its root and the lower plate's line.

    ``flags``, ``unseen`` and ``hidden`` are those of its `vision.section.Section`.
    """

    surface: WeldSurface
    root: Points
    lower: LineFit
    flags: tuple[Flag, ...]
    unseen: Mapping[str, str]
    hidden: Mapping[str, float]


def lapped_surface(shape: Shape, edge: UnseenEdge) -> LappedSurface | None:
    """Return the weld beside an inferred edge, None where what lies there is no fillet."""
    detail = shape.detail
    drawn = drawn_in(shape.points, edge, detail.step_mm)
    smallest = max(LEAST_LEG_MM, 5.0 * detail.step_mm)
    extent = diagonal(shape.points)
    if fillet_between(drawn.points, drawn.cut, drawn.first, drawn.second, False, smallest, extent) is None:
        return None
    traced = trace_surface(drawn.points, drawn.first, drawn.second, detail, face_sign=1)
    if traced is None:
        return None
    side = "left" if edge.upper_first else "right"
    toe_std = math.hypot(getattr(traced.surface, f"toe_std_{side}"), edge.toe_std_mm)
    surface = on_edge(traced.surface, side, drawn.fit, toe_std)
    root = intersection(surface.left.fit.line, surface.right.fit.line)
    if root is None:
        return None
    legs = [distance(toe, root) for toe in (surface.toe_left, surface.toe_right)]
    doubts = edge_doubts(edge, root, legs if edge.upper_first else legs[::-1])
    lower = surface.right.fit if edge.upper_first else surface.left.fit
    return LappedSurface(surface, root, lower, (*traced.flags, edge_flag(side)), not_of_edge(side), doubts)


def filled_surface(shape: Shape, edge: FilledEdge) -> LappedSurface | None:
    """Return the weld of a lap that fills the edge of its upper plate, None where a toe cannot be told.

    Its upper toe is where the face leaves the upper surface; an edge is put there, for what leans on none.
    """
    traced = trace_surface(shape.points, edge.first, edge.second, shape.detail, face_sign=0)
    if traced is None:
        return None
    found = traced.surface
    side, other = ("left", "right") if edge.upper_first else ("right", "left")
    plate, toe = (found.left, found.toe_left) if edge.upper_first else (found.right, found.toe_right)
    upper = plate.fit
    up = -upper.line.normal if edge.upper_first else upper.line.normal
    beyond, above = -upper.line.along(shape.points - toe + upper.line.point), (shape.points - toe) @ up
    window = max(BEYOND_MM, BEYOND_STEPS * shape.detail.step_mm)
    near = above[(beyond > 0) & (beyond < window)]
    if len(near) < FEWEST_BEYOND or float(near.mean()) > -0.25 * edge.slope * window:
        return None
    aside = math.hypot(getattr(found, f"toe_std_{side}"), ROUNDED_STD_MM)
    upright = LineFit(
        Line.through(toe, toe + up), upper.residual_std, aside, math.radians(SQUARE_STD_DEG), upper.inliers
    )
    height = math.hypot(upper.std_at(float(upper.line.along(toe))), ROUNDED_STD_MM, 0.5 * edge.jump_mm)
    surface = on_edge(found, side, upright, height)
    root = intersection(surface.left.fit.line, surface.right.fit.line)
    if root is None or min(distance(found.toe_left, root), distance(found.toe_right, root)) < LEAST_LEG_MM:
        return None
    lower = found.right.fit if edge.upper_first else found.left.fit
    reason = f"the weld reaches the rim of the upper plate, on the {side}: nothing shows where its edge stood"
    unseen = dict.fromkeys((*OF_THE_ROOT, *(f"{name}_{other}" for name in LEGS)), reason)
    unseen |= dict.fromkeys((f"{name}_{side}" for name in ("toe_angle", *OF_THE_EDGE)), reason)
    flag = Flag(EDGE_FILLED, f"{reason}; only what does without its place is measured")
    return LappedSurface(surface, root, lower, (*traced.flags, flag), unseen, {})


def on_edge(surface: WeldSurface, side: str, edge: LineFit, toe_std_mm: float) -> WeldSurface:
    """Return a welded surface whose plate on one side, "left" or "right", is an inferred edge."""
    if side == "left":
        plate = PlateSurface(edge, surface.left.points)
        return replace(surface, left=plate, toe_std_left=toe_std_mm, inferred=frozenset({side}))
    plate = PlateSurface(edge, surface.right.points)
    return replace(surface, right=plate, toe_std_right=toe_std_mm, inferred=frozenset({side}))


def edge_doubts(edge: UnseenEdge, root: Points, legs: Sequence[float]) -> dict[str, float]:
    """Return by how much less sure some values are than small shifts of the edge say, as standard uncertainties in mm.

    Parameters
    ----------
    legs
        Along the edge and along the lower plate: the shorter limits the size, and which that is the edge may change.
    """
    beyond = legs[1] - legs[0]
    reach = 2.0 * edge.fit.std_at(float(edge.fit.line.along(root)))
    size = 0.5 * max(0.0, reach - beyond) if beyond > 0 else 0.0
    return {"face_width": edge.width_std_mm, "size": size, "design_throat": size * math.sqrt(0.5)}


@dataclass(frozen=True, slots=True, eq=False)
class DrawnIn:
    """An outline with an unseen edge drawn in where it jumps; the runs of its plates in outline order."""

    points: Points
    cut: NDArray[np.bool_]
    first: Run
    second: Run
    edge: Run
    fit: LineFit


def drawn_in(points: Points, edge: UnseenEdge, step_mm: float) -> DrawnIn:
    """Return the outline from the inferred edge over the face and along the lower plate."""
    line = edge.fit.line
    low = float(line.along(edge.meets))
    high = max(float(line.along(points[edge.rim])), low + max(DRAWN_MM, 30 * step_mm))
    drawn = line.point + np.arange(high, low + 0.5 * step_mm, -step_mm)[:, None] * line.direction
    count = len(drawn)
    down = line.reversed()
    if edge.upper_first:
        rest = points[edge.begin :]
        outline = np.vstack([drawn, rest])
        upright = Run(0, count - 1, down, distance(drawn[0], drawn[-1]), False)
        shift = count - edge.begin
        lower = replace(edge.lower, start=edge.lower.start + shift, stop=edge.lower.stop + shift)
        first, second = upright, lower
    else:
        rest = points[: edge.begin + 1]
        outline = np.vstack([rest, drawn[::-1]])
        upright = Run(len(rest), len(rest) + count - 1, line, distance(drawn[0], drawn[-1]), False)
        first, second = edge.lower, upright
    fit = replace(edge.fit, inliers=np.ones(count, bool))
    return DrawnIn(outline, np.zeros(len(outline), bool), first, second, upright, fit)
