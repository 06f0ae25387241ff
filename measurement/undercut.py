"""Undercut beside a toe: depth below the plate line, width at the plate line."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from core.geometry import Points
from core.quantity import Measured, NotMeasurable, Quantity
from measurement.peak import Peak, blur_part, standing_out
from measurement.plate import TOE_REACH_MM
from measurement.toe import Toe
from measurement.uncertainty import Noise, quantity

LONGEST_MM = 6.0
"""No undercut reaches farther from the toe than this."""


@dataclass(frozen=True, slots=True)
class Undercut:
    """Depth and width of the groove beside one toe."""

    depth: Measured
    width: Measured

    @property
    def present(self) -> bool:
        return isinstance(self.depth, Quantity) and self.depth.value > 0


def undercut(toe: Toe, noise: Noise) -> Undercut:
    """Return depth and width of the undercut, both 0 when nothing lies below the plate line but noise."""
    along, depth = _beside(toe)
    if len(along) < 5:
        missing = NotMeasurable("fewer than 5 points of plate surface beside the toe; show more of the plate")
        return Undercut(missing, missing)
    near = along <= TOE_REACH_MM
    base_std = max(toe.fit.std_at(toe.along_plate), toe.fit.std_at(toe.along_plate + TOE_REACH_MM))
    if np.count_nonzero(near) < 5:
        near = along <= along[min(4, len(along) - 1)]
    peak, reach = standing_out(along[near], depth[near], noise, base_std)
    if peak is None:
        note = f"no undercut above the noise of {reach:.3f} mm"
        none = quantity(0.0, "mm", {"edge": reach / 2}, noise, note=note)
        return Undercut(none, none)
    parts = {
        "edge": peak.std,
        "plate fit": toe.fit.std_at(toe.along_plate + peak.along),
        "blur": blur_part(peak, noise),
    }
    return Undercut(quantity(peak.height, "mm", parts, noise), _width(along, depth, peak, toe, noise))


def _beside(toe: Toe) -> tuple[Points, Points]:
    """Distance from the toe outwards, rising, and depth below the plate line."""
    along, depth = -toe.plate[:, 0], -toe.plate[:, 1]
    inside = (along >= 0) & (along <= LONGEST_MM)
    order = np.argsort(along[inside], kind="stable")
    return along[inside][order], depth[inside][order]


def _width(along: Points, depth: Points, peak: Peak, toe: Toe, noise: Noise) -> Measured:
    """The outer wall, between a tenth and six tenths of the depth, is extended to the plate line."""
    outer = np.flatnonzero(along > peak.along)
    shallow = outer[depth[outer] < max(0.1 * peak.height, noise.point_std_mm)]
    if len(shallow) == 0:
        return NotMeasurable("the undercut reaches beyond the visible plate surface; show more of the plate")
    end = int(shallow[0])
    wall = outer[(outer < end) & (depth[outer] < 0.6 * peak.height)]
    edge_std = noise.point_std_mm / max(peak.height / max(float(along[end]) - peak.along, 1e-6), 1e-6)
    if len(wall) >= 4:
        rows = slice(int(wall[0]), end)
        x, y = along[rows], depth[rows]
        slope, at_zero, share = _crossing(x, y)
        if slope < 0 and 0 < at_zero - float(x[-1]) < float(along[end]):
            edge_std = noise.of_mean(share) / -slope
            return _crossed(at_zero, edge_std, -slope, toe, noise)
    return _crossed(float(along[end]), edge_std, peak.height / max(float(along[end]) - peak.along, 1e-6), toe, noise)


def _crossing(x: Points, y: Points) -> tuple[float, float, float]:
    """Return slope, zero and leverage at the zero of a straight line through a wall."""
    design = np.column_stack([np.ones_like(x), x])
    inverse = np.linalg.inv(design.T @ design)
    a, b = inverse @ (design.T @ y)
    if b == 0:
        return 0.0, math.inf, 1.0
    zero = -a / b
    at = np.array([1.0, zero])
    return float(b), float(zero), float(at @ inverse @ at)


def _crossed(width: float, edge_std: float, slope: float, toe: Toe, noise: Noise) -> Measured:
    parts = {
        "edge": edge_std,
        "plate fit": toe.fit.std_at(toe.along_plate + width) / max(slope, 0.05),
        "toe location": toe.std,
        "resolution": noise.edge_bias_mm,
        "blur": noise.blur_mm / 2,
    }
    return quantity(width, "mm", parts, noise)
