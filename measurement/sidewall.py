"""How much of the former side wall of a butt weld's groove was fused, where a person gives that wall.

The groove is gone when it is welded: the wall comes from the drawing of the preparation or from lines scribed before
welding. A place of it is fused where it lies in weld metal, this side of the fusion line.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import cv2
import numpy as np

from core.geometry import Points, arc_length, distance_to_segments
from core.quantity import Measured, NotMeasurable
from measurement.uncertainty import Noise, quantity
from vision.fusion_line import FusionLine, Inside
from vision.section import Section
from vision.weld_metal import outlines

NO_WALL = (
    "the groove cannot be seen after welding: mark its side wall as the preparation's drawing has it (wall_{side} "
    "in --marks)"
)
FUSED_MM = 0.05
"""A wall is fused where weld metal reaches beyond it by at least this much."""
PLACES = 200
CORRELATION_MM = 0.6
"""Length of a fusion line whose error is one piece of information."""


def sidewall_fusion(section: Section, inside: Inside, side: str, bias_mm: float, noise: Noise) -> Measured:
    """Return the share of a marked side wall that lies in weld metal, percent.

    Parameters
    ----------
    bias_mm
        Standard uncertainty of the fusion lines as a whole.
    """
    wall = inside.walls_mm.get(side)
    if wall is None:
        return NotMeasurable(NO_WALL.format(side=side), "percent")
    places = _places(wall)
    beyond = _beyond(section, inside.lines, places)
    share = _share(beyond)
    # A line or a wall that lies farther out everywhere changes the share by what lies near to the line.
    parts = {
        name: 0.5 * (_share(beyond + std) - _share(beyond - std))
        for name, std in (("fusion line", bias_mm), ("operator's mark", inside.wall_std_mm))
    }
    length = float(arc_length(wall)[-1])
    local = 100 * 0.5 * CORRELATION_MM / max(length, CORRELATION_MM)
    parts["fusion line"] = math.hypot(parts["fusion line"], local)
    return quantity(share, "percent", parts, noise)


def _places(wall: Points) -> Points:
    """Return places along a wall, (N, 2), its ends left out: the root and the surface belong to other values."""
    along = arc_length(wall)
    at = np.linspace(0.02, 0.98, PLACES) * along[-1]
    return np.column_stack([np.interp(at, along, wall[:, k]) for k in (0, 1)])


def _beyond(section: Section, lines: Sequence[FusionLine], places: Points) -> Points:
    """Return how far the fusion line lies beyond each place, (N,) mm; below 0 where it lies before it."""
    rings = [ring.astype(np.float32) for ring in outlines(section, lines)]
    found = []
    for place in places:
        away = min(distance_to_segments(place, line.points_mm)[0] for line in lines)
        fused = any(cv2.pointPolygonTest(ring, place.tolist(), False) > 0 for ring in rings)
        found.append(away if fused else -away)
    return np.array(found)


def _share(beyond: Points) -> float:
    """Return the share of places that are fused; a smooth step lets it answer to small shifts."""
    return float(100 * np.mean(np.clip(0.5 + (beyond - 0.5 * FUSED_MM) / FUSED_MM, 0, 1)))
