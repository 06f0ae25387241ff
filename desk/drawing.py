"""A drawing as a list of primitives in canvas pixels (x right, y down): made once, shown by two back-ends."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from core.geometry import Points

INK = (16, 32, 44)
ACCENT = (200, 60, 0)
PAPER = (255, 255, 255)
CHARACTER = 0.53
"""Width of a character of the fonts used, a little on the large side, as a share of the text height."""

Colour = tuple[int, int, int]
Anchor = Literal["start", "middle", "end"]
MarkerShape = Literal["circle", "triangle", "square", "cross"]


@dataclass(frozen=True, slots=True)
class LineStyle:
    """How a line is drawn: lengths in units of the drawing's stroke width, dashes on/off in turn.

    ``cased`` gives it a light casing over a picture.
    """

    width: float = 1.0
    dashes: tuple[float, ...] = ()
    colour: Colour = INK
    cased: bool = True


OUTLINE = LineStyle(1.0, (), ACCENT)
PLATE = LineStyle(1.2, (14, 5, 3, 5), INK)
CHORD = LineStyle(1.2, (7, 6), INK)
DIMENSION = LineStyle(0.8, (), INK)


@dataclass(frozen=True, slots=True, eq=False)
class Polyline:
    points: Points
    style: LineStyle


@dataclass(frozen=True, slots=True, eq=False)
class Arrowhead:
    """A closed, filled arrowhead with its tip at a point (ISO 129-1 manner), pointing along a unit vector."""

    tip: Points
    direction: Points


@dataclass(frozen=True, slots=True, eq=False)
class Marker:
    at: Points
    shape: MarkerShape


@dataclass(frozen=True, slots=True, eq=False)
class Text:
    """Text whose box is centred across the baseline direction; ``angle_deg`` turns clockwise on the screen."""

    at: Points
    content: str
    angle_deg: float = 0.0
    anchor: Anchor = "middle"
    size: float = 1.0
    bold: bool = False


Primitive = Polyline | Arrowhead | Marker | Text


@dataclass(frozen=True, slots=True, eq=False)
class Drawing:
    """A picture with primitives over it.

    Attributes
    ----------
    background
        (H, W, 3) uint8 RGB, the whole canvas.
    stroke_px
        Width of a line of width 1.
    text_px
        Height of text of size 1.
    picture_height_px
        Height of the picture; the strip below it is plain paper.
    primitives
        What lies over the picture, cut at its border and with a light casing, so that it shows on any metal.
    paper
        What lies on the strip.
    brief
        Dimensions leave out the fraction in brackets: where the drawing is shown small, beside a table that has it.
    """

    background: NDArray[np.uint8]
    stroke_px: float
    text_px: float
    picture_height_px: int
    primitives: list[Primitive] = field(default_factory=list)
    paper: list[Primitive] = field(default_factory=list)
    brief: bool = False

    @property
    def layered(self) -> list[Primitive]:
        """The primitives with every text above every line."""
        return sorted(self.primitives, key=lambda primitive: isinstance(primitive, Text))

    @property
    def width_px(self) -> int:
        return int(self.background.shape[1])

    @property
    def height_px(self) -> int:
        return int(self.background.shape[0])

    def text_width(self, content: str, size: float = 1.0) -> float:
        """Return the width of a text, px, a little on the large side."""
        return CHARACTER * self.text_px * size * len(content)


def arrow_corners(arrow: Arrowhead, stroke_px: float) -> Points:
    """Return the three corners of an arrowhead, (3, 2)."""
    length, half = 9.0 * stroke_px, 2.4 * stroke_px
    normal = np.array([-arrow.direction[1], arrow.direction[0]])
    back = arrow.tip - length * arrow.direction
    return np.array([arrow.tip, back + half * normal, back - half * normal])


def marker_outline(marker: Marker, stroke_px: float) -> list[tuple[Points, bool]]:
    """Return the strokes of a marker as (points, closed)."""
    r = 5.0 * stroke_px
    if marker.shape == "cross":
        return [
            (marker.at + r * np.array([[-1.0, -1.0], [1.0, 1.0]]), False),
            (marker.at + r * np.array([[-1.0, 1.0], [1.0, -1.0]]), False),
        ]
    turns = {"circle": 32, "triangle": 3, "square": 4}[marker.shape]
    start = {"circle": 0.0, "triangle": -math.pi / 2, "square": math.pi / 4}[marker.shape]
    angle = start + 2 * math.pi * np.arange(turns) / turns
    return [(marker.at + r * np.column_stack([np.cos(angle), np.sin(angle)]), True)]


def dashed(points: Points, dashes: tuple[float, ...], unit_px: float) -> list[Points]:
    """Cut a polyline into the pieces that are drawn, by length along it."""
    if not dashes or len(points) < 2:
        return [points]
    steps = np.hypot(*np.diff(points, axis=0).T)
    along = np.concatenate([[0.0], np.cumsum(steps)])
    total = float(along[-1])
    pieces, position, index = [], 0.0, 0
    while position < total:
        end = min(position + dashes[index % len(dashes)] * unit_px, total)
        if index % 2 == 0:
            inside = (along > position) & (along < end)
            stations = np.concatenate([[position], along[inside], [end]])
            pieces.append(np.column_stack([np.interp(stations, along, points[:, k]) for k in (0, 1)]))
        position, index = end, index + 1
    return pieces
