"""Regions between sharp edges: a section beside whose deep shadow no grey level tells metal from ground.

The shadow of a lamp is as dark as metal somewhere, and darker or brighter elsewhere, but its rim is soft: from the open
ground into the darkest of it the light changes over many pixels. The edge of metal is as sharp as the lens draws it,
whichever side is the brighter one. An edge is sharp where it is steep for a small Gaussian and much less so for a
larger one (T. Lindeberg, Int. J. Computer Vision 30, 1998, 117-154, on the scale of edges). What no sharp edge parts
is one region; regions of sections are told from ground by their middle tone.
"""

from __future__ import annotations

from collections.abc import Iterator

import cv2
import numpy as np
from numpy.typing import NDArray

Gray = NDArray[np.uint8]
Mask = NDArray[np.uint8]

OF_SHARP_EDGES = "within sharp edges"
"""Name of the proposals made of such regions."""

FINE_PX, WIDE_PX = 1.0, 3.0
"""Standard deviations of the two Gaussians, in pixels of the reduced picture."""

SHARP, NEARLY = 1.7, 1.35
"""Steepness for the fine over that for the wide one: a sharp edge reaches 2.5, the rim of a shadow 4 px soft 1.2. What
is nearly sharp counts where it goes on from what is: the rim begins at the edge and is added to it."""

LEAST_LEVELS = 3.0
"""Levels per pixel of the reduced picture from which an edge is looked at."""

REACHES_PX = (7.0, 14.0, 24.0)
"""Half the width of the gaps in an edge that are closed: where shadow and metal are alike none is seen."""

LEAST_SHARE = 0.001
"""Regions smaller than this share of the picture are none of their own."""


def sharp_splits(gray: Gray) -> Iterator[tuple[str, Mask]]:
    """Yield named splits of a reduced picture (H, W) by its sharp edges as masks of 0 and 255."""
    edges = _sharp(gray)
    level, _ = cv2.threshold(gray, 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)
    away = cv2.distanceTransform(cv2.bitwise_not(edges), cv2.DIST_L2, 5)
    # Seeds flood what is flat at one speed and edges last: through a gap in an edge they meet half-way.
    relief = cv2.merge([edges, edges, edges])
    for reach in REACHES_PX:
        count, markers, stats, _ = cv2.connectedComponentsWithStats((away > reach).astype(np.uint8), connectivity=4)
        tones = np.full(count, np.nan)
        for number in range(1, count):
            if stats[number, cv2.CC_STAT_AREA] > LEAST_SHARE * gray.size:
                x, y, across, down = stats[number, :4].tolist()
                window = slice(y, y + down), slice(x, x + across)
                tones[number] = np.median(gray[window][markers[window] == number])
        large = np.isfinite(tones)
        if not (tones[large] <= level).any() or not (tones[large] > level).any():
            continue
        seeds = np.where(large, np.where(tones <= level, 1, 2), 0).astype(np.int32)[markers]
        cv2.watershed(relief, seeds)
        # A shadow hides nothing of metal that is brighter than its ground.
        yield f"{OF_SHARP_EDGES}, gaps of {2 * reach:.0f}", (seeds == 1).astype(np.uint8) * 255


def _sharp(gray: Gray) -> Mask:
    fine, wide = (_steepness(gray, sigma) for sigma in (FINE_PX, WIDE_PX))
    nearly = ((fine > LEAST_LEVELS) & (fine > NEARLY * wide)).astype(np.uint8)
    count, pieces = cv2.connectedComponents(nearly)
    kept = np.zeros(count, np.uint8)
    kept[np.unique(pieces[(fine > SHARP * wide) & (nearly > 0)])] = 255
    kept[0] = 0
    return np.asarray(kept[pieces], np.uint8)


def _steepness(gray: Gray, sigma: float) -> NDArray[np.float32]:
    smooth = cv2.GaussianBlur(gray.astype(np.float32), (0, 0), sigma)
    across, down = cv2.Scharr(smooth, cv2.CV_32F, 1, 0), cv2.Scharr(smooth, cv2.CV_32F, 0, 1)
    # The weights of the filter add up to 32 for a step of two pixels.
    return np.asarray(cv2.magnitude(across, down) / 32.0, np.float32)
