"""What lies inside a weld, on the canvas: fusion line by its confidence, zones hatched, depths, indications."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Mapping

import cv2
import numpy as np

from core.geometry import Line, Points, intersection
from core.quantity import Measured, Quantity
from core.units import UnitSystem
from desk.dimension import Dimension, Layout, draw_dimension
from desk.drawing import ACCENT, INK, Drawing, LineStyle, Polyline
from desk.joint_drawing import format_value
from desk.legend_text import shortened, wrapped
from vision.found import FoundWelds
from vision.fusion_line import CLEAR, SEEN, FusionLine, Indication, Inside
from vision.section import Section

ToCanvas = Callable[[Points], Points]
Values = Mapping[str, Measured]

SHOWN = LineStyle(2.0, (), INK)
DOUBTFUL = LineStyle(2.0, (8, 5), INK)
UNSEEN = LineStyle(2.0, (1.5, 4), INK)
FUSED = LineStyle(0.7, (), ACCENT, cased=False)
HEATED = LineStyle(0.7, (4, 5), ACCENT, cased=False)
SPOT = LineStyle(1.2, (), INK)

_NAMES = {
    "pore_area_share": "pores and inclusions",
    "largest_pore": "largest",
    "longest_linear_indication": "linear indication",
    "dilution": "dilution",
    "haz_width_left": "heat-affected zone L",
    "haz_width_right": "heat-affected zone R",
    "lack_of_root_fusion": "lack of root fusion",
    "lack_of_penetration": "lack of penetration",
}


KEY = "Fusion line: solid clear, dashed doubtful, dotted not shown. Hatched: fused metal; broken: heated zone."


def draw_zones(drawing: Drawing, layout: Layout, section: Section, to_canvas: ToCanvas) -> None:
    """Draw zones, fusion lines and indications of one weld, under its dimensions; nothing without a fusion line."""
    inside = section.inside
    if inside is None or not inside.lines:
        return
    for ring, style, angle, spacing in _zones(section, inside):
        _hatch(drawing, to_canvas(ring), style, angle, spacing * drawing.text_px)
    for line in inside.lines:
        curve = to_canvas(line.points_mm)
        layout.lines.append(curve[:: max(1, len(curve) // 80)])
        _fusion(drawing, line, curve)
    for spot in inside.indications or ():
        _spot(drawing, spot, to_canvas)


def draw_depths(
    drawing: Drawing, layout: Layout, section: Section, values: Values, to_canvas: ToCanvas, units: UnitSystem
) -> None:
    """Draw each depth inside one weld with its dimension line."""
    inside = section.inside
    if inside is None or not inside.lines:
        return
    for name, words, start, end in _depths(section, inside):
        text = format_value(values.get(name), units)
        ends = to_canvas(np.array([start, end]))
        if text is not None and np.hypot(*(ends[1] - ends[0])) > 2 * drawing.stroke_px:
            draw_dimension(drawing, layout, Dimension(ends[0], ends[1], np.zeros(2), f"{words} {text}", 0.0))


def inside_lines(found: FoundWelds, measured: tuple[Values, ...], units: UnitSystem, characters: int) -> list[str]:
    """Return the lines of the legend: how confidence and zones are drawn, and values without a dimension."""
    lines: list[str] = []
    for number, (weld, values) in enumerate(zip(found.welds, measured, strict=True), start=1):
        inside = weld.section.inside
        if inside is None or not inside.lines:
            continue
        stated = []
        for name, words in _NAMES.items():
            value = values.get(name)
            if isinstance(value, Quantity):
                text = f"{value.value:.1f} %" if value.unit == "percent" else format_value(value, units)
                if text is not None:
                    stated.append((words, text))
        if stated:
            lines += wrapped(f"Weld {number}, inside", shortened(stated), characters)
    return [*lines, *key_lines(found, characters)]


def key_lines(found: FoundWelds, characters: int) -> list[str]:
    """Return what the lines and zones inside mean, in lines of limited length; none where none are drawn."""
    if any(weld.section.inside is not None and weld.section.inside.lines for weld in found.welds):
        return textwrap.wrap(KEY, max(20, characters), subsequent_indent="    ")
    return []


def _fusion(drawing: Drawing, line: FusionLine, curve: Points) -> None:
    """Draw a line in pieces of equal confidence, pieces too short to see joined to their neighbours."""
    level = np.digitize(line.confidence, (SEEN, CLEAR))
    if line.marked and not line.confidence.any():
        level = np.ones(len(curve), int)
    breaks = np.flatnonzero(np.diff(level)) + 1
    for piece in np.split(np.arange(len(curve)), breaks):
        ends = np.append(piece, min(piece[-1] + 1, len(curve) - 1))
        style = (UNSEEN, DOUBTFUL, SHOWN)[int(level[piece[0]])]
        drawing.primitives.append(Polyline(curve[ends], style))


def _zones(section: Section, inside: Inside) -> list[tuple[Points, LineStyle, float, float]]:
    """Return closed rings in mm with how they are hatched: style, angle, spacing in text heights."""
    zones: list[tuple[Points, LineStyle, float, float]] = []
    if section.root is not None and section.face is not None:
        zones.append((np.vstack([section.root, inside.lines[0].points_mm]), FUSED, 45.0, 0.55))
    for limit in inside.haz_mm:
        line = min((line.points_mm for line in inside.lines), key=lambda points: _distance(points, limit))
        first, last = (int(np.argmin(np.hypot(*(line - end).T))) for end in (limit[0], limit[-1]))
        if last > first + 1:
            zones.append((np.vstack([line[first : last + 1], limit[::-1]]), HEATED, -45.0, 0.9))
    return zones


def _distance(line: Points, other: Points) -> float:
    return float(np.min(np.hypot(*(line - other[len(other) // 2]).T)))


def _hatch(drawing: Drawing, ring: Points, style: LineStyle, angle_deg: float, spacing: float) -> None:
    """Draw parallel lines inside a closed ring."""
    along = np.array([np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))])
    across = np.array([-along[1], along[0]])
    contour = ring.astype(np.float32).reshape(-1, 1, 2)
    reach, levels = ring @ along, ring @ across
    step = 1.5 * drawing.stroke_px
    for level in np.arange(np.ceil(levels.min() / spacing) * spacing, levels.max(), spacing):
        at = np.arange(reach.min(), reach.max(), step)
        points = at[:, None] * along + level * across
        hit = np.array([cv2.pointPolygonTest(contour, (float(x), float(y)), False) > 0 for x, y in points], bool)
        edges = np.flatnonzero(np.diff(np.concatenate([[False], hit, [False]]).astype(int)))
        for first, last in zip(edges[::2], edges[1::2], strict=True):
            if last - first > 2:
                drawing.primitives.append(Polyline(points[[first, last - 1]], style))


def _spot(drawing: Drawing, spot: Indication, to_canvas: ToCanvas) -> None:
    """Ring a compact spot, frame a linear indication."""
    x, y = spot.centre_mm
    centre, beside = to_canvas(np.array([[x, y], [x + 0.5 * spot.length_mm, y]]))
    radius = float(np.hypot(*(beside - centre))) + 3 * drawing.stroke_px
    count = 33 if spot.kind == "pore_or_inclusion" else 5
    turn = np.linspace(0, 2 * np.pi, count) + (np.pi / 4 if count == 5 else 0)
    ring = centre + radius * np.column_stack([np.cos(turn), np.sin(turn)])
    drawing.primitives.append(Polyline(ring, SPOT))


def _depths(section: Section, inside: Inside) -> list[tuple[str, str, Points, Points]]:
    """Return the depths with the two points between which each is drawn, mm."""
    face, root = section.face, section.root
    if face is None:
        return []
    line = inside.lines[0].points_mm
    if root is None:
        if inside.through:
            return []
        chord = Line.through(face.toe_left, face.toe_right)
        deepest = line[int(np.argmin(chord.offset(line)))]
        depths = [("penetration_depth", "depth", chord.at(float(chord.along(deepest))), deepest)]
        for other in inside.lines[1:]:
            if section.root_side is not None:
                low = Line.through(section.root_side.toe_left, section.root_side.toe_right)
                top = other.points_mm[int(np.argmax(low.offset(other.points_mm)))]
                depths.append(("root_side_penetration_depth", "root side", low.at(float(low.along(top))), top))
        return depths
    both = face.left.fit.line.direction + face.right.fit.line.direction
    bisector = both / np.hypot(*both)
    depths = []
    for side, plate in (("left", face.left.fit.line), ("right", face.right.fit.line)):
        into = plate.normal if plate.normal @ bisector < 0 else -plate.normal
        along = (line - root) @ plate.direction
        deepest = line[int(np.argmax(np.where(along >= 0, (line - plate.point) @ into, -np.inf)))]
        depths.append((f"penetration_{side}", "pen.", plate.at(float(plate.along(deepest))), deepest))
    axis = Line(float(root[0]), float(root[1]), float(bisector[0]), float(bisector[1]))
    crossing = _crossing(line, axis)
    if crossing is not None:
        depths.append(("root_penetration", "root", root, crossing))
    return depths


def _crossing(line: Points, axis: Line) -> Points | None:
    """Return where a line crosses an axis, the deepest place."""
    side = axis.offset(line)
    change = np.flatnonzero(np.sign(side[:-1]) != np.sign(side[1:]))
    points = [intersection(axis, Line.through(line[at], line[at + 1])) for at in change]
    crossings = [point for point in points if point is not None]
    return min(crossings, key=lambda point: float(axis.along(point))) if crossings else None
