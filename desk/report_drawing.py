"""The primitives of a drawing as lines and text of a PDF page, over the picture that lies there."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from desk.drawing import (
    INK,
    PAPER,
    Arrowhead,
    Colour,
    Drawing,
    Marker,
    Polyline,
    Primitive,
    Text,
    arrow_corners,
    marker_outline,
)

if TYPE_CHECKING:
    from fpdf import FPDF

CASED_MM = 0.12
HALO = 0.28
"""Width of the casing of a text over the picture, as a share of its size, as in the SVG drawing."""


def draw_primitive(pdf: FPDF, item: Primitive, drawing: Drawing, scale: float, origin: Any) -> None:
    """Draw one primitive with its casing.

    Parameters
    ----------
    scale
        mm on the page for a pixel of the drawing.
    origin
        (2,) upper left corner of the picture on the page, mm.
    """
    stroke = drawing.stroke_px * scale
    if isinstance(item, Polyline):
        points = [tuple(point) for point in origin + scale * item.points]
        width = item.style.width * stroke
        if item.style.cased:
            _stroke(pdf, points, PAPER, width + 2 * CASED_MM)
        pattern = [part * stroke for part in item.style.dashes]
        _stroke(pdf, points, item.style.colour, width, pattern)
    elif isinstance(item, Arrowhead):
        pdf.set_fill_color(*INK)
        pdf.set_draw_color(*PAPER)
        pdf.set_line_width(CASED_MM)
        pdf.polygon([tuple(point) for point in origin + scale * arrow_corners(item, drawing.stroke_px)], style="DF")
    elif isinstance(item, Marker):
        for colour, extra in ((PAPER, 2 * CASED_MM), (INK, 0.0)):
            for outline, closed in marker_outline(item, drawing.stroke_px):
                points = [
                    tuple(point)
                    for point in origin + scale * (np.vstack([outline, outline[:1]]) if closed else outline)
                ]
                _stroke(pdf, points, colour, 1.6 * stroke + extra)
    else:
        _label(pdf, item, drawing, scale, origin)


def _stroke(pdf: FPDF, points: list[Any], colour: Colour, width: float, dashes: Sequence[float] = ()) -> None:
    pdf.set_draw_color(*colour)
    pdf.set_line_width(width)
    if dashes:
        # the library knows one dash and one gap: the longest dash stands for the pattern
        pdf.set_dash_pattern(dash=dashes[0], gap=dashes[1])
    pdf.polyline(points)
    if dashes:
        pdf.set_dash_pattern()


def _label(pdf: FPDF, text: Text, drawing: Drawing, scale: float, origin: Any) -> None:
    size_mm = text.size * drawing.text_px * scale
    points = size_mm * 72 / 25.4
    pdf.set_font("body", "B" if text.bold else "", points)
    width = pdf.get_string_width(text.content)
    x, y = origin + scale * np.asarray(text.at)
    start = {"start": 0.0, "middle": -0.5 * width, "end": -width}[text.anchor]
    baseline = 0.36 * size_mm
    with pdf.rotation(-text.angle_deg, x, y):
        for mode, colour in (("STROKE", PAPER), ("FILL", INK)):
            with pdf.local_context(text_mode=mode, draw_color=colour, fill_color=colour):
                # set inside: the context takes a width only for shapes; a thin casing leaves text dark on dark metal
                # and writes it before a text without turning it from mm into points
                pdf.set_line_width(HALO * points)
                pdf.set_text_color(*colour)
                pdf.text(x + start, y + baseline, text.content)
