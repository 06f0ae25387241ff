"""A faint stroke that leads on from the end of a laser line: a face that hardly any light reaches."""

from __future__ import annotations

import math
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from core.geometry import Points
from vision.stray_light import OWN_SIGMAS
from vision.stripe import Stripe

PARTS, MOST_PARTS, PART_PX, FLANK_PX = 3, 12, 10, 5.0
SHARE, NOISES = 0.04, 3.0
FAN_DEG, FAN_STEP_DEG = 75.0, 1.5
"""A stroke is so many parts of so many pixels in a row, each brighter than what lies so far on either side of it by
that share of the line's height and that many standard uncertainties, somewhere within so much of a direction (judged
on rendered frames)."""


def stroke_beyond_end(gray: NDArray[Any], stripe: Stripe, end_px: Points, down: Points) -> Points | None:
    """Return how far (2,) px a faint stroke leads from an end (2,) of the line, None where there is none.

    It is looked for about along a unit vector (2,), where no point of the line lies.
    """
    own = OWN_SIGMAS * stripe.width_px
    away = own + 1.0 + np.arange(MOST_PARTS * PART_PX)
    turns = np.radians(np.arange(-FAN_DEG, FAN_DEG + 0.1, FAN_STEP_DEG))
    ahead = np.cos(turns)[:, None] * down + np.sin(turns)[:, None] * np.array([-down[1], down[0]])
    aside = np.stack([-ahead[:, 1], ahead[:, 0]], axis=1)
    flanks = FLANK_PX * np.array([-1.0, 0.0, 1.0])
    ways = away[:, None] * ahead[:, None] + flanks[:, None, None, None] * aside[:, None]
    light = _light(gray, end_px + ways).reshape(3, len(turns), MOST_PARTS, PART_PX)
    means = light.mean(axis=3)
    above = means[1] - np.maximum(means[0], means[2])
    noise = 1.4826 * float(np.median(np.abs(np.diff(light[::2], axis=3)))) / math.sqrt(2.0)
    near = stripe.points_px[np.hypot(*(stripe.points_px - end_px).T) < away[-1] + own]
    height = float(np.median(_light(gray, near))) - float(np.median(light)) if len(near) else float(gray.max())
    bright = above > max(SHARE * height, NOISES * noise / math.sqrt(PART_PX))
    for index in np.flatnonzero(bright[:, :PARTS].all(axis=1)):
        lit = MOST_PARTS if bright[index].all() else int(np.argmin(bright[index]))
        stroke = ways[1, index, : lit * PART_PX]
        if not len(near) or np.hypot(*(end_px + stroke[:, None] - near).transpose(2, 0, 1)).min() > own - 1.0:
            return np.asarray(stroke[-1])
    return None


def _light(gray: NDArray[Any], spots: Points) -> NDArray[np.float64]:
    """Return the light at places (..., 2) px."""
    flat = spots.reshape(-1, spots.shape[-2], 2).astype(np.float32)
    seen = cv2.remap(gray, flat[..., 0], flat[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(seen.reshape(spots.shape[:-1]), dtype=np.float64)
