"""Whether a region is the ground beside a section: beyond its plates lie strips of metal, and then the ground again.

The ground around the outside corner of two plates looks like metal with a fillet in it, that beside a butt weld like a
plate with a hollow. Metal that fills the picture to its border shows no other side of its plates either, but behind
its surfaces nothing of its own tone follows, evenly far away.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calibration.model import Calibration
from core.geometry import Points
from vision.runs import Run
from vision.section import Section
from vision.segmentation import ReducedPicture

PLACES, NEAREST_PX, FARTHEST = 24, 4, 0.35
"""Places along a plate that are looked at; first distance from it in pixels of the reduced picture, and the last one
over the picture's longer side."""

MOST_LACKING, EVEN_PX, EVEN = 0.15, 2.0, 0.05
"""Share of the places behind which the region's tone does not return; how far the distances at which it does stray,
in pixels and over their middle."""


def is_ground(outline_px: Points, plates: tuple[Run, Run], reduced: ReducedPicture) -> bool:
    """Tell whether strips of one thickness lie beyond both plates, and behind them the tone of the region again.

    Parameters
    ----------
    outline_px
        (N, 2) in pixels of the full picture, the region on its right.
    plates
        Two straight stretches of it.
    """
    return all(_is_strip(outline_px[plate.indices(len(outline_px))[[0, -1]]], reduced) for plate in plates)


def is_inside_out(section: Section, reduced: ReducedPicture, calibration: Calibration) -> bool:
    """Tell whether a butt weld, whose other side is nowhere seen, has a strip of metal for the air beside a plate.

    What lies against the section may hide the strip beside the other one.
    """
    face = section.face
    others = (section.root_side, section.opposite_left, section.opposite_right)
    if section.joint != "butt" or face is None or any(other is not None for other in others):
        return False
    ends = []
    for plate, step in ((face.left, -1), (face.right, 1)):
        along = plate.fit.line.along(plate.points)
        reach = [float(along.min()), float(along.max())][::step]  # both ways lead to the right
        ends.append(calibration.to_px(np.array([plate.fit.line.at(at) for at in reach])))
    return any(_is_strip(ends_px, reduced) for ends_px in ends)


def _is_strip(ends_px: Points, reduced: ReducedPicture) -> bool:
    """Tell whether a strip lies on the left of the way between two places (2, 2) of the full picture."""
    gray = reduced.gray
    ends = (ends_px + 0.5) / reduced.factor - 0.5
    along = ends[1] - ends[0]
    length = float(np.hypot(*along))
    if length < PLACES:
        return False
    away = np.array([along[1], -along[0]]) / length  # pixels run down: the air is on the left of the way
    at = ends[0] + np.linspace(0.1, 0.9, PLACES)[:, None] * along
    inside = _levels(gray, at - NEAREST_PX * away)
    distances = np.arange(NEAREST_PX, FARTHEST * max(gray.shape))
    beyond = _levels(gray, at[:, None] + distances[:, None] * away)
    own, other = float(np.nanmedian(inside)), float(np.nanmedian(beyond[:, 0]))
    returned = np.abs(beyond - own) < np.abs(beyond - other)
    found = returned.any(axis=1)
    if np.mean(~found) > MOST_LACKING:
        return False
    thick = distances[np.argmax(returned[found], axis=1)].astype(float)
    middle = float(np.median(thick))
    return float(np.mean(np.abs(thick - middle) > max(EVEN_PX, EVEN * middle))) <= MOST_LACKING


def _levels(gray: NDArray[np.uint8], at: Points) -> NDArray[np.float64]:
    """Return the levels at places (..., 2), NaN beyond the picture."""
    x, y = np.rint(at[..., 0]).astype(int), np.rint(at[..., 1]).astype(int)
    within = (x >= 0) & (y >= 0) & (x < gray.shape[1]) & (y < gray.shape[0])
    levels = gray[np.clip(y, 0, gray.shape[0] - 1), np.clip(x, 0, gray.shape[1] - 1)].astype(float)
    return np.where(within, levels, np.nan)
