"""The width of the heat-affected zone: from the fusion line outwards to where parent metal begins."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from calibration.model import Calibration
from core.geometry import Points, arc_length
from core.medians import median
from vision.fusion_frame import grid
from vision.fusion_line import Found, FusionLine
from vision.fusion_path import best_paths, contrast, strip, support
from vision.fusion_sheet import Sheet, window_px
from vision.section import Section

FIRST_MM, LAST_MM = 0.2, 4.5
LEAST_SCORE, LEAST_SEEN = 9.0, 0.7
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
        for side in ("left", "right") if line.side == "whole" else (line.side,):
            part = _part(line, side, section)
            result = _width(sheet, part, line, side, calibration)
            if result is not None:
                found[side], limit = result
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


def _width(
    sheet: Sheet, part: Points, line: FusionLine, side: str, calibration: Calibration
) -> tuple[Found, Points] | None:
    step = sheet.factor * calibration.mm_per_px(calibration.to_px(part[:1])[0])
    along = arc_length(part)
    rows = int(np.clip(along[-1] / (2.5 * step), 12, 60))
    at = np.linspace(0, along[-1], rows)
    start = np.column_stack([np.interp(at, along, part[:, k]) for k in (0, 1)])
    smooth = max(3, rows // 6) | 1
    tangent = np.gradient(start, axis=0)
    tangent = np.asarray(cv2.blur(tangent, (1, smooth), borderType=cv2.BORDER_REPLICATE), np.float64)
    tangent /= np.maximum(np.hypot(*tangent.T), 1e-9)[:, None]
    # Weld metal lies to the left of the way from the left toe to the right one, and of the way down on the left.
    sign = -1.0 if line.side == "whole" or side == "left" else 1.0
    normal = np.column_stack([-tangent[:, 1], tangent[:, 0]]) * sign
    # The way of "left" runs down with its weld metal on the left hand; of "whole" it runs round the weld metal.
    stations = np.arange(FIRST_MM - NARROW, LAST_MM, step)
    places_mm = grid(start, normal, stations)
    places = sheet.at(window_px(calibration, places_mm))
    values, metal = places.tone, np.where(stations[None] > FIRST_MM, places.metal, 0.0).astype(np.float32)
    shown = strip(values, metal, step)
    found = contrast(shown)
    usable = np.abs(found[found != 0])
    if len(usable) < 50:
        return None
    noise = 1.4826 * median(usable) + 1e-3
    stack = np.clip(np.stack([found, -found]) / noise, -12, 12)
    stack[:, :, (stations < FIRST_MM + 0.25)] = -12.0
    paths = best_paths(stack, bend=0.4)
    totals = [float(score[np.arange(rows), path].sum()) for path, score in zip(paths, stack, strict=True)]
    for sheet_number in np.argsort(totals)[::-1]:
        path = paths[sheet_number]
        tested = support(shown, path, float(along[-1]))
        if tested.score > LEAST_SCORE and tested.seen >= LEAST_SEEN:
            break
    else:
        return None
    width = stations[path]
    scatter = 1.4826 * median(np.abs(width - median(width)))
    if scatter > max(MOST_SCATTER_MM, 0.15 * median(width)):
        return None
    std = float(np.hypot(0.5 * step, scatter / np.sqrt(max(3.0, along[-1] / 0.7)))) + 0.02
    limit = places_mm[np.arange(rows), path]
    return Found(median(width), std), limit
