"""Values of the plates: offsets and angles between them, thickness, pits and spatter on their surfaces."""

from __future__ import annotations

import math

import numpy as np

from core.geometry import Line, Points
from core.quantity import Measured, NotMeasurable
from measurement.peak import Peak, blur_part, standing_out
from measurement.uncertainty import Noise, quantity
from vision.section import PlateSurface, WeldSurface

TOE_REACH_MM = 2.0
"""A hollow or bump that begins within this distance from the toe belongs to the toe."""

END_MM = 0.5
"""The far end of a plate surface, left out because the section's edge rounds it."""


def offset_between(left: Line, right: Line, middle: Points) -> float:
    """Return how far the right plate's line lies above the left's, at a place and perpendicular to the left.

    Parameters
    ----------
    left, right
        Lines that lead away from the weld.
    middle
        (2,), the place; only its coordinate along the left plate counts.
    """
    slope = -(right.dx * left.dx + right.dy * left.dy)
    if abs(slope) < 0.1:
        raise ValueError("plates nearly square to each other have no offset")
    x, y = middle.tolist()
    along = (x - left.x) * left.dx + (y - left.y) * left.dy
    x, y = left.x + along * left.dx - right.x, left.y + along * left.dy - right.y
    return float(x * right.dy - y * right.dx) / slope


def thickness_at(surface: Line, opposite: Line, at: Points) -> float:
    """Return the distance from a plate's surface to its other side, perpendicular to the surface."""
    foot = surface.at(float(surface.along(at)))
    slope = float(opposite.normal @ surface.normal)
    if abs(slope) < 0.1:
        raise ValueError("a surface nearly square to another is not its other side")
    return abs(float(opposite.offset(foot)) / slope)


def bend_deg(left: Line, right: Line) -> float:
    """Return the angle between two plates that lead away from each other, signed, 0 when in line."""
    across = left.dx * right.dy - left.dy * right.dx
    return math.degrees(math.atan2(-across, -(left.dx * right.dx + left.dy * right.dy)))


def surface_defects(surface: WeldSurface, noise: Noise) -> dict[str, Measured]:
    """Return the deepest pit and the highest spatter of both plate surfaces away from the toes."""
    clear = [
        (plate, *_clear_part(plate, toe, out))
        for plate, toe, out in (
            (surface.left, surface.toe_left, -surface.left.fit.line.normal),
            (surface.right, surface.toe_right, surface.right.fit.line.normal),
        )
    ]
    seen = [part for part in clear if len(part[1]) >= 10]
    return {"pit_depth": _extreme(seen, noise, -1.0, "pit"), "spatter_height": _extreme(seen, noise, 1.0, "spatter")}


def _extreme(seen: list[tuple[PlateSurface, Points, Points]], noise: Noise, sign: float, what: str) -> Measured:
    """Return what stands out most on the side of a sign, of plates with their coordinates along and heights above."""
    best: tuple[Peak, PlateSurface] | None = None
    threshold = 0.0
    for plate, along, height in seen:
        peak, reach = standing_out(along, sign * height, noise, _base_std(plate, along))
        threshold = max(threshold, reach)
        if peak is not None and (best is None or peak.height > best[0].height):
            best = (peak, plate)
    if not seen:
        return NotMeasurable(
            f"less than {TOE_REACH_MM + END_MM:g} mm of plate surface is visible beside both toes; "
            "take the picture with more of the plates"
        )
    if best is None:
        note = f"no {what} above the noise of {threshold:.3f} mm"
        return quantity(0.0, "mm", {"edge": threshold / 2}, noise, note=note)
    peak, plate = best
    parts = {
        "edge": peak.std,
        "plate fit": plate.fit.std_at(peak.along),
        "blur": blur_part(peak, noise),
    }
    return quantity(peak.height, "mm", parts, noise)


def _clear_part(plate: PlateSurface, toe: Points, out: Points) -> tuple[Points, Points]:
    """Coordinates along and heights above the plate line, between the toe's reach and the far end of the fit."""
    line = plate.fit.line
    along = line.along(plate.points)
    height = (plate.points - line.point) @ out
    carrying = along[plate.fit.inliers] if len(plate.fit.inliers) == len(along) else along
    if len(carrying) == 0:
        return np.empty(0), np.empty(0)
    start = float(line.along(toe)) + TOE_REACH_MM
    # A hollow or bump that begins within reach belongs to the toe as far as it goes.
    level = max(3.0 * plate.fit.residual_std, 0.02)
    beyond = np.flatnonzero((along > start) & (np.abs(height) < level))
    start = float(along[beyond].min()) if len(beyond) else start
    inside = (along >= start) & (along < float(carrying.max()) - END_MM)
    order = np.argsort(along[inside], kind="stable")
    return along[inside][order], height[inside][order]


def _base_std(plate: PlateSurface, along: Points) -> float:
    return max(plate.fit.std_at(float(along[0])), plate.fit.std_at(float(along[-1])))
