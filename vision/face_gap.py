"""A face of which points are missing: how it goes on where nothing was seen, and how sure that is."""

from __future__ import annotations

import math

import numpy as np

from core.geometry import Line, Points, distance, step_lengths
from core.medians import median

FEWEST_BESIDE = 5
"""Points on each side of a gap that tell how a face goes on."""

SAG_DOUBT, LENGTH_DOUBT = 0.5, 0.02
"""Standard uncertainty of a bridged face: share of how far the bridge leaves the straight way, and of its length."""


def bridged(face: Points, ends: Points) -> tuple[Points, float] | None:
    """Return the face with points over its gap, and their standard uncertainty across it in mm.

    The bridge is the parabola through what is seen as far on either side as the gap is wide: heights of a hollow face
    that lie in the gap would else be taken at its rims.

    Parameters
    ----------
    face
        (M, 2) from toe to toe.
    ends
        (2, 2) the last points before and after the gap, in the order of the face.

    Returns
    -------
    None where the gap is not one of the face, or too little is seen beside it.
    """
    after = int(np.hypot(*(face - ends[0]).T).argmin())
    if after + 1 >= len(face) or distance(face[after + 1], ends[1]) > 0.5 * distance(ends[1], ends[0]):
        return None
    straight = Line.through(face[after], face[after + 1])
    along, across = straight.along(face), straight.offset(face)
    first, last = float(along[after]), float(along[after + 1])
    wide = last - first
    before = np.flatnonzero((along >= first - wide) & (np.arange(len(face)) <= after))
    behind = np.flatnonzero((along <= last + wide) & (np.arange(len(face)) > after))
    if min(len(before), len(behind)) < FEWEST_BESIDE:
        return None
    beside = np.concatenate([before, behind])
    middle = 0.5 * (first + last)
    bend, slope, height = np.polyfit(along[beside] - middle, across[beside], 2)
    count = max(1, round(wide / max(median(step_lengths(face)), 1e-6)) - 1)
    at = np.linspace(first, last, count + 2)[1:-1]
    off = np.polyval([bend, slope, height], at - middle)
    sag = float(np.abs(off).max())
    bridge = straight.point + at[:, None] * straight.direction + off[:, None] * straight.normal
    filled = np.vstack([face[: after + 1], bridge, face[after + 1 :]])
    return filled, math.hypot(SAG_DOUBT * sag, LENGTH_DOUBT * wide)
