"""How much of a seam makes one section: the pitch where points lie densely, more where they are few or lie in rows.

A scanner that is carried along leaves rows a millimetre or two apart, a hand leaves few points here and many there. A
slab as thin as the pitch then holds one row, or a part of one, or nothing. Where points scatter much, a section needs
many of them before it shows a toe, an undercut or the short edge of a lapped plate.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from core.geometry import Points

CELL_MM = 0.5
ENOUGH_IN_CELL = 8
"""Points that a cell across the seam must hold: more than one mean, so that a step in it shows."""

MEAN_STD_MM, OVER_MM = 0.03, 0.2
"""A mean over so much of the surface is to be known so well: no better than that a value of a weld is asked for."""

LONGEST_FOR_SCATTER_MM = 3.0
"""Scatter alone makes no section longer: what changes along a seam is averaged over it."""

SHARE = 0.85
LONGEST_MM = 4.0
LADDER = 1.25
PLACES = 15


def slab_length(along: NDArray[np.float64], section: Points, pitch_mm: float, noise_mm: float = 0.0) -> float:
    """Return the length of seam, mm, whose points show a section.

    It is the shortest one from the pitch up to `LONGEST_MM` with which nearly all cells across hold enough points, of
    those that the longest one shows at all; where not even that does, the longest. Points that scatter must be as many
    as their means need, as far as `LONGEST_FOR_SCATTER_MM` gives them.

    Parameters
    ----------
    along
        (N,) places along the seam, rising.
    section
        (N, 2) where the points lie in the section.
    noise_mm
        Scatter of points across the surface.
    """
    if pitch_mm >= LONGEST_MM or len(along) == 0:
        return pitch_mm
    low, high = float(along[0]), float(along[-1])
    margin = min(LONGEST_MM, high - low) / 2
    centres = np.linspace(low + margin, high - margin, PLACES)
    left = float(section[:, 0].min())
    number = np.floor((section[:, 0] - left) / CELL_MM).astype(np.int64)
    cells = int(number.max()) + 1

    def filled(length: float, least: int) -> NDArray[np.bool_]:
        ends = np.searchsorted(along, np.add.outer([-length / 2, length / 2], centres))
        counts = [np.bincount(number[first:last], minlength=cells) for first, last in ends.T]
        return np.asarray(np.array(counts) >= least)

    seen = filled(LONGEST_MM, 1)
    length = pitch_mm
    wanted = max(ENOUGH_IN_CELL, math.ceil(CELL_MM / OVER_MM * (noise_mm / MEAN_STD_MM) ** 2))
    for least, longest in ((ENOUGH_IN_CELL, LONGEST_MM), (wanted, LONGEST_FOR_SCATTER_MM)):
        while length < longest:
            if np.count_nonzero(filled(length, least) & seen) >= SHARE * np.count_nonzero(seen):
                break
            length = min(LADDER * length, longest)
    return length
