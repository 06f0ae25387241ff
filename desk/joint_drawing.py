"""What is drawn for each kind of joint: plate lines, chord, points and dimension lines, on the canvas."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np

from core.geometry import Line, Points, distance_to_segments
from core.quantity import Measured, Quantity
from core.units import MM_PER_INCH, UnitSystem, nearest_fraction
from desk.dimension import Dimension, Layout, draw_dimension, samples
from desk.drawing import CHORD, PLATE, Drawing, Marker, Polyline, Text
from vision.section import PreparedEdge, Section, WeldSurface

ToCanvas = Callable[[Points], Points]
Values = Mapping[str, Measured]


def key_points(section: Section) -> Points:
    """Return the points in mm that the view must show, (N, 2)."""
    points: list[Points] = []
    for surface in (section.face, section.root_side):
        if surface is not None:
            points += [surface.toe_left, surface.toe_right, *surface.face[:: max(1, len(surface.face) // 20)]]
    if section.root is not None:
        points.append(section.root)
    if section.face is not None and section.root is None:
        points += [_station(section.face, side) for side in ("left", "right")]
    for edge in (section.edge_left, section.edge_right):
        if edge is not None:
            points += [edge.outer_corner, edge.land_top, edge.land_bottom, _edge_station(edge)]
    return np.array(points, float).reshape(-1, 2)


def _station(face: WeldSurface, side: str) -> Points:
    """Return where the thickness of a butt-welded plate is drawn: beside the weld, on the plate's surface line."""
    plate, toe = (face.left, face.toe_left) if side == "left" else (face.right, face.toe_right)
    width = float(np.hypot(*(face.toe_right - face.toe_left)))
    return plate.fit.line.at(float(plate.fit.line.along(toe)) + 0.3 * width)


def _edge_station(edge: PreparedEdge) -> Points:
    """Return where the thickness of a prepared member is drawn."""
    line = edge.outside.line
    depth = float(np.hypot(*(edge.outer_corner - edge.land_bottom)))
    return line.at(float(line.along(edge.outer_corner)) + 0.8 * depth)


def draw_weld(
    drawing: Drawing, layout: Layout, section: Section, values: Values, to_canvas: ToCanvas, units: UnitSystem
) -> None:
    """Draw one weld with its dimensions; what was not measured is not drawn."""
    if section.joint == "groove":
        _draw_groove(drawing, layout, section, values, to_canvas, units)
    elif section.face is not None and section.root is not None:
        _draw_fillet(drawing, layout, section.face, section.root, values, to_canvas, units)
    elif section.face is not None:
        _draw_butt(drawing, layout, section, section.face, values, to_canvas, units)


def format_value(value: Measured | None, units: UnitSystem) -> str | None:
    """Return a value as a drawing states it: mm without unit, inches with the nearest 1/64, degrees; no areas."""
    if not isinstance(value, Quantity) or value.unit == "mm2":
        return None
    if value.unit == "deg":
        return f"{value.value:z.1f}°"
    if units == "metric":
        return f"{value.value:z.2f}"
    inches = value.value / MM_PER_INCH
    return f"{inches:z.3f} ({nearest_fraction(inches)})"


def _draw_fillet(
    drawing: Drawing,
    layout: Layout,
    face: WeldSurface,
    root: Points,
    values: Values,
    to_canvas: ToCanvas,
    units: UnitSystem,
) -> None:
    at_root, left, right = to_canvas(np.array([root, face.toe_left, face.toe_right]))
    curve = to_canvas(face.face)
    layout.lines.append(curve[:: max(1, len(curve) // 60)])
    for toe in (left, right):
        reach = toe - at_root
        _line(drawing, layout, at_root - 0.12 * reach, at_root + 1.9 * reach)
    _toes(drawing, layout, face, left, right)
    drawing.primitives.append(Marker(at_root, "square"))
    for name, toe, other in (("leg_left", left, right), ("leg_right", right, left)):
        _dimension(drawing, layout, name, values, units, at_root, toe, -_square_to(toe - at_root, other - at_root), 2.2)
    out = _square_to(right - left, left - at_root)
    bulge = max(0.0, float(np.max((curve - left) @ out))) / drawing.text_px
    _dimension(drawing, layout, "face_width", values, units, left, right, out, bulge + 2.0)
    height, nearest = distance_to_segments(at_root, curve)
    if height > 0:
        _dimension(drawing, layout, "throat", values, units, at_root, nearest, np.zeros(2), 0.0)


def _draw_butt(
    drawing: Drawing,
    layout: Layout,
    section: Section,
    face: WeldSurface,
    values: Values,
    to_canvas: ToCanvas,
    units: UnitSystem,
) -> None:
    _draw_bead(drawing, layout, face, values, to_canvas, units, ("cap_width", "reinforcement"), +1)
    if section.root_side is not None:
        names = ("root_width", "root_reinforcement")
        _draw_bead(drawing, layout, section.root_side, values, to_canvas, units, names, -1)
    middle = (face.toe_left + face.toe_right) / 2
    sides = (
        ("left", face.left.fit.line, section.opposite_left, face.toe_left),
        ("right", face.right.fit.line, section.opposite_right, face.toe_right),
    )
    for side, top, opposite, toe in sides:
        if opposite is None:
            continue
        start = _station(face, side)
        foot = _across(start, top, opposite.line)
        line = np.array([_beside(opposite.line, toe), foot + 0.3 * (foot - _beside(opposite.line, toe))])
        _line(drawing, layout, *to_canvas(line))
        ends = to_canvas(np.array([start, foot]))
        _dimension(drawing, layout, f"thickness_{side}", values, units, ends[0], ends[1], np.zeros(2), 0.0)
    feet = np.array([_beside(line, middle) for line in (face.left.fit.line, face.right.fit.line)])
    start, end = to_canvas(feet)
    if np.hypot(*(end - start)) > 3 * drawing.stroke_px:
        _dimension(drawing, layout, "misalignment", values, units, start, end, np.zeros(2), 0.0)


def _draw_bead(
    drawing: Drawing,
    layout: Layout,
    bead: WeldSurface,
    values: Values,
    to_canvas: ToCanvas,
    units: UnitSystem,
    names: tuple[str, str],
    air: int,
) -> None:
    """Draw the face side (air +1) or root side (air -1) of a butt weld."""
    left, right = to_canvas(np.array([bead.toe_left, bead.toe_right]))
    curve = to_canvas(bead.face)
    layout.lines.append(curve[:: max(1, len(curve) // 60)])
    width = float(np.hypot(*(bead.toe_right - bead.toe_left)))
    for plate, toe in ((bead.left, bead.toe_left), (bead.right, bead.toe_right)):
        line = plate.fit.line
        foot = float(line.along(toe))
        ends = to_canvas(np.array([line.at(foot - 0.55 * width), line.at(foot + 0.9 * width)]))
        _line(drawing, layout, *ends)
    _toes(drawing, layout, bead, left, right)
    chord = _unit(right - left)
    # On the canvas y points down: the air of the face side lies to the left of the travel, up.
    out = air * np.array([chord[1], -chord[0]])
    heights = (curve - left) @ out
    top = curve[int(np.argmax(heights))]
    bulge = max(0.0, float(heights.max())) / drawing.text_px
    _dimension(drawing, layout, names[0], values, units, left, right, out, bulge + 2.0)
    if heights.max() > 2 * drawing.stroke_px:
        foot_point = top - heights.max() * out
        reach = float((right - top) @ chord) / drawing.text_px + 2.0
        _dimension(drawing, layout, names[1], values, units, foot_point, top, chord, reach)


def _toes(drawing: Drawing, layout: Layout, face: WeldSurface, left: Points, right: Points) -> None:
    """Mark the toes that are told, and draw the chord where both are."""
    if not face.untold:
        _chord(drawing, layout, left, right)
    markers = {"left": Marker(left, "triangle"), "right": Marker(right, "circle")}
    drawing.primitives.extend(marker for side, marker in markers.items() if side not in face.untold)


def _draw_groove(
    drawing: Drawing, layout: Layout, section: Section, values: Values, to_canvas: ToCanvas, units: UnitSystem
) -> None:
    edges = {"left": section.edge_left, "right": section.edge_right}
    for side, edge in edges.items():
        if edge is not None:
            _draw_edge(drawing, layout, edge, side, values, to_canvas, units)
    first, second = edges["left"], edges["right"]
    if first is None or second is None:
        return
    # The gap is stated along the left plate, so it is drawn along it, whatever the offset of the root edges.
    along = first.outside.line.direction
    across_gap = first.land_bottom + ((second.land_bottom - first.land_bottom) @ along) * along
    ends = to_canvas(np.array([first.land_bottom, across_gap, first.outer_corner, second.outer_corner]))
    down = _square_to(ends[1] - ends[0], ends[0] - ends[2])
    _dimension(drawing, layout, "root_gap", values, units, ends[0], ends[1], down, 2.2)
    feet = [_beside(edge.outside.line, first.outer_corner) for edge in (first, second)]
    start, end = to_canvas(np.array(feet))
    if np.hypot(*(end - start)) > 3 * drawing.stroke_px:
        _dimension(drawing, layout, "misalignment", values, units, start, end, _unit(ends[3] - ends[2]), 2.0)


def _draw_edge(
    drawing: Drawing,
    layout: Layout,
    edge: PreparedEdge,
    side: str,
    values: Values,
    to_canvas: ToCanvas,
    units: UnitSystem,
) -> None:
    outside = edge.outside.line
    corner, land_top, land_bottom = to_canvas(np.array([edge.outer_corner, edge.land_top, edge.land_bottom]))
    depth = float(np.hypot(*(edge.outer_corner - edge.land_bottom)))
    foot = float(outside.along(edge.outer_corner))
    _line(drawing, layout, *to_canvas(np.array([outside.at(foot - 0.6 * depth), outside.at(foot + 1.2 * depth)])))
    start = _edge_station(edge)
    if edge.inside is not None:
        inside = edge.inside.line
        low = float(inside.along(edge.land_bottom))
        _line(drawing, layout, *to_canvas(np.array([inside.at(low - 0.3 * depth), inside.at(low + 1.2 * depth)])))
        ends = to_canvas(np.array([start, _across(start, outside, inside)]))
        _dimension(drawing, layout, f"thickness_{side}", values, units, ends[0], ends[1], np.zeros(2), 0.0)
    for first, second in ((corner, land_top), (land_top, land_bottom)):
        if np.hypot(*(second - first)) > 1:
            _chord(drawing, layout, first, second)
    drawing.primitives.append(Marker(corner, "triangle" if side == "left" else "circle"))
    drawing.primitives.append(Marker(land_bottom, "square"))
    into = _unit(to_canvas(start)[0] - corner)
    _dimension(drawing, layout, f"root_face_{side}", values, units, land_top, land_bottom, into, 2.5)
    angle = format_value(values.get(f"bevel_angle_{side}"), units)
    if angle is not None and edge.bevel is not None:
        up = _unit(corner - land_bottom)
        _bevel(drawing, layout, f"bevel {angle}", corner, land_top, into, up)


def _bevel(
    drawing: Drawing, layout: Layout, words: str, corner: Points, land_top: Points, into: Points, up: Points
) -> None:
    """Write a bevel angle beside its face, in the metal or above it, where it collides least."""
    text, half = drawing.text_px, 0.5 * drawing.text_width(words)
    spots = [
        corner + down * (land_top - corner) + (half + aside * text) * into
        for aside in (0.6, 1.6, 3.0)
        for down in (0.3, 0.5, 0.7)
    ]
    spots += [corner + (half + aside * text) * into + 1.1 * text * up for aside in (-1.0, 0.5, 2.0)]
    places = []
    for number, spot in enumerate(spots):
        rows = [spot + np.array([[-half, row], [half, row]]) for row in (-0.3 * text, 0.3 * text)]
        box = np.concatenate([samples(start, end, 0.5 * text) for start, end in rows])
        places.append((layout.cost(spot[None], box, drawing) + 0.02 * number, number, box))
    _, best, box = min(places, key=lambda place: place[:2])
    drawing.primitives.append(Text(spots[best], words))
    layout.texts.append(box)


_SHORT = {
    "leg_left": "leg",
    "leg_right": "leg",
    "throat": "throat",
    "face_width": "width",
    "cap_width": "cap",
    "root_width": "root width",
    "reinforcement": "height",
    "root_reinforcement": "root height",
    "thickness_left": "t",
    "thickness_right": "t",
    "misalignment": "misalignment",
    "root_gap": "gap",
    "root_face_left": "root face",
    "root_face_right": "root face",
}


def _dimension(
    drawing: Drawing,
    layout: Layout,
    name: str,
    values: Values,
    units: UnitSystem,
    start: Points,
    end: Points,
    away: Points,
    offset: float,
) -> None:
    text = format_value(values.get(name), units)
    if text is not None and np.hypot(*(end - start)) > 0:
        draw_dimension(drawing, layout, Dimension(start, end, away, f"{_SHORT[name]} {text}", offset))


def _line(drawing: Drawing, layout: Layout, start: Points, end: Points) -> None:
    drawing.primitives.append(Polyline(np.array([start, end]), PLATE))
    layout.lines.append(samples(start, end, 0.5 * drawing.text_px))


def _chord(drawing: Drawing, layout: Layout, start: Points, end: Points) -> None:
    drawing.primitives.append(Polyline(np.array([start, end]), CHORD))
    layout.lines.append(samples(start, end, 0.5 * drawing.text_px))


def _unit(vector: Points) -> Points:
    return np.asarray(vector / max(float(np.hypot(*vector)), 1e-9))


def _square_to(base: Points, towards: Points) -> Points:
    """Return the unit vector square to a base on the side of another vector."""
    along = _unit(base)
    rest = towards - (towards @ along) * along
    return _unit(rest)


def _beside(line: Line, point: Points, more: float = 0.0) -> Points:
    """Return the foot of a point on a line, moved on along it by a share of a mm."""
    return line.at(float(line.along(point)) + more)


def _across(start: Points, top: Line, opposite: Line) -> Points:
    """Return where the perpendicular of the top line meets the opposite line."""
    tilt = float(top.normal @ opposite.normal)
    return np.asarray(start - float(opposite.offset(start)) / tilt * top.normal)
