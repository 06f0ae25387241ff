"""The ground taken for the metal: its air is then a strip, the section itself, and metal's tone lies beyond that.

A butt weld that crosses a whole picture parts the ground in two. Where the section is not told, for something lies
against it, the ground on one side of it can pass for a plate with the weld turned inside out: cap and undercut change
places. What gives it away is that its other side is nowhere seen, and that its air ends again at a straight edge.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.model import Calibration
from core.geometry import Points
from vision.section import PlateSurface, Section
from vision.segmentation import ReducedPicture

Floats = NDArray[np.float64]

PLACES, LEAST_PLACES = 16, 0.8
"""Places along a plate from which its air is looked into, and the share of them that has to see the end of it."""

WIDTHS = 3.0
"""How far it is looked, in widths of the face."""

LEAST_LEVELS = 15.0
"""Step from the air to the metal, in grey levels."""

INSIDE_MM, END_MM = (0.5, 1.5), 1.0
"""Where the tones of metal and air are taken, and how long the metal's tone has to last beyond the strip."""

MOST_SLOPE, MOST_WAVE_PX = 0.1, 1.5
"""Slope of the strip's far edge against the plate, and its scatter about a line in pixels of the reduced picture."""


def is_air_a_strip(section: Section, reduced: ReducedPicture, calibration: Calibration) -> bool:
    """Tell whether the air beside a butt weld, whose other side is not seen, is a strip with metal's tone beyond it."""
    face = section.face
    if section.joint != "butt" or face is None or section.root_side is not None:
        return False
    if section.opposite_left is not None or section.opposite_right is not None:
        return False
    reach = WIDTHS * float(np.hypot(*(face.toe_right - face.toe_left)))
    # Air is to the right of a direction that leads away to the left.
    sides = ((face.left, -1.0), (face.right, 1.0))
    return any(_ends_straight(plate, outwards, reach, reduced, calibration) for plate, outwards in sides)


def _ends_straight(
    plate: PlateSurface, outwards: float, reach_mm: float, reduced: ReducedPicture, calibration: Calibration
) -> bool:
    line = plate.fit.line
    along = line.along(plate.points)
    places = np.linspace(float(along.min()), float(along.max()), PLACES)
    step_mm = reduced.factor * calibration.mm_per_px(calibration.to_px(line.point[None])[0])
    depths = np.arange(-INSIDE_MM[1], reach_mm, step_mm)
    points = line.point + places[:, None, None] * line.direction + outwards * depths[:, None] * line.normal
    levels = _levels(reduced, calibration, points)
    widths = np.array([_width(row, depths, step_mm) for row in levels])
    seen = np.isfinite(widths)
    if seen.mean() < LEAST_PLACES:
        return False
    slope, start = np.polyfit(places[seen], widths[seen], 1)
    wave = float(np.median(np.abs(widths[seen] - slope * places[seen] - start)))
    return abs(float(slope)) < MOST_SLOPE and wave < MOST_WAVE_PX * step_mm


def _levels(reduced: ReducedPicture, calibration: Calibration, points: Points) -> Floats:
    """Return grey levels at points (I, J, 2) in mm, NaN beyond the picture, (I, J)."""
    flat = calibration.to_px(points.reshape(-1, 2))
    x, y = ((flat + 0.5) / reduced.factor - 0.5).astype(np.float32).reshape(*points.shape).transpose(2, 0, 1)
    levels = cv2.remap(reduced.gray, x, y, cv2.INTER_LINEAR).astype(float)
    height, width = reduced.gray.shape
    return np.where((x >= 0) & (y >= 0) & (x <= width - 1) & (y <= height - 1), levels, np.nan)


def _width(levels: Floats, depths: Floats, step_mm: float) -> float:
    """Return how far the air reaches from a plate until the metal's tone begins again, NaN where it does not."""
    within = (depths > -INSIDE_MM[1]) & (depths < -INSIDE_MM[0])
    beside = (depths > INSIDE_MM[0]) & (depths < INSIDE_MM[1])
    if not (np.isfinite(levels[within]).any() and np.isfinite(levels[beside]).any()):
        return np.nan
    metal, air = float(np.nanmedian(levels[within])), float(np.nanmedian(levels[beside]))
    if abs(metal - air) < LEAST_LEVELS:
        return np.nan
    share = (levels - air) / (metal - air)
    like = (share > 0.5) & (share < 1.5) & (depths > INSIDE_MM[1])
    least = max(3, round(END_MM / step_mm))
    runs = np.convolve(like, np.ones(least, int), "valid") == least
    return float(depths[int(np.argmax(runs))]) if runs.any() else np.nan
