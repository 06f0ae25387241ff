"""Dimension lines in ISO 129-1 manner: extension lines, arrowheads, the value along the line above it."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from core.geometry import Points
from desk.drawing import DIMENSION, Arrowhead, Drawing, Polyline, Text


@dataclass(frozen=True, slots=True, eq=False)
class Dimension:
    """A length to be drawn between two canvas points.

    Attributes
    ----------
    start, end
        The points whose distance is stated.
    away
        Unit vector, square to start-end, towards which the dimension line is moved off the part.
    offset
        How far the line is moved off at least, in text heights; 0 draws it between the points themselves.
    """

    start: Points
    end: Points
    away: Points
    label: str
    offset: float = 2.5


@dataclass(slots=True)
class Layout:
    """Boxes already taken on the canvas, each (N, 2) sample points of what lies there."""

    taken: list[Points] = field(default_factory=list)

    def cost(self, samples: Points, drawing: Drawing, reach_px: float) -> float:
        """Return how much of a label's samples is covered, or off the picture."""
        x, y = samples[:, 0], samples[:, 1]
        margin = 0.4 * drawing.text_px
        off = (x < margin) | (y < margin) | (x > drawing.width_px - margin) | (y > drawing.picture_height_px - margin)
        total = 4.0 * float(np.mean(off))
        for other in self.taken:
            near = np.hypot(samples[:, None, 0] - other[None, :, 0], samples[:, None, 1] - other[None, :, 1])
            total += float(np.mean(near.min(axis=1) < reach_px))
        return total


def draw_dimension(drawing: Drawing, layout: Layout, wanted: Dimension) -> None:
    """Draw a dimension where its line and its text collide least with what is there."""
    options: list[tuple[float, int, list[Polyline | Arrowhead | Text], Points]] = []
    for offset in (1.0, 1.7, 2.5, 3.4) if wanted.offset > 0 else (1.0,):
        for side in (1.0, -1.0) if wanted.offset > 0 else (1.0,):
            for place in ("inside", "after", "before"):
                primitives, samples = _layout(drawing, wanted, wanted.offset * offset * side, place)
                cost = layout.cost(samples, drawing, 0.55 * drawing.text_px)
                bias = 0.12 * (offset - 1) + (0.5 if side < 0 else 0.0) + (0.0 if place == "inside" else 0.15)
                options.append((cost + bias, len(options), primitives, samples))
    _, _, primitives, samples = min(options, key=lambda option: option[:2])
    drawing.primitives.extend(primitives)
    layout.taken.append(samples)


def _layout(
    drawing: Drawing, wanted: Dimension, offset: float, place: str
) -> tuple[list[Polyline | Arrowhead | Text], Points]:
    text = drawing.text_px
    shift = offset * text * wanted.away
    first, second = wanted.start + shift, wanted.end + shift
    length = float(np.hypot(*(second - first)))
    along = (second - first) / length if length > 1e-6 else np.array([-wanted.away[1], wanted.away[0]])
    primitives: list[Polyline | Arrowhead | Text] = []
    if offset:
        over = math.copysign(0.4 * text, offset) * wanted.away
        gap = math.copysign(0.3 * text, offset) * wanted.away
        for origin, foot in ((wanted.start, first), (wanted.end, second)):
            primitives.append(Polyline(np.array([origin + gap, foot + over]), DIMENSION))
    width = drawing.text_width(wanted.label)
    arrows_inside = length > 30 * drawing.stroke_px
    tail = 20 * drawing.stroke_px
    line_start, line_end = (first, second) if arrows_inside else (first - tail * along, second + tail * along)
    angle = math.degrees(math.atan2(along[1], along[0]))
    # Readable from below or from the right (ISO 129-1): never upside down, and steep text runs upwards.
    if angle > 70 or angle <= -110:
        angle += 180 if angle <= -110 else -180
    reading = np.array([math.cos(math.radians(angle)), math.sin(math.radians(angle))])
    above = np.array([reading[1], -reading[0]]) * 0.75 * text
    if place == "inside" and width < 0.98 * length:
        centre = (first + second) / 2 + above
    elif place == "before":
        line_start = line_start - (width + 0.6 * text) * along
        centre = line_start + (0.5 * width + 0.1 * text) * along + above
    else:
        line_end = line_end + (width + 0.6 * text) * along
        centre = line_end - (0.5 * width + 0.1 * text) * along + above
    primitives.append(Polyline(np.array([line_start, line_end]), DIMENSION))
    sign = 1.0 if arrows_inside else -1.0
    primitives.append(Arrowhead(first, -sign * along))
    primitives.append(Arrowhead(second, sign * along))
    primitives.append(Text(centre, wanted.label, angle_deg=angle))
    steps = np.linspace(-0.5, 0.5, max(3, int(width / (0.8 * text))))[:, None] * width * reading
    box = np.concatenate([centre + steps - 0.3 * above, centre + steps + 0.3 * above])
    stations = np.linspace(0, 1, 12)[:, None]
    return primitives, np.concatenate([box, box, line_start + stations * (line_end - line_start)])
