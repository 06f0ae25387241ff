"""How well a coarse outline and the joint in it explain the picture: the better, the more likely it is the section."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from calibration.model import Calibration
from core.geometry import Points, diagonal
from core.medians import median
from vision.butt_pairs import ButtPair
from vision.joints import FilletPair, path_between
from vision.segmentation import ReducedPicture, Silhouette
from vision.structure import Structure, is_plate, straight_share

STRAY_STEP = 0.13
STRAY_SHARE = 0.04
"""With a larger share of an outline beside what is no background, the search for another split goes on: no background
is what differs from it by more than `STRAY_STEP` of the step to the metal."""
GAP_MISMATCH = 0.15
"""An open joint whose gap differs from the background by more of the step to the plates may hold weld metal."""


def score_of(
    structure: Structure, outlines: tuple[Silhouette, ...], reduced: ReducedPicture, calibration: Calibration
) -> float:
    """Score a structure: how much plate it shows, how large it is, and whether one background surrounds it.

    A split that leaves the weld metal out has weld metal and not background outside its face: the level
    outside the face then differs from the level outside the plates.
    """
    score = structure.score
    height, width = reduced.gray.shape
    across = math.hypot(height, width) * reduced.factor
    extent = max(diagonal(o.points_px) for o in outlines)
    score += 3.0 * min(1.0, extent / across)
    shape = structure.shapes[0]
    score += 5.0 * (min(min(straight_share(s) for s in structure.shapes), 0.9) - 0.7)
    # Background between section and frame has most of its outline on the frame.
    score -= 10.0 * max(0.0, float(np.mean(shape.cut)) - 0.3)
    if structure.fillets and not any(is_plate(shape, shape.runs, pair) for pair in structure.fillets):
        score -= 2.5
    if structure.joint is not None:
        score -= min(6.0, 20.0 * max(0.0, _gap_mismatch(structure, outlines, reduced) - GAP_MISMATCH))
    pairs: list[FilletPair | ButtPair] = [*structure.fillets, *structure.butts]
    for pair in pairs:
        count = len(shape.points)
        face = path_between(shape.points, pair.first, pair.second, closed=True)
        if face is None:
            continue
        plates = np.concatenate([pair.first.indices(count), pair.second.indices(count)])
        mismatch = _mismatch(reduced, outlines[0].points_px, face, plates)
        score -= 6.0 * max(0.0, mismatch - 0.25) / max(1, len(pairs))
    return score


def stray_share(outline: Silhouette, picture: ReducedPicture) -> float:
    """Return the share of an outline beside which lies neither the background nor anything near its level."""
    index = np.arange(0, len(outline.points_px), max(1, len(outline.points_px) // 600))
    outside, inside = (_levels(picture, outline.points_px, index, side).astype(float) for side in (+5, -5))
    if min(len(outside), len(inside)) == 0:
        return 0.0
    ground = median(outside)
    step = abs(median(inside) - ground) + 1.0
    return float(np.mean(np.abs(outside - ground) > STRAY_STEP * step))


def _gap_mismatch(structure: Structure, outlines: tuple[Silhouette, ...], reduced: ReducedPicture) -> float:
    """Return how far the level in an open joint differs from that beside its plates: weld metal is no gap."""
    found = []
    for side in () if structure.joint is None else (structure.joint.left, structure.joint.right):
        for shape, outline in zip(structure.shapes, outlines, strict=False):
            if shape.points is side.points:
                count = len(shape.points)
                ends = np.concatenate([run.indices(count) for run in side.end])
                plates = np.concatenate([side.towards.indices(count), side.away.indices(count)])
                found.append(_mismatch(reduced, outline.points_px, ends, plates))
    return max(found, default=0.0)


def _mismatch(reduced: ReducedPicture, outline_px: Points, part: NDArray[np.int64], plates: NDArray[np.int64]) -> float:
    """Return by how much the level outside a part of an outline differs from that outside the plates.

    In steps from outside to inside of the plates; 0 where nothing can be seen.
    """
    outside_part = _levels(reduced, outline_px, part, +5)
    outside, inside = (_levels(reduced, outline_px, plates, side) for side in (+5, -5))
    if min(len(outside_part), len(outside), len(inside)) == 0:
        return 0.0
    step = abs(float(np.median(inside)) - float(np.median(outside))) + 1.0
    return abs(float(np.median(outside_part)) - float(np.median(outside))) / step


def _levels(
    reduced: ReducedPicture, outline_px: Points, index: NDArray[np.int64], outwards: float
) -> NDArray[np.uint8]:
    """Return grey levels of the reduced picture beside outline points, a few reduced pixels off."""
    count = len(outline_px)
    tangent = outline_px[(index + 3) % count] - outline_px[(index - 3) % count]
    length = np.hypot(tangent[:, 0], tangent[:, 1]) + 1e-9
    normal = np.column_stack([tangent[:, 1], -tangent[:, 0]]) / length[:, None]
    small = (outline_px[index] + 0.5) / reduced.factor - 0.5 + outwards * normal
    x, y = np.rint(small[:, 0]).astype(int), np.rint(small[:, 1]).astype(int)
    height, width = reduced.gray.shape
    ok = (x >= 0) & (y >= 0) & (x < width) & (y < height)
    return np.asarray(reduced.gray[y[ok], x[ok]], np.uint8)
