"""Butt welds in pictures of a pipe's wall: their plates bend alike, and straight plate lines do not hold.

In a profile the pipe is unrolled (`vision.arc_surface`). A picture shows both of its sides, of different lengths, and
is measured with straight lines: what these would make of the bend is not told.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from core.geometry import Points
from vision.arc_surface import ALIKE, SURE, Bend, bend_of
from vision.found import FoundWeld, flagged
from vision.section import Flag, WeldSurface

CLEAR_MM, LEAST_MM, CORNER_DEG = 0.8, 4.0, 20.0
"""A stretch of surface begins so far beyond a toe, is as long as this at least, and ends where a millimetre of it turns
by so much against the one before."""

LEAST_SAGITTA_MM = 0.025
"""A stretch that leaves its chord by less is straight as far as welds go."""

OF_A_TOE = ("undercut", "undercut_width", "toe_angle", "toe_radius", "overlap")
OF_STRAIGHT_PLATES = (
    "angular_misalignment", "misalignment", "root_misalignment", "cap_width", "reinforcement",
    "reinforcement_from_left", "reinforcement_from_right", "underfill", "root_width", "root_reinforcement",
    "root_concavity", "pit_depth", "spatter_height",
    *(f"{name}_left" for name in OF_A_TOE), *(f"{name}_right" for name in OF_A_TOE),
)  # fmt: skip


def with_bent_plates(weld: FoundWeld, outline: Points) -> FoundWeld:
    """Return a butt weld without the values that a bend of both plates spoils.

    Parameters
    ----------
    outline
        (N, 2) closed outline in mm, with the metal on its right.
    """
    face = weld.section.face
    if weld.section.joint != "butt" or face is None:
        return weld
    stretches = [_beyond(outline, face, side) for side in ("left", "right")]
    if any(len(points) == 0 for points in stretches):
        return weld
    bends = [bend_of(points) for points in stretches]
    lengths = [float(np.hypot(*(points[-1] - points[0]))) for points in stretches]
    if not _bend_alike(bends, lengths):
        return weld
    radius = 2.0 / abs(bends[0].curvature + bends[1].curvature)
    reason = (
        f"the plates bend alike, with a radius of about {radius:.0f} mm, as the wall of a pipe does: straight plate "
        "lines do not hold; measure a profile across the seam with --outside-diameter"
    )
    section = replace(weld.section, unseen={**weld.section.unseen, **dict.fromkeys(OF_STRAIGHT_PLATES, reason)})
    return flagged(replace(weld, section=section), Flag("plates_bend", reason))


def _bend_alike(bends: list[Bend], lengths: list[float]) -> bool:
    left, right = bends
    if left.curvature * right.curvature <= 0:
        return False
    mean = abs(left.curvature + right.curvature) / 2.0
    apart = abs(left.curvature - right.curvature)
    return (
        all(abs(bend.curvature) > SURE * bend.std for bend in bends)
        and all(mean * length**2 / 8.0 > LEAST_SAGITTA_MM for length in lengths)
        and apart < ALIKE * mean + 4.0 * math.hypot(left.std, right.std)
    )


def _beyond(outline: Points, face: WeldSurface, side: str) -> Points:
    """Return the surface beyond a toe as far as it goes on without a corner, in the order of the outline."""
    toe = face.toe_left if side == "left" else face.toe_right
    steps = np.hypot(*np.diff(np.vstack([outline, outline[:1]]), axis=0).T)
    step = max(float(np.median(steps)), 1e-6)
    count = len(outline)
    start = int(np.argmin(np.hypot(*(outline - toe).T)))
    # The outline runs from the left plate over the face to the right one.
    way = -1 if side == "left" else 1
    index = (start + way * np.arange(round(CLEAR_MM / step), count // 2)) % count
    each = max(1, round(1.0 / step))
    knots = outline[index[::each]]
    if len(knots) < 3:
        return np.zeros((0, 2))
    heading = np.unwrap(np.arctan2(*np.diff(knots, axis=0).T[::-1]))
    corners = np.flatnonzero(np.abs(np.diff(heading)) > math.radians(CORNER_DEG))
    last = (int(corners[0]) if len(corners) else len(knots) - 1) * each
    if last * step < LEAST_MM:
        return np.zeros((0, 2))
    return np.asarray(outline[index[:last]][::way])
