"""A drawing as SVG, its picture embedded as JPEG."""

from __future__ import annotations

import base64
from html import escape

import cv2
import numpy as np

from core.geometry import Points
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

FONT = "'DejaVu Sans', Verdana, 'Liberation Sans', Arial, sans-serif"


def as_svg(drawing: Drawing) -> bytes:
    """Return the drawing as an SVG document."""
    width, height = drawing.width_px, drawing.height_px
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" width="{width}" height="{height}" '
        f'font-family="{FONT}" font-size="{drawing.text_px:.1f}" stroke-linejoin="round" stroke-linecap="butt">',
        f'<image width="{width}" height="{height}" href="data:image/jpeg;base64,{_jpeg(drawing)}"/>',
    ]
    parts.append(f'<clipPath id="picture"><rect width="{width}" height="{drawing.picture_height_px}"/></clipPath>')
    parts.append('<g clip-path="url(#picture)">')
    parts += [_primitive(drawing, primitive, cased=True) for primitive in drawing.layered]
    parts.append("</g>")
    parts += [_primitive(drawing, primitive, cased=False) for primitive in drawing.paper]
    parts.append("</svg>\n")
    return "\n".join(parts).encode("utf-8")


def _primitive(drawing: Drawing, primitive: Primitive, *, cased: bool) -> str:
    if isinstance(primitive, Polyline):
        return _polyline(drawing, primitive, cased)
    if isinstance(primitive, Arrowhead):
        corners = _points(arrow_corners(primitive, drawing.stroke_px))
        casing = f' stroke="{_hex(PAPER)}" stroke-width="{drawing.stroke_px:.2f}" paint-order="stroke"' if cased else ""
        return f'<polygon points="{corners}" fill="{_hex(INK)}"{casing}/>'
    if isinstance(primitive, Marker):
        return _marker(drawing, primitive)
    return _text(drawing, primitive, cased)


def _jpeg(drawing: Drawing) -> str:
    bgr = cv2.cvtColor(drawing.background, cv2.COLOR_RGB2BGR)
    _, data = cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, 88])
    return base64.b64encode(np.asarray(data).tobytes()).decode("ascii")


def _polyline(drawing: Drawing, line: Polyline, cased: bool) -> str:
    points = _points(line.points)
    width = line.style.width * drawing.stroke_px
    dashes = " ".join(f"{part * drawing.stroke_px:.1f}" for part in line.style.dashes)
    pattern = f' stroke-dasharray="{dashes}"' if dashes else ""
    shape = f'<polyline points="{points}" fill="none"{pattern}'
    casing = ""
    if cased and line.style.cased:
        casing = f'{shape} stroke="{_hex(PAPER)}" stroke-width="{width + 2 * drawing.stroke_px:.2f}" opacity="0.8"/>'
    return f'{casing}{shape} stroke="{_hex(line.style.colour)}" stroke-width="{width:.2f}"/>'


def _marker(drawing: Drawing, marker: Marker) -> str:
    parts = []
    for colour, extra in ((PAPER, 2.0), (INK, 0.0)):
        for points, closed in marker_outline(marker, drawing.stroke_px):
            tag = "polygon" if closed else "polyline"
            width = (1.6 + extra) * drawing.stroke_px
            parts.append(
                f'<{tag} points="{_points(points)}" fill="none" stroke="{_hex(colour)}" stroke-width="{width:.2f}"/>'
            )
    return "".join(parts)


def _text(drawing: Drawing, text: Text, cased: bool) -> str:
    x, y = text.at
    halo = ""
    if cased:
        halo = f' stroke="{_hex(PAPER)}" stroke-width="{0.28 * drawing.text_px:.1f}" paint-order="stroke"'
    weight = ' font-weight="bold"' if text.bold else ""
    turn = f' transform="rotate({text.angle_deg:.2f} {x:.1f} {y:.1f})"' if text.angle_deg else ""
    size = f' font-size="{text.size * drawing.text_px:.1f}"' if text.size != 1.0 else ""
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{text.anchor}" dominant-baseline="central" '
        f'fill="{_hex(INK)}"{halo}{weight}{size}{turn}>{escape(text.content)}</text>'
    )


def _points(points: Points) -> str:
    return " ".join(f"{x:.2f},{y:.2f}" for x, y in points)


def _hex(colour: Colour) -> str:
    return "#{:02x}{:02x}{:02x}".format(*colour)
