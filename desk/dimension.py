"""Dimension lines in ISO 129-1 manner: extension lines, arrowheads, the value along the line above it."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from functools import cache

import numpy as np

from core.geometry import Points, near
from desk.drawing import DIMENSION, Arrowhead, Drawing, Polyline, Text

PLACES = (("inside", 0.0), *((place, farther) for farther in (0.0, 5.0, 10.0, 15.0) for place in ("after", "before")))
"""Where the text may stand: between the arrows, or outside, some text heights farther on."""


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


@dataclass(frozen=True, slots=True, eq=False)
class Layout:
    """What the canvas already holds, as (N, 2) sample points: lines, and boxes of text."""

    lines: list[Points] = field(default_factory=list)
    texts: list[Points] = field(default_factory=list)

    def cost(self, line: Points, text: Points, drawing: Drawing) -> float:
        """Return how badly a new line and its text collide with what is there, or leave the picture."""
        x, y = text.T
        margin = 0.4 * drawing.text_px
        off = (x < margin) | (y < margin) | (x > drawing.width_px - margin) | (y > drawing.picture_height_px - margin)
        reach = 0.55 * drawing.text_px
        total = 12.0 * float(np.mean(off))  # a figure that is cut off is worse than one that is crossed
        total += sum(float(np.mean(near(text, other, reach))) for other in self.lines)
        total += sum(3.0 * float(np.mean(near(text, other, reach))) for other in self.texts)
        return total + sum(0.6 * float(np.count_nonzero(near(line, other, reach))) for other in self.texts)


def samples(start: Points, end: Points, step_px: float) -> Points:
    """Return points along a straight line about a step apart, (N, 2)."""
    count = max(2, math.ceil(float(np.hypot(*(end - start))) / step_px) + 1)
    return np.asarray(start + np.linspace(0, 1, count)[:, None] * (end - start))


def draw_dimension(drawing: Drawing, layout: Layout, wanted: Dimension) -> None:
    """Draw a dimension where its line and its text collide least with what is there."""
    if drawing.brief:
        wanted = replace(wanted, label=wanted.label.partition(" (")[0])
    best, least = None, math.inf
    for bias, offset, place, farther in _ways(moved=wanted.offset > 0):
        if bias >= least:
            break
        placed = _placed(drawing, wanted, wanted.offset * offset, place, farther)
        cost = bias + layout.cost(placed.line, placed.text, drawing)
        if best is None or cost < least:
            best, least = placed, cost
    assert best is not None, "there is always a first way"
    drawing.primitives.extend(best.primitives)
    layout.lines.append(best.line)
    layout.texts.append(best.text)


@cache
def _ways(*, moved: bool) -> tuple[tuple[float, float, str, float], ...]:
    """Return how a dimension may be laid, the plainest first: its fault, how far to which side, where its text is."""
    offsets = [(side * offset, 0.12 * (offset - 1) + (0.5 if side < 0 else 0.0))
               for offset in (1.0, 1.7, 2.5, 3.4) for side in (1.0, -1.0)] if moved else [(1.0, 0.0)]  # fmt: skip
    ways = [
        (bias + (0.0 if place == "inside" else 0.15) + 0.05 * farther, offset, place, farther)
        for offset, bias in offsets
        for place, farther in PLACES
    ]
    return tuple(sorted(ways, key=lambda way: way[0]))


@dataclass(frozen=True, slots=True, eq=False)
class _Placed:
    """A dimension laid out: what is drawn, and sample points of its line and of its text."""

    primitives: list[Polyline | Arrowhead | Text]
    line: Points
    text: Points


def _placed(drawing: Drawing, wanted: Dimension, offset: float, place: str, farther: float) -> _Placed:
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
        line_start = line_start - (width + (0.6 + farther) * text) * along
        centre = line_start + (0.5 * width + 0.1 * text) * along + above
    else:
        line_end = line_end + (width + (0.6 + farther) * text) * along
        centre = line_end - (0.5 * width + 0.1 * text) * along + above
    primitives.append(Polyline(np.array([line_start, line_end]), DIMENSION))
    sign = 1.0 if arrows_inside else -1.0
    primitives.append(Arrowhead(first, -sign * along))
    primitives.append(Arrowhead(second, sign * along))
    primitives.append(Text(centre, wanted.label, angle_deg=angle))
    half = 0.5 * width * reading
    rows = [samples(centre - half + shift, centre + half + shift, 0.5 * text) for shift in (-0.3 * above, 0.3 * above)]
    return _Placed(primitives, samples(line_start, line_end, 0.5 * text), np.concatenate(rows))
