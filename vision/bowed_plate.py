"""Plates that are bowed: what a straight line through one leaves open where it is used, at the weld.

A plate line is straight (definitions). Heat, rolling and the shell of a vessel bend plates by a little; along the
surface such a line is off, and at the weld it leans.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from core.fitting import LineFit, correlation_points
from core.geometry import Points
from vision.section import Flag

LEAST_BOW_MM, MOST_ASIDE_MM = 0.02, 0.5
"""A plate that leaves its line by less is straight; what lies farther off is no part of its surface."""

SURE = 5.0
FEWEST_PIECES = 8
"""Stretches of wander that a plate must have before it is said to be bowed and not to wander."""


def bow_mm(fit: LineFit, body: Points, piece_mm: float) -> float:
    """Return the sagitta of a surface above 0 where it is bowed either way, 0 where it is straight or only wanders.

    Parameters
    ----------
    body
        (N, 2) points of the surface.
    piece_mm
        Length of a stretch of surface that strays as one piece.
    """
    off = fit.line.offset(body)
    third = len(off) // 3
    if third == 0:
        return 0.0
    middle, outer = (
        float(np.add.reduce(off[third:-third])),
        float(np.add.reduce(off[:third]) + np.add.reduce(off[-third:])),
    )
    # The middle third of a bow lies 4/9 of its sagitta off the other two. Seen first, since few plates are bowed.
    if abs(middle / (len(off) - 2 * third) - outer / (2 * third)) < 0.5 * 4 / 9 * LEAST_BOW_MM:
        return 0.0
    along = fit.line.along(body)
    low, high = float(along.min()), float(along.max())
    pieces = (high - low) / piece_mm
    if pieces < FEWEST_PIECES:
        return 0.0
    near = np.abs(off) < MOST_ASIDE_MM
    place = (2.0 * along[near] - low - high) / (high - low)
    # Straight line and parabola together: the line was fitted to be robust, not to leave nothing of it.
    design = np.column_stack([np.ones_like(place), place, 1.5 * place**2 - 0.5])
    solution, _, rank, _ = np.linalg.lstsq(design, off[near], rcond=None)
    if rank < 3:
        return 0.0
    left = off[near] - design @ solution
    # The mean square of the parabola is a fifth.
    std = float(np.sqrt(np.mean(left**2))) * math.sqrt(5.0 * correlation_points(left) / len(left))
    bow = 1.5 * abs(float(solution[2]))
    return bow if bow > max(LEAST_BOW_MM, 1.5 * SURE * std) else 0.0


def with_bow(fit: LineFit, body: Points, piece_mm: float) -> LineFit:
    """Return the line of a surface with the doubt that its bow leaves."""
    bow = bow_mm(fit, body, piece_mm)
    if bow == 0.0:
        return fit
    length = float(np.ptp(fit.line.along(body)))
    # The line at the end of the surface leans against it by four times the sagitta over the length.
    lean = 4.0 * bow / length
    return replace(
        fit,
        offset_std=math.hypot(fit.offset_std, bow / 3.0 / math.sqrt(3.0)),
        angle_std_rad=math.hypot(fit.angle_std_rad, lean / math.sqrt(3.0)),
        bow_mm=bow,
    )


def bow_flags(*sides: tuple[str, LineFit]) -> tuple[Flag, ...]:
    """Return what is told of bowed plates, by the side on which they lie."""
    return tuple(
        Flag(
            "plate_bowed",
            f"the {side} plate surface is bowed by {fit.bow_mm:.2f} mm: angles and offsets are those of a straight "
            "line through it; give --outside-diameter where it is a pipe or a shell",
        )
        for side, fit in sides
        if fit.bow_mm > 0
    )
