"""Joints prepared for welding, seen end-on: square, V, half V, double V, U."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from benchmarks.render.geometry import Drawing, DrawnWeld, PlateEnd, plate_polygon, union
from core.geometry import Points

EdgeKind = Literal["square", "bevel", "double_bevel", "j"]


@dataclass(frozen=True, slots=True)
class Edge:
    """A prepared edge: bevel angle from the square plane, height of the land, radius of a J."""

    kind: EdgeKind
    bevel_deg: float = 0.0
    root_face_mm: float = 0.0
    radius_mm: float = 0.0
    second_bevel_deg: float = 0.0


def groove(
    *,
    thickness_left_mm: float,
    thickness_right_mm: float,
    left: Edge,
    right: Edge,
    root_gap_mm: float,
    offset_mm: float = 0.0,
    end_left: PlateEnd | None = None,
    end_right: PlateEnd | None = None,
) -> Drawing:
    """Return two prepared members; the left one's outside is y = 0, the right one's y = offset_mm."""
    values = {
        "root_gap": root_gap_mm,
        "misalignment": offset_mm,
        "root_misalignment": offset_mm - thickness_right_mm + thickness_left_mm,
        "thickness_left": thickness_left_mm,
        "thickness_right": thickness_right_mm,
    }
    points: dict[str, Points] = {}
    members: list[BaseGeometry] = []
    for side, thickness, edge, top, end in (
        ("left", thickness_left_mm, left, 0.0, end_left),
        ("right", thickness_right_mm, right, offset_mm, end_right),
    ):
        sign = -1.0 if side == "left" else 1.0
        outline = edge_outline(edge, thickness)
        place = np.array([sign * root_gap_mm / 2, top])
        outline = outline * [sign, 1.0] + place
        far = plate_polygon(
            np.array([sign * (root_gap_mm / 2 + _reach(edge, thickness) + 1.0), top]),
            np.array([sign, 0.0]),
            np.array([0.0, -1.0]),
            thickness,
            end or PlateEnd(),
        )
        inner = np.vstack(
            [
                outline,
                place + np.array([sign * (_reach(edge, thickness) + 2.0), -thickness]),
                place + np.array([sign * (_reach(edge, thickness) + 2.0), 0.0]),
            ]
        )
        members.append(union(Polygon(inner), far).buffer(1e-6))
        points[f"outer_corner_{side}"] = outline[0]
        points[f"root_edge_{side}"] = outline[2] if edge.kind == "double_bevel" else outline[-1]
        values |= _edge_values(side, edge, thickness)
    bevels = [edge.bevel_deg for edge in (left, right) if edge.kind != "square"]
    if bevels:
        values["groove_angle"] = sum(bevels)
    drawn = DrawnWeld("groove", values, points)
    return Drawing(union(*members), (), (), (drawn,), (0.0, -thickness_left_mm / 2))


def edge_outline(edge: Edge, thickness: float) -> Points:
    """Return the prepared edge of a right-hand member from outside (y = 0) to inside, its root edge at x = 0."""
    low = -thickness
    if edge.kind == "square":
        return np.array([[0.0, 0.0], [0.0, low]])
    land_top = low + edge.root_face_mm
    slope = math.tan(math.radians(edge.bevel_deg))
    if edge.kind == "bevel":
        return np.array([[-land_top * slope, 0.0], [0.0, land_top], [0.0, low]])
    if edge.kind == "double_bevel":
        second = math.tan(math.radians(edge.second_bevel_deg))
        depth = (thickness - edge.root_face_mm) * 0.5
        return np.array(
            [
                [depth * slope, 0.0],
                [0.0, -depth],
                [0.0, -depth - edge.root_face_mm],
                [(thickness - depth - edge.root_face_mm) * second, low],
            ]
        )
    # J: from the land's top the arc starts level and turns up into the bevel
    turn = math.radians(90 - edge.bevel_deg)
    angles = np.linspace(turn, 0, 61)
    arc = np.column_stack([edge.radius_mm * np.sin(angles), edge.radius_mm * (1 - np.cos(angles)) + land_top])
    outer = np.array([arc[0, 0] - arc[0, 1] * slope, 0.0])
    return np.vstack([outer, arc, [0.0, low]])


def _edge_values(side: str, edge: Edge, thickness: float) -> dict[str, float]:
    if edge.kind == "square":
        return {}
    values = {f"bevel_angle_{side}": edge.bevel_deg, f"root_face_{side}": edge.root_face_mm}
    depth = thickness - edge.root_face_mm
    values[f"preparation_depth_{side}"] = depth * 0.5 if edge.kind == "double_bevel" else depth
    return values


def _reach(edge: Edge, thickness: float) -> float:
    return float(edge_outline(edge, thickness)[:, 0].max())
