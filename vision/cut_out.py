"""Outlines on a ground that is not plain, drawn anew: what the ground adds to a section is cut off.

Ruled lines, veins and grain of the metal's own tone join a section wherever they touch it. What belongs to it is told
by all of its border at once: the shortest and steepest border between what looks like metal and what looks like ground
(Y. Boykov and M.-P. Jolly, ICCV 2001, 105-112; looks by mixtures of normal distributions as of C. Rother,
V. Kolmogorov and A. Blake, ACM Transactions on Graphics 23, 2004, 309-314).
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.ground import MOST_BLUR_PX, ROUGH, roughness
from vision.segmentation import ReducedPicture, Silhouette, filled, silhouettes

Mask = NDArray[np.uint8]

BAND_PX = 31
"""Width of the band about an outline in which its border is sought, in pixels of the reduced picture."""

AROUND_PX = 45
"""How far around a section its ground is looked at, in pixels of the reduced picture."""

HAIR_PX = 9
"""What is narrower than this and longer is a line of the ground, not metal, in pixels of the reduced picture."""

LARGEST_CORNER_PX2 = 25
"""Corners have less area that a disc of that width does not reach."""

LEAST_LINE_PX, THICKEST_CRUMB_PX = 36, 18
"""On a plain ground a line is longer than this; what a grained ground adds is no thicker."""

TURNS = 2


def redrawn(outlines: tuple[Silhouette, ...], picture: ReducedPicture) -> tuple[Silhouette, ...]:
    """Return the outlines of a section, on a plain ground as they are, elsewhere without what the ground adds to them.

    As they are, too, where no border was found that leaves them as many as they were.
    """
    mask = filled((outline.points_px for outline in outlines), picture)
    if max(roughness(outline.points_px, MOST_BLUR_PX * picture.factor, picture) for outline in outlines) > ROUGH:
        found = without_hairs(cut_out(mask, picture))
        # Grain is cut off in crumbs: what is thicker is a weld of another tone than its plates.
        if _thickness_px(np.asarray(cv2.subtract(mask, found), np.uint8)) > THICKEST_CRUMB_PX:
            return outlines
    else:
        found = without_hairs(mask, longest_px=LEAST_LINE_PX)
        if np.array_equal(found, mask):
            return outlines
    drawn = silhouettes(found, picture, outlines[0].proposal, most=len(outlines))
    return tuple(drawn) if len(drawn) == len(outlines) else outlines


def _thickness_px(mask: Mask) -> float:
    """Return the diameter of the largest disc that lies in a mask."""
    return 2.0 * float(cv2.distanceTransform(mask, cv2.DIST_L2, 3).max()) if mask.any() else 0.0


def without_hairs(mask: Mask, *, longest_px: float = 0.0) -> Mask:
    """Return a mask without what is thin and sticks out of it, as lines of the ground do that end at a section.

    What is no longer than ``longest_px`` stays: spatter and lobes of a bead are thin, too, and belong to the metal.
    """
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (HAIR_PX, HAIR_PX))
    lost = cv2.subtract(mask, cv2.morphologyEx(mask, cv2.MORPH_OPEN, disc))
    if not cv2.erode(lost, np.ones((2, 2), np.uint8)).any():
        return mask
    _, pieces, stats, _ = cv2.connectedComponentsWithStats(lost, connectivity=8)
    extent = np.hypot(stats[:, cv2.CC_STAT_WIDTH], stats[:, cv2.CC_STAT_HEIGHT])
    hair = (stats[:, cv2.CC_STAT_AREA] > LARGEST_CORNER_PX2) & (extent > longest_px)
    hair[0] = False
    return np.asarray(np.where(hair[pieces], 0, mask), np.uint8)


def cut_out(mask: Mask, picture: ReducedPicture) -> Mask:
    """Return the mask with its border where metal and ground are told apart best."""
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (BAND_PX, BAND_PX))
    outer = cv2.dilate(mask, disc)
    about = np.full(mask.shape, cv2.GC_BGD, np.uint8)
    about[outer > 0] = cv2.GC_PR_BGD
    about[mask > 0] = cv2.GC_PR_FGD
    about[cv2.erode(mask, disc) > 0] = cv2.GC_FGD
    x, y, width, height = cv2.boundingRect(outer)
    window = slice(max(0, y - AROUND_PX), y + height + AROUND_PX), slice(max(0, x - AROUND_PX), x + width + AROUND_PX)
    seen = np.ascontiguousarray(about[window])
    looks = np.zeros((1, 65)), np.zeros((1, 65))
    cv2.setRNGSeed(0)
    cv2.grabCut(cv2.merge([picture.gray[window]] * 3), seen, (0, 0, 1, 1), *looks, TURNS, cv2.GC_INIT_WITH_MASK)
    found = np.zeros_like(mask)
    found[window] = np.where((seen == cv2.GC_FGD) | (seen == cv2.GC_PR_FGD), 255, 0)
    return found
