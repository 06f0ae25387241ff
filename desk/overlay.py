"""The overlay: what was measured drawn into the picture, for an inspector to believe or to doubt.

The canvas shows the welds with their surroundings, enlarged or reduced to one size, so that lines and
figures are legible whatever the size of the picture; a strip of paper below explains the lines.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.model import Calibration
from core.errors import UsageError
from core.geometry import Points, step_lengths
from core.quantity import Measured
from core.units import UnitSystem
from desk.dimension import Layout
from desk.drawing import CHARACTER, OUTLINE, Drawing, Polyline
from desk.gauge_drawing import GAUGE_STYLES, draw_gauges, gauge_lines, lettered
from desk.inside_drawing import draw_depths, draw_zones, inside_lines, key_lines
from desk.joint_drawing import draw_weld, key_points
from desk.legend import draw_legend, draw_scale_bar, legend_height, value_lines
from inspection.document import write_bytes
from vision.found import FoundWelds

if TYPE_CHECKING:
    from measurement.gauges import Read

LONG_SIDE_PX = 1600
MARGIN = 0.55
"""Surroundings shown on each side, as a share of the extent of the welds."""

MISSING_STEPS = 10.0
"""Points farther apart than so many usual steps have a gap between them, over which no outline is drawn."""


@dataclass(frozen=True, slots=True, eq=False)
class View:
    """The part of the picture that is shown, and how the section frame comes onto the canvas."""

    to_canvas: Callable[[Points], Points]
    px_to_canvas: Callable[[Points], Points]
    canvas_px_per_mm: float
    picture: NDArray[np.uint8]


def write_overlay(
    path: str | Path,
    picture: NDArray[np.uint8] | None,
    found: FoundWelds,
    measured: tuple[Mapping[str, Measured], ...],
    *,
    units: UnitSystem = "metric",
    calibration: Calibration | None = None,
    gauges: tuple[tuple[Read, ...], ...] = (),
) -> None:
    """Draw the welds of one file into a PNG or SVG, by suffix.

    Parameters
    ----------
    picture
        (H, W, 3) uint8 RGB, None for a profile, which is drawn on plain paper.
    gauges
        Modelled readings of hand gauges, weld by weld; they take the place of the dimensions.

    Raises
    ------
    UsageError
        For another suffix.
    UnreadableFile
        When the file cannot be written.
    """
    suffix = Path(path).suffix.lower()
    if suffix not in (".png", ".svg"):
        raise UsageError(f"{path}: an overlay is drawn as .png or .svg.")
    drawing = draw_overlay(picture, found, measured, units=units, calibration=calibration, gauges=gauges)
    if suffix == ".svg":
        from desk.drawing_svg import as_svg

        write_bytes(path, as_svg(drawing))
    else:
        from desk.drawing_png import as_png

        write_bytes(path, as_png(drawing))


def draw_overlay(
    picture: NDArray[np.uint8] | None,
    found: FoundWelds,
    measured: tuple[Mapping[str, Measured], ...],
    *,
    units: UnitSystem,
    calibration: Calibration | None,
    gauges: tuple[tuple[Read, ...], ...] = (),
    enlarged: float = 1.0,
) -> Drawing:
    """Return the drawing of the welds of one file.

    ``enlarged`` makes lines and text larger against the picture, for a drawing that is shown small.
    """
    view = _picture_view(picture, found, calibration) if picture is not None and calibration else _paper_view(found)
    height, width = view.picture.shape[:2]
    text = enlarged * LONG_SIDE_PX / 62
    characters = int(width / (CHARACTER * text)) - 2
    lines = gauge_lines(gauges, units, characters) if gauges else value_lines(found, measured, units, characters)
    lines += key_lines(found, characters) if gauges else inside_lines(found, measured, units, characters)
    strip = legend_height(text, len(lines))
    canvas = np.full((height + strip, width, 3), 255, np.uint8)
    canvas[:height] = view.picture
    drawing = Drawing(
        canvas,
        stroke_px=(1 + 0.5 * (enlarged - 1)) * LONG_SIDE_PX / 800,
        text_px=text,
        picture_height_px=height,
        brief=enlarged > 1,
    )
    for outline in _outlines(found, view, picture is not None):
        drawing.primitives.append(Polyline(outline, OUTLINE))
    layout = Layout()
    draw_scale_bar(drawing, layout, view.canvas_px_per_mm, units)
    for weld in found.welds:
        draw_zones(drawing, layout, weld.section, view.to_canvas)
    for weld, values in zip(found.welds, measured, strict=True):
        draw_weld(drawing, layout, weld.section, {} if gauges else values, view.to_canvas, units)
        draw_depths(drawing, layout, weld.section, {} if gauges else values, view.to_canvas, units)
    for taken in lettered(gauges, units):
        draw_gauges(drawing, layout, taken, view.to_canvas)
    draw_legend(drawing, found, lines, units, GAUGE_STYLES if gauges else ())
    return drawing


def _outlines(found: FoundWelds, view: View, with_picture: bool) -> list[Points]:
    """Return the outlines on the canvas, cut where they leave it or miss points, and thinned to what can be seen."""
    if with_picture and found.outline_px:
        on_canvas = [view.px_to_canvas(points) for points in found.outline_px]
    else:
        on_canvas = [view.to_canvas(points) for points in found.outline_mm]
    height, width = view.picture.shape[:2]
    pieces: list[Points] = []
    for points in on_canvas:
        x, y = points.T
        inside = (x >= 0) & (x < width) & (y >= 0) & (y < height)
        steps = step_lengths(points)
        ends = (np.diff(inside.astype(np.int8)) != 0) | (steps > MISSING_STEPS * np.median(steps))
        breaks = np.flatnonzero(ends) + 1
        for run in np.split(np.arange(len(points)), breaks):
            if len(run) > 1 and inside[run[0]]:
                pieces.append(_thinned(points[run]))
    return pieces


def _thinned(points: Points) -> Points:
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    keep = np.unique(np.searchsorted(along, np.arange(0.0, along[-1], 1.0)))
    return np.asarray(points[np.append(keep, len(points) - 1)], float)


def _bounds(points: Points) -> tuple[Points, Points]:
    low, high = points.min(axis=0), points.max(axis=0)
    extent = max(float(np.max(high - low)), 1e-6)
    return low - MARGIN * extent, high + MARGIN * extent


def _picture_view(picture: NDArray[np.uint8], found: FoundWelds, calibration: Calibration) -> View:
    height, width = picture.shape[:2]
    key = np.concatenate([key_points(weld.section) for weld in found.welds])
    low, high = _bounds(calibration.to_px(key))
    x0, y0 = (max(0, math.floor(value)) for value in low)
    x1, y1 = min(width, math.ceil(high[0]) + 1), min(height, math.ceil(high[1]) + 1)
    x0, x1 = _at_least(x0, x1, 0.7 * (y1 - y0), width)
    y0, y1 = _at_least(y0, y1, 0.5 * (x1 - x0), height)
    part = picture[y0:y1, x0:x1]
    scale = LONG_SIDE_PX / max(part.shape[:2])
    size = (max(1, round(part.shape[1] * scale)), max(1, round(part.shape[0] * scale)))
    shown = cv2.resize(part, size, interpolation=cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC)
    origin = np.array([x0, y0], float)

    def px_to_canvas(points: Points) -> Points:
        # Pixel centres are whole numbers in both pictures.
        return np.asarray((points - origin + 0.5) * scale - 0.5)

    def to_canvas(points: Points) -> Points:
        return px_to_canvas(calibration.to_px(np.atleast_2d(points)))

    middle = calibration.to_px(key).mean(axis=0)
    return View(to_canvas, px_to_canvas, scale / calibration.mm_per_px(middle), np.asarray(shown, np.uint8))


def _at_least(low: int, high: int, wanted: float, limit: int) -> tuple[int, int]:
    """Widen an interval to a wanted length as far as the picture goes."""
    lacking = max(0.0, wanted - (high - low))
    low = max(0, math.floor(low - lacking / 2))
    return low, min(limit, math.ceil(max(high, low + wanted)))


def _paper_view(found: FoundWelds) -> View:
    key = np.concatenate([key_points(weld.section) for weld in found.welds])
    low, high = _bounds(key)
    extent = high - low
    low -= 0.5 * np.maximum(0.0, np.array([0.7, 0.5]) * extent[::-1] - extent)
    high = np.maximum(high, low + np.array([0.7, 0.5]) * extent[::-1])
    scale = LONG_SIDE_PX / float(np.max(high - low))
    width, height = (max(1, round(float(side) * scale)) for side in high - low)

    def to_canvas(points: Points) -> Points:
        flat = np.atleast_2d(points)
        return np.column_stack([(flat[:, 0] - low[0]) * scale, (high[1] - flat[:, 1]) * scale])

    paper = np.full((height, width, 3), 255, np.uint8)
    return View(to_canvas, to_canvas, scale, paper)
