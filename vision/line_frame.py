"""Whether a picture is the frame of a laser line, which is no section: a narrow bright strip as wide all along."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

LONG_SIDE_PX = 1024
"""Lines are looked for in a picture made as small as this: noise goes, and lines of 3 to 40 px stay."""

MOST_BRIGHT = 0.06
"""Largest share of a frame that a line takes: 40 px of 1088."""

DARK = 0.6
"""Level of the ground over that of a line: a strip a little brighter than a bright ground, as the rim of a resin mount,
is no line."""

LEAST_LONG = 0.25
"""Pieces shorter than this share of the long side are sparks and reflections."""

MOST_RUNS = 1.5
"""Rows or columns across a line meet it once, those across the lines of a cutting mat or of a page often."""

LEAST_SLENDER = 20.0
"""Length of a line against its width; plates of sheet metal reach it, too."""

MOST_UNEVEN = 3.2
"""Largest distance to the rim against the mean one: 2 in an even strip, 3.5 and more where two plates and a fillet
meet."""

THIN_PX = 6.0
"""So narrow a strip, of a picture made small, holds no plate that could be measured."""

ROUNDED, SATURATED = 0.93, 250.0
"""Light falls from the centre of a line to its rims, metal is as bright up to them; what is saturated shows neither."""


def is_laser_line(gray: NDArray[np.uint8]) -> bool:
    """Tell whether a picture (H, W) shows a laser line rather than a section.

    A line is bright on a dark ground, narrow against its length, as wide all along, and falls off from its centre to
    both rims or is saturated. A weld's section is thicker where the weld is, and its metal is as bright up to the edge.
    """
    # Levels in order by their counts: that is done for every photograph, and sorting them takes ten times as long.
    up_to = np.cumsum(cv2.calcHist([gray[::4, ::4].copy()], [0], None, [256], [0, 256]).ravel())
    dark, bright = (float(np.searchsorted(up_to, share * up_to[-1])) for share in (0.5, 0.9995))
    if bright - dark < 20.0 or dark > DARK * bright or 1.0 - up_to[int((dark + bright) / 2)] / up_to[-1] > MOST_BRIGHT:
        return False
    factor = max(1, round(max(gray.shape) / LONG_SIDE_PX))
    # The brightest pixel of each tile: lines of two or three pixels stay in one piece.
    small = cv2.dilate(gray, np.ones((factor, factor), np.uint8))[::factor, ::factor].astype(float)
    dark = float(np.median(small))
    mask = small > dark + 0.4 * (float(np.quantile(small, 0.9995)) - dark)
    _, labels, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=8)
    spans = np.maximum(stats[:, cv2.CC_STAT_WIDTH], stats[:, cv2.CC_STAT_HEIGHT])
    long = np.flatnonzero(spans >= LEAST_LONG * max(small.shape))
    strip = np.isin(labels, long[long > 0])
    if not strip.any() or _runs_across(strip) > MOST_RUNS:
        return False
    inside = cv2.distanceTransform(strip.astype(np.uint8), cv2.DIST_L2, 5)
    depths = inside[strip]
    mean = float(depths.mean())
    width = 4.0 * mean - 1.0
    if np.count_nonzero(strip) < LEAST_SLENDER * width**2 or float(depths.max()) > MOST_UNEVEN * mean + 0.5:
        return False
    if width < THIN_PX:
        return True
    levels = small[strip] - dark
    centre = float(np.median(levels[depths >= 1.5 * mean]))
    aside = float(np.median(levels[depths <= mean]))
    return aside < ROUNDED * centre or centre + dark >= SATURATED


def _runs_across(strip: NDArray[np.bool_]) -> float:
    """Return how often the rows, or the columns, that meet a mask meet it in the mean: the fewer of the two."""
    counts = []
    for axis in (0, 1):
        starts = np.count_nonzero(np.diff(strip.astype(np.int8), axis=axis, prepend=0) > 0, axis=axis)
        counts.append(float(starts[starts > 0].mean()))
    return min(counts)
