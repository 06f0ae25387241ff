"""Frames round a weld in which its fusion line is sought: rows across the line, stations along it.

A frame is a grid of points in mm: row i leads from inside the weld metal outwards, station j along the row.
The line crosses every row once. Rays from a point at the face serve a line from toe to toe, lines parallel to
the plates one that goes through the plate.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from core.geometry import Line, Points, intersection
from vision.section import WeldSurface

LACK_SHARE = 0.45
"""A line may pass in front of the root by this share of the throat: lack of root fusion."""
MARGIN_MM = 0.15


@dataclass(frozen=True, slots=True, eq=False)
class Frame:
    """A grid of points.

    Attributes
    ----------
    points
        (I, J, 2) mm.
    allowed
        (I, J) bool, where the line may lie.
    first, last
        Station of the line's ends on the first and the last row; None where it is not known.
    step_mm
        Distance of stations along a row.
    stays_in_metal
        Whether a path that leaves the metal loses by it.
    forced
        (I,) the station of the line where it is given and nothing shows it, NaN elsewhere; None where it is free.
    """

    points: NDArray[np.float64]
    allowed: NDArray[np.bool_]
    first: float | None
    last: float | None
    step_mm: float
    stays_in_metal: bool = False
    forced: NDArray[np.float64] | None = None

    @property
    def given(self) -> NDArray[np.bool_]:
        """Return on which rows the line is given, (I,)."""
        if self.forced is None:
            return np.zeros(len(self.points), bool)
        return np.isfinite(self.forced)


def toe_to_toe(
    surface: WeldSurface,
    root: Points | None,
    reach_mm: float,
    step_mm: float,
    *,
    air: int = 1,
    to_root: float = 0.2,
) -> Frame:
    """Return rays from a point near the middle of the chord, from the left toe's to the right toe's.

    With a root (a fillet) the line may lie at the plate surfaces or behind them, near the root a little in
    front; without one (a butt weld) anywhere in the metal. ``air`` is +1 for a face side (air on the left of
    the way from toe to toe), -1 for a root side. The rays start so far on the way ``to_root`` from the chord's middle.
    """
    left, right = surface.toe_left, surface.toe_right
    middle = 0.5 * (left + right)
    chord = right - left
    into = air * np.array([chord[1], -chord[0]]) / float(np.hypot(*chord))
    centre = middle + (to_root * (root - middle) if root is not None else 0.1 * float(np.hypot(*chord)) * into)
    return _rays(surface, root, centre, into, reach_mm, step_mm)


def _rays(
    surface: WeldSurface, root: Points | None, centre: Points, into: Points, reach_mm: float, step_mm: float
) -> Frame:
    ends = [toe - centre for toe in (surface.toe_left, surface.toe_right)]
    down = math.atan2(into[1], into[0])
    turns = [(math.atan2(end[1], end[0]) - down + math.pi) % (2 * math.pi) - math.pi for end in ends]
    radii = [float(np.hypot(*end)) for end in ends]
    typical = 0.5 * (radii[0] + radii[1])
    count = int(np.clip(abs(turns[1] - turns[0]) * typical / (1.8 * step_mm), 60, 170))
    angles = down + np.linspace(turns[0], turns[1], count)
    directions = np.column_stack([np.cos(angles), np.sin(angles)])
    start = 0.25 * min(radii)
    stations = np.arange(start, max(radii) + reach_mm, step_mm)
    points = grid(centre[None], directions, stations)
    allowed = np.ones(points.shape[:2], bool)
    if root is not None:
        floor = _plate_distance(surface, root, centre, directions)
        throat = float(np.hypot(*(root - centre)))
        near = np.clip(1.5 - np.abs(np.linspace(-2, 2, count)), 0, 1)
        slack = MARGIN_MM + LACK_SHARE * throat * near
        allowed &= stations[None] >= (floor - slack)[:, None]
    first, last = ((radius - start) / step_mm for radius in radii)
    return Frame(points, allowed, first, last, step_mm, stays_in_metal=root is None)


def grid(starts: Points, directions: Points, stations: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the places so far, (J,), from starts along directions, (I, 2) or (1, 2) each: (I, J, 2)."""
    rows = max(len(starts), len(directions))
    places = np.empty((rows, len(stations), 2))
    for axis in (0, 1):
        np.multiply(directions[:, axis, None], stations, out=places[:, :, axis])
        places[:, :, axis] += starts[:, axis, None]
    return places


def _plate_distance(surface: WeldSurface, root: Points, centre: Points, directions: Points) -> NDArray[np.float64]:
    """Return how far each ray runs until it meets a plate's surface line, up to the root's distance at most."""
    distance = np.full(len(directions), np.inf)
    for plate in (surface.left.fit.line, surface.right.fit.line):
        towards = directions @ plate.normal
        offset = float(plate.offset(centre))
        with np.errstate(divide="ignore"):
            run = np.where(np.abs(towards) > 1e-9, -offset / np.where(towards == 0, 1e-12, towards), np.inf)
        distance = np.minimum(distance, np.where(run > 0, run, np.inf))
    return np.where(np.isfinite(distance), distance, float(np.hypot(*(root - centre))))


def through(
    surface: WeldSurface, opposite: Line, side: str, root_toe: Points | None, reach_mm: float, step_mm: float
) -> Frame:
    """Return lines parallel to a plate, from its face side to its root side, for the line of one side.

    Rows lead from the weld's middle outwards.
    """
    plate, toe = (surface.left, surface.toe_left) if side == "left" else (surface.right, surface.toe_right)
    line = plate.fit.line
    outwards = line.direction
    foot = intersection(Line(float(toe[0]), float(toe[1]), -line.dy, line.dx), opposite)
    if foot is None:
        raise ValueError("the plate's two surfaces must not be square to each other")
    down = foot - toe
    depth = float(np.hypot(*down))
    count = int(np.clip(depth / (1.8 * step_mm), 60, 140))
    width = float(np.hypot(*(surface.toe_right - surface.toe_left)))
    inner = 0.55 * width
    stations = np.arange(-inner, reach_mm, step_mm)
    starts = toe + np.linspace(0.0, 1.0, count)[:, None] * down
    points = grid(starts, outwards[None], stations)
    last = None if root_toe is None else (float((root_toe - foot) @ outwards) + inner) / step_mm
    return Frame(points, np.ones(points.shape[:2], bool), inner / step_mm, last, step_mm)
