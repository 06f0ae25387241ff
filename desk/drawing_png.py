"""A drawing as PNG: lines by OpenCV with sub-pixel ends, text by Pillow with the font it carries (Aileron, CC0)."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

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
    dashed,
    marker_outline,
)

if TYPE_CHECKING:
    from PIL.ImageFont import FreeTypeFont, ImageFont

SHIFT = 4


def as_png(drawing: Drawing) -> bytes:
    """Return the drawing as a PNG file."""
    canvas = np.ascontiguousarray(drawing.background.copy())
    # The picture's own part of the canvas: what is drawn into it ends at its border.
    part = canvas[: drawing.picture_height_px]
    for primitive in drawing.layered:
        _draw(part, drawing, primitive, cased=True)
    for primitive in drawing.paper:
        _draw(canvas, drawing, primitive, cased=False)
    _, data = cv2.imencode(".png", cv2.cvtColor(canvas, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_PNG_COMPRESSION, 3])
    return np.asarray(data).tobytes()


def _draw(canvas: NDArray[np.uint8], drawing: Drawing, primitive: Primitive, *, cased: bool) -> None:
    if isinstance(primitive, Polyline):
        _polyline(canvas, drawing, primitive, cased)
    elif isinstance(primitive, Arrowhead):
        corners = _fixed(arrow_corners(primitive, drawing.stroke_px))
        if cased:
            cv2.polylines(canvas, [corners], True, PAPER, 2 * max(1, round(drawing.stroke_px)), cv2.LINE_AA, SHIFT)
        cv2.fillPoly(canvas, [corners], INK, cv2.LINE_AA, SHIFT)
    elif isinstance(primitive, Marker):
        for colour, extra in ((PAPER, 2.0), (INK, 0.0)):
            width = max(1, round((1.6 + extra) * drawing.stroke_px))
            for points, closed in marker_outline(primitive, drawing.stroke_px):
                cv2.polylines(canvas, [_fixed(points)], closed, colour, width, cv2.LINE_AA, SHIFT)
    else:
        _text(canvas, drawing, primitive, cased)


def _polyline(canvas: NDArray[np.uint8], drawing: Drawing, line: Polyline, cased: bool) -> None:
    pieces = [_fixed(piece) for piece in dashed(line.points, line.style.dashes, drawing.stroke_px)]
    width = line.style.width * drawing.stroke_px
    if cased and line.style.cased:
        thick = max(3, round(width + 2 * drawing.stroke_px))
        cv2.polylines(canvas, pieces, False, PAPER, thick, cv2.LINE_AA, SHIFT)
    cv2.polylines(canvas, pieces, False, line.style.colour, max(1, round(width)), cv2.LINE_AA, SHIFT)


def _text(canvas: NDArray[np.uint8], drawing: Drawing, text: Text, cased: bool) -> None:
    from PIL import Image, ImageDraw

    font = _font(text.size * drawing.text_px)
    halo = max(2, round(0.14 * drawing.text_px)) if cased else 0
    bold = max(1, round(0.03 * drawing.text_px)) if text.bold else 0
    left, top, right, bottom = font.getbbox(text.content, stroke_width=halo)
    pad = halo + 2
    size = (int(right - left) + 2 * pad, int(bottom - top) + 2 * pad)
    layers = []
    for stroke in (halo, bold):
        layer = Image.new("L", size)
        ImageDraw.Draw(layer).text(
            (pad - left, pad - top), text.content, fill=255, font=font, stroke_width=stroke, stroke_fill=255
        )
        layers.append(np.asarray(layer))
    width = size[0] - 2 * pad
    shift = {"start": width / 2, "middle": 0.0, "end": -width / 2}[text.anchor]
    turn = np.radians(text.angle_deg)
    # the middle of a figure comes to the line, so that words with and without long letters stand alike
    _, zero_top, _, zero_bottom = font.getbbox("0")
    lower = (top + bottom - zero_top - zero_bottom) / 2
    centre = text.at + shift * np.array([np.cos(turn), np.sin(turn)]) + lower * np.array([-np.sin(turn), np.cos(turn)])
    colours: tuple[tuple[NDArray[np.uint8], Colour], ...] = ((layers[0], PAPER), (layers[1], INK))
    for mask, colour in colours[0 if halo else 1 :]:
        _blend(canvas, mask, colour, centre, text.angle_deg)


def _blend(
    canvas: NDArray[np.uint8], mask: NDArray[np.uint8], colour: Colour, centre: Points, angle_deg: float
) -> None:
    """Lay a colour through a turned mask whose middle comes to a point."""
    height, width = mask.shape
    reach = int(np.ceil(np.hypot(width, height) / 2)) + 2
    x0, y0 = int(centre[0]) - reach, int(centre[1]) - reach
    matrix = cv2.getRotationMatrix2D(((width - 1) / 2, (height - 1) / 2), -angle_deg, 1.0)
    matrix[:, 2] += np.array([centre[0] - x0, centre[1] - y0]) - np.array([(width - 1) / 2, (height - 1) / 2])
    turned = cv2.warpAffine(mask, matrix, (2 * reach + 1, 2 * reach + 1), flags=cv2.INTER_LINEAR)
    left, top = max(0, -x0), max(0, -y0)
    right = min(turned.shape[1], canvas.shape[1] - x0)
    bottom = min(turned.shape[0], canvas.shape[0] - y0)
    if right <= left or bottom <= top:
        return
    share = turned[top:bottom, left:right, None].astype(np.float32) / 255
    part = canvas[y0 + top : y0 + bottom, x0 + left : x0 + right]
    part[:] = (part * (1 - share) + np.array(colour, np.float32) * share + 0.5).astype(np.uint8)


@lru_cache(maxsize=16)
def _font(size_px: float) -> FreeTypeFont | ImageFont:
    from PIL import ImageFont

    return ImageFont.load_default(size_px)


def _fixed(points: Points) -> NDArray[np.int32]:
    """Return points in the fixed-point form of the line drawing."""
    bounded = np.clip(points, -1e5, 1e5)
    return np.rint(bounded * (1 << SHIFT)).astype(np.int32).reshape(-1, 1, 2)
