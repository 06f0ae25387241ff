"""The width of the heat-affected zone: from the fusion line outwards to where parent metal begins."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from calibration.model import Calibration
from core.geometry import Points, arc_length
from core.medians import median
from vision.fusion_frame import grid
from vision.fusion_line import Found, FusionLine, Inside
from vision.fusion_path import Strip, strip
from vision.fusion_sheet import Sheet, window_px
from vision.haz_limit import FIRST_MM, NARROW_MM, Beside, find_limit
from vision.section import Section

LAST_MM = 4.5
OTHER_LINE_MM = 0.4
TOGETHER = "the heat-affected zones of both welds run together there"


@dataclass(frozen=True, slots=True, eq=False)
class HazWidths:
    """Width beside each plate, or why there is none; the outer limits of the zone, (N, 2) mm each."""

    left: Found | str
    right: Found | str
    lines_mm: tuple[Points, ...] = ()


def haz_widths(sheet: Sheet, lines: Sequence[FusionLine], section: Section, calibration: Calibration) -> HazWidths:
    """Return the zone's width, the median over each plate's side of the line, from its outer limit to the line."""
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


def without_other_lines(inside: Inside, others_mm: Points) -> Inside:
    """Return what was found without the limits that lie where another weld's fusion line does, (N, 2) its points.

    Between two welds all of a plate may be zone: what ends it there is the other weld.
    """
    widths: dict[str, Found | str] = {"left": inside.haz_left, "right": inside.haz_right}
    limits = []
    seen = [side for side, width in widths.items() if isinstance(width, Found)]
    for side, limit in zip(seen, inside.haz_mm, strict=True):
        away = np.hypot(*np.moveaxis(limit[:, None] - others_mm[None], 2, 0)).min(axis=1)
        if median(away) < OTHER_LINE_MM:
            widths[side] = TOGETHER
        else:
            limits.append(limit)
    return replace(inside, haz_left=widths["left"], haz_right=widths["right"], haz_mm=tuple(limits))


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
    stations = np.arange(FIRST_MM - NARROW_MM, LAST_MM, step)
    # All parts are looked at together, with as many rows each.
    places_mm = np.vstack([grid(*_outwards(part, rows, line, side), stations) for side, part in parts.items()])
    places = sheet.at(window_px(calibration, places_mm))
    values, metal = places.tone, np.where(stations[None] > FIRST_MM, places.metal, 0.0).astype(np.float32)
    shown = strip(values, metal, step)
    found = {}
    for number, (side, length) in enumerate(lengths.items()):
        own_rows = slice(number * rows, (number + 1) * rows)
        beside = Beside(
            Strip(shown.sums[:, own_rows], shown.reach, step),
            places_mm[own_rows],
            line.points_mm,
            length,
        )
        limit = find_limit(beside)
        if limit is not None:
            found[side] = limit.width, limit.points_mm
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
