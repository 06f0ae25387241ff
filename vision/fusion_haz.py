"""The width of the heat-affected zone: from the fusion line outwards to where parent metal begins."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.model import Calibration
from core.geometry import Points, arc_length
from core.medians import median
from vision.fusion_frame import grid
from vision.fusion_line import Found, FusionLine
from vision.fusion_path import Paths, Strip, best_paths, contrast, strip, support
from vision.fusion_sheet import Sheet, window_px
from vision.section import Section

FIRST_MM, LAST_MM = 0.2, 4.5
LEAST_SCORE, LEAST_SEEN, LEAST_PLACES = 9.0, 0.7, 50
MOST_SCATTER_MM = 0.15
"""A limit that wanders by more than this about the zone's width is no limit of the zone."""
NARROW = 0.45
"""Window beside the path, mm: a zone narrower than about twice this is not told from the fusion line."""


@dataclass(frozen=True, slots=True, eq=False)
class HazWidths:
    """Width beside each plate, or why there is none; the outer limits of the zone, (N, 2) mm each."""

    left: Found | str
    right: Found | str
    lines_mm: tuple[Points, ...] = ()


def haz_widths(sheet: Sheet, lines: Sequence[FusionLine], section: Section, calibration: Calibration) -> HazWidths:
    """Return the zone's width, the median over each plate's side of the line, square to it."""
    absent = "no limit of a heat-affected zone stands clear of the grain"
    found: dict[str, Found | str] = {"left": absent, "right": absent}
    limits = []
    for line in lines:
        if line.side == "root side":
            continue
        sides = ("left", "right") if line.side == "whole" else (line.side,)
        parts = {side: _part(line, side, section) for side in sides}
        for side, (width, limit) in _widths(sheet, parts, line, calibration).items():
            found[side] = width
            limits.append(limit)
    return HazWidths(found["left"], found["right"], tuple(limits))


def _part(line: FusionLine, side: str, section: Section) -> Points:
    """Return the piece of a line that lies beside one plate, clear of the toe and of the root."""
    points, count = line.points_mm, len(line.points_mm)
    if line.meets is not None and line.meets.any():
        first, last = np.flatnonzero(line.meets)[[0, -1]]
        own = points[:first] if side == "left" else points[last + 1 :]
        return own[int(0.12 * len(own)) : int(0.88 * len(own))]
    if line.side != "whole":
        return points[int(0.1 * count) : int(0.9 * count)]
    middle = count // 2
    if section.root is not None:
        middle = int(np.argmin(np.hypot(*(points - section.root).T)))
        middle = int(np.clip(middle, 0.25 * count, 0.75 * count))
    margin = int(0.1 * count)
    return points[margin : middle - margin // 2] if side == "left" else points[middle + margin // 2 : -margin]


def _widths(
    sheet: Sheet, parts: Mapping[str, Points], line: FusionLine, calibration: Calibration
) -> dict[str, tuple[Found, Points]]:
    """Return the width beside each part of a line and the limit of the zone there, as far as one stands clear."""
    first = next(iter(parts.values()))
    step = sheet.factor * calibration.mm_per_px(calibration.to_px(first[:1])[0])
    lengths = {side: float(arc_length(part)[-1]) for side, part in parts.items()}
    rows = int(np.clip(max(lengths.values()) / (2.5 * step), 12, 60))
    stations = np.arange(FIRST_MM - NARROW, LAST_MM, step)
    # All parts are looked at together, with as many rows each.
    places_mm = np.vstack([grid(*_outwards(part, rows, line, side), stations) for side, part in parts.items()])
    places = sheet.at(window_px(calibration, places_mm))
    values, metal = places.tone, np.where(stations[None] > FIRST_MM, places.metal, 0.0).astype(np.float32)
    shown = strip(values, metal, step)
    contrasts = contrast(shown).reshape(len(parts), rows, -1)
    stack = np.stack([contrasts, -contrasts], axis=1)
    for own in stack:
        usable = np.abs(own[0][own[0] != 0])
        own /= 1.4826 * median(usable) + 1e-3 if len(usable) >= LEAST_PLACES else np.inf
    stack = np.clip(stack, -12, 12)
    stack[..., stations < FIRST_MM + 0.25] = -12.0
    paths = best_paths(stack.reshape(-1, rows, len(stations)), bend=0.4)
    found = {}
    for number, (side, length) in enumerate(lengths.items()):
        own_rows = slice(number * rows, (number + 1) * rows)
        own_shown = Strip(shown.sums[:, own_rows], shown.reach, step)
        sheets = (2 * number, 2 * number + 1)
        path = _clear_path(own_shown, paths, sheets, length) if (stack[number] > 0).any() else None
        if path is not None:
            width = _width(stations[path], step, length)
            if width is not None:
                found[side] = width, places_mm[own_rows][np.arange(rows), path]
    return found


def _outwards(part: Points, rows: int, line: FusionLine, side: str) -> tuple[Points, Points]:
    """Return so many points along a part of a line, and the normals of the smoothed line that lead out of it there."""
    along = arc_length(part)
    at = np.linspace(0, along[-1], rows)
    start = np.column_stack([np.interp(at, along, part[:, k]) for k in (0, 1)])
    tangent = np.asarray(np.gradient(start, axis=0))
    tangent = np.asarray(cv2.blur(tangent, (1, max(3, rows // 6) | 1), borderType=cv2.BORDER_REPLICATE), np.float64)
    tangent /= np.maximum(np.hypot(*tangent.T), 1e-9)[:, None]
    # Weld metal lies to the left of the way from the left toe to the right one, and of the way down on the left.
    sign = -1.0 if line.side == "whole" or side == "left" else 1.0
    return start, np.column_stack([-tangent[:, 1], tangent[:, 0]]) * sign


def _clear_path(shown: Strip, paths: Paths, numbers: tuple[int, int], length_mm: float) -> NDArray[np.int64] | None:
    """Return the likelier of two paths that the picture supports, None where it supports neither."""
    for number in sorted(numbers, key=lambda number: -paths.totals[number]):
        path = paths.path(number)
        tested = support(shown, path, length_mm)
        if tested.score > LEAST_SCORE and tested.seen >= LEAST_SEEN:
            return path
    return None


def _width(width: NDArray[np.float64], step: float, length_mm: float) -> Found | None:
    """Return the width of a zone from that of every row, None where it wanders too much."""
    middle = median(width)
    scatter = 1.4826 * median(np.abs(width - middle))
    if scatter > max(MOST_SCATTER_MM, 0.15 * middle):
        return None
    return Found(middle, float(np.hypot(0.5 * step, scatter / np.sqrt(max(3.0, length_mm / 0.7)))) + 0.02)
