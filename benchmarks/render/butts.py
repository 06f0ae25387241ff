"""Butt welds with cap and root bead, hi-lo, peaking, different thicknesses."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from shapely import make_valid
from shapely.geometry import Polygon

from benchmarks.render import truth
from benchmarks.render.fillets import bump_values, toe_values, treat_toe
from benchmarks.render.geometry import (
    Bumps,
    Drawing,
    DrawnWeld,
    Patch,
    PlateEnd,
    Toe,
    circular_arc,
    line_patch,
    plate_polygon,
    union,
    unit,
)


@dataclass(frozen=True, slots=True)
class ButtShape:
    """The weld of a butt joint.

    ``cap_bulge_mm`` and ``root_bulge_mm`` are heights of the arcs over their chords (below 0: underfill,
    root concavity); half widths are measured from the joint's centre line along each surface;
    ``root_half_mm`` None leaves the root side flush and without a bead. ``passes`` only shows inside.
    """

    cap_left_half_mm: float
    cap_right_half_mm: float
    cap_bulge_mm: float
    root_half_mm: tuple[float, float] | None = None
    root_bulge_mm: float = 0.0
    left: Toe = field(default_factory=Toe)
    right: Toe = field(default_factory=Toe)
    bumps: Bumps = field(default_factory=Bumps)
    passes: int = 1


def butt(
    *,
    thickness_left_mm: float,
    thickness_right_mm: float,
    weld: ButtShape,
    offset_mm: float = 0.0,
    peaking_deg: float = 0.0,
    end_left: PlateEnd | None = None,
    end_right: PlateEnd | None = None,
) -> Drawing:
    """Return a butt weld; the left plate's face side is y = 0.

    The right plate's face side runs through (0, offset_mm) and falls away by peaking_deg (below 0: rises).
    """
    left, right = unit(180), unit(-peaking_deg)
    up_right = np.array([-right[1], right[0]])
    start_left, start_right = np.zeros(2), np.array([0.0, offset_mm])
    low_left = start_left - [0, thickness_left_mm]
    low_right = start_right - thickness_right_mm * up_right
    plate_left = plate_polygon(start_left, left, np.array([0.0, -1.0]), thickness_left_mm, end_left or PlateEnd())
    plate_right = plate_polygon(start_right, right, -up_right, thickness_right_mm, end_right or PlateEnd())
    toe_left = start_left + weld.cap_left_half_mm * left
    toe_right = start_right + weld.cap_right_half_mm * right
    face = circular_arc(toe_left, toe_right, weld.cap_bulge_mm)
    values = truth.butt_values(left, right, face)
    values |= {"thickness_left": thickness_left_mm, "thickness_right": thickness_right_mm}
    points = {"toe_left": toe_left, "toe_right": toe_right}
    if weld.root_half_mm is not None:
        root_left = low_left + weld.root_half_mm[0] * left
        root_right = low_right + weld.root_half_mm[1] * right
        bead = circular_arc(root_left, root_right, -weld.root_bulge_mm)
        values |= truth.root_values(left, right, bead)
        points |= {"root_toe_left": root_left, "root_toe_right": root_right}
    else:
        reach = 0.12 * thickness_left_mm + abs(offset_mm)
        bead = np.array([low_left + reach * left, low_right + reach * right])
    # the weld replaces everything between its toes, from face to root side
    span = Polygon(np.vstack([face, bead[::-1]]))
    high, deep = np.array([0.0, 60.0]), np.array([0.0, -60.0])
    # a steep bead that leans over its own toe makes the space beside it cross itself
    away_above = make_valid(Polygon(np.vstack([face, toe_right + high, toe_left + high])))
    away_below = make_valid(Polygon(np.vstack([bead, bead[-1] + deep, bead[0] + deep])))
    metal = union(plate_left, plate_right).difference(away_above).difference(away_below)
    metal = union(metal, span.buffer(1e-6)).buffer(1e-6)
    for side, toe_at, along, air, toe, bumps in (
        ("left", toe_left, left, np.array([0.0, 1.0]), weld.left, weld.bumps.left),
        ("right", toe_right, right, up_right, weld.right, weld.bumps.right),
    ):
        metal = treat_toe(metal, toe_at, along, air, toe, bumps)
        values |= toe_values(side, toe)
        del values[f"overlap_{side}"]
    values |= bump_values(weld.bumps)
    nugget = _nugget(face, bead)
    drawn = DrawnWeld("butt", values, points)
    focus = (0.0, -max(thickness_left_mm, thickness_right_mm) / 2)
    patches = (Patch(nugget.buffer(1.3), "haz", 0.4), Patch(nugget, "weld", 0.06), *_passes(nugget, weld.passes))
    return Drawing(metal, patches, (), (drawn,), focus)


def _nugget(face: np.ndarray, bead: np.ndarray) -> Polygon:
    """Return the weld metal: its sides run from toe to toe, hollow towards the weld like a bevelled groove."""
    right_side = circular_arc(face[-1], bead[-1], -0.08 * math.dist(face[-1], bead[-1]), 61)
    left_side = circular_arc(bead[0], face[0], -0.08 * math.dist(bead[0], face[0]), 61)
    shape = Polygon(np.vstack([face, right_side[1:-1], bead[::-1], left_side[1:-1]]))
    return shape if shape.is_valid else shape.buffer(0)


def _passes(nugget: Polygon, count: int) -> tuple[Patch, ...]:
    """Return the borders between passes: bands across the weld metal, hollow upwards."""
    x0, y0, x1, y1 = nugget.bounds
    bands = []
    for index in range(1, count):
        level = y0 + (y1 - y0) * index / count
        across = circular_arc(np.array([x0 - 1, level + 0.5]), np.array([x1 + 1, level + 0.3]), -0.12 * (x1 - x0), 61)
        bands.append(Patch(line_patch(across, 0.5).intersection(nugget), "pass", 0.15))
    return tuple(bands)
