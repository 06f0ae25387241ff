"""The lines over the picture: plates, face, chord, and for each value the distance that it is."""

from __future__ import annotations

from typing import Any

import numpy as np

from core.geometry import Line, Points, distance_to_segments
from inspection.session import Session
from vision.found import FoundWeld
from vision.section import PreparedEdge, Section, WeldSurface

Segment = tuple[Points, Points]
LONGEST = 600
"""Points of a line that are sent at most; a screen shows no more."""


def outlines(session: Session) -> list[list[list[float]]]:
    """Return the outlines of the metal in the picture frame, thinned; those of a whole section end where they began."""
    return [_pixels(_closed(points)[:: max(1, len(points) // 12000)]) for points in session.outlines_px]


def _closed(points: Points) -> Points:
    step = float(np.median(np.hypot(*np.diff(points, axis=0).T)))
    gap = float(np.hypot(*(points[0] - points[-1])))
    return np.vstack([points, points[:1]]) if gap < 5 * step else points


def lines(session: Session, moved: FoundWeld) -> dict[str, Any]:
    """Return ``{"plate": [...], "face": [...], "chord": [...], "fusion": [...], "values": {name: [...]}}``.

    Each is a list of polylines in the picture frame.
    """
    section = moved.section
    drawn: dict[str, list[Points]] = {"plate": [], "face": [], "chord": [], "fusion": []}
    values: dict[str, list[Segment]] = {}
    if section.joint == "groove":
        for side, edge in (("left", section.edge_left), ("right", section.edge_right)):
            if edge is not None:
                _edge(drawn, values, side, edge)
        _gap(values, section)
    for surface, prefix in ((section.face, ""), (section.root_side, "root_")):
        if surface is not None:
            _surface(drawn, values, surface, section.root, prefix)
    if section.inside is not None:
        drawn["fusion"] = [_thinned(line.points_mm) for line in section.inside.lines]
    if section.face is not None and section.root is not None:
        _fillet(values, section.face, section.root)
    elif section.face is not None:
        _butt(values, section, section.face)
    to_px = session.frame.to_px
    return {name: [_pixels(to_px(line)) for line in part] for name, part in drawn.items()} | {
        "values": {
            name: [_pixels(to_px(np.array(segment))) for segment in segments] for name, segments in values.items()
        }
    }


def _pixels(points: Points) -> list[list[float]]:
    return np.round(points, 2).tolist()  # type: ignore[no-any-return]


def _thinned(points: Points) -> Points:
    step = max(1, len(points) // LONGEST)
    return np.vstack([points[:-1:step], points[-1:]])


def _surface(
    drawn: dict[str, list[Points]],
    values: dict[str, list[Segment]],
    surface: WeldSurface,
    root: Points | None,
    prefix: str,
) -> None:
    drawn["face"].append(_thinned(surface.face))
    if not surface.untold:
        drawn["chord"].append(np.array([surface.toe_left, surface.toe_right]))
    width = float(np.hypot(*(surface.toe_right - surface.toe_left)))
    for side, plate, toe in (("left", surface.left, surface.toe_left), ("right", surface.right, surface.toe_right)):
        line = plate.fit.line
        along = line.along(plate.points)
        foot = float(line.along(toe))
        start = foot - 0.55 * width if root is None else float(line.along(root)) - 0.08 * width
        end = max(foot + 0.6 * width, min(float(np.quantile(along, 0.97)), foot + 2.5 * width))
        # Several points, because a straight line is bent where the lens bends it.
        drawn["plate"].append(np.array([line.at(float(s)) for s in np.linspace(start, end, 9)]))
        if not prefix:
            deepest = _deepest(plate.points, line, surface.face.mean(axis=0), foot)
            values[f"undercut_{side}"] = [(deepest, _foot(line, deepest))]


def _deepest(points: Points, line: Line, air: Points, foot: float) -> Points:
    """Return the point of a plate's surface deepest in the metal, near the toe."""
    near = points[np.abs(line.along(points) - foot) < 4.0]
    near = points[:1] if len(near) == 0 else near
    outwards = np.sign(float(line.offset(air))) or 1.0
    return np.asarray(near[int(np.argmin(outwards * line.offset(near)))])


def _foot(line: Line, point: Points) -> Points:
    return line.at(float(line.along(point)))


def _fillet(values: dict[str, list[Segment]], face: WeldSurface, root: Points) -> None:
    left, right = face.left.fit.line, face.right.fit.line
    values["leg_left"], values["leg_right"] = [(root, face.toe_left)], [(root, face.toe_right)]
    values["leg_difference"] = [*values["leg_left"], *values["leg_right"]]
    values["perpendicular_leg_left"] = [(face.toe_left, _foot(right, face.toe_left))]
    values["perpendicular_leg_right"] = [(face.toe_right, _foot(left, face.toe_right))]
    _, nearest = distance_to_segments(root, face.face)
    values["throat"] = [(root, np.asarray(nearest))]
    values["face_width"] = [(face.toe_left, face.toe_right)]
    _height(values, "convexity", "concavity", face, +1)


def _height(values: dict[str, list[Segment]], above: str, below: str, face: WeldSurface, air: int) -> None:
    chord = Line.through(face.toe_left, face.toe_right)
    heights = air * chord.offset(face.face)
    for name, index in ((above, int(np.argmax(heights))), (below, int(np.argmin(heights)))):
        values[name] = [(face.face[index], _foot(chord, face.face[index]))]


def _butt(values: dict[str, list[Segment]], section: Section, face: WeldSurface) -> None:
    values["cap_width"] = [(face.toe_left, face.toe_right)]
    _height(values, "reinforcement", "underfill", face, +1)
    middle = 0.5 * (face.toe_left + face.toe_right)
    values["misalignment"] = [(_foot(face.left.fit.line, middle), _foot(face.right.fit.line, middle))]
    if section.root_side is not None:
        root = section.root_side
        values["root_width"] = [(root.toe_left, root.toe_right)]
        _height(values, "root_reinforcement", "root_concavity", root, -1)
        middle = 0.5 * (root.toe_left + root.toe_right)
        values["root_misalignment"] = [(_foot(root.left.fit.line, middle), _foot(root.right.fit.line, middle))]
    width = float(np.hypot(*(face.toe_right - face.toe_left)))
    for side, plate, toe, opposite in (
        ("left", face.left, face.toe_left, section.opposite_left),
        ("right", face.right, face.toe_right, section.opposite_right),
    ):
        if opposite is not None:
            start = plate.fit.line.at(float(plate.fit.line.along(toe)) + 0.3 * width)
            values[f"thickness_{side}"] = [(start, _across(start, plate.fit.line, opposite.line))]


def _across(start: Points, top: Line, opposite: Line) -> Points:
    """Return where the perpendicular of the top line meets the opposite line."""
    return np.asarray(start - float(opposite.offset(start)) / float(top.normal @ opposite.normal) * top.normal)


def _edge(drawn: dict[str, list[Points]], values: dict[str, list[Segment]], side: str, edge: PreparedEdge) -> None:
    depth = float(np.hypot(*(edge.outer_corner - edge.land_bottom)))

    def stretch(line: Line, corner: Points) -> Points:
        foot = float(line.along(corner))
        return np.array([line.at(foot + float(share) * depth) for share in np.linspace(-0.4, 1.4, 9)])

    drawn["plate"].append(stretch(edge.outside.line, edge.outer_corner))
    if edge.inside is not None:
        drawn["plate"].append(stretch(edge.inside.line, edge.land_bottom))
        start = edge.outside.line.at(float(edge.outside.line.along(edge.outer_corner)) + 0.8 * depth)
        values[f"thickness_{side}"] = [(start, _across(start, edge.outside.line, edge.inside.line))]
    drawn["face"].append(np.array([edge.outer_corner, edge.land_top, edge.land_bottom]))
    values[f"root_face_{side}"] = [(edge.land_top, edge.land_bottom)]
    values[f"bevel_angle_{side}"] = [(edge.outer_corner, edge.land_top)]
    values[f"preparation_depth_{side}"] = [(edge.land_top, _foot(edge.outside.line, edge.land_top))]


def _gap(values: dict[str, list[Segment]], section: Section) -> None:
    first, second = section.edge_left, section.edge_right
    if first is None or second is None:
        return
    along = first.outside.line.direction
    start = first.land_bottom
    # The gap is stated along the left plate, so it is drawn along it, whatever the offset of the root edges.
    values["root_gap"] = [(start, start + ((second.land_bottom - start) @ along) * along)]
    values["groove_angle"] = [(first.outer_corner, first.land_top), (second.outer_corner, second.land_top)]
    feet = [_foot(edge.outside.line, first.outer_corner) for edge in (first, second)]
    values["misalignment"] = [(feet[0], feet[1])]
