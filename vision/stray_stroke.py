"""A faint stroke that leads on from the end of a laser line: a face that hardly any light reaches."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from core.geometry import Points, near
from core.medians import median
from vision.stray_light import OWN_SIGMAS
from vision.stripe import Stripe

PARTS, MOST_PARTS, PART_PX, FLANK_PX = 3, 12, 10, 5.0
SHARE, NOISES = 0.04, 3.0
FAN_DEG, FAN_STEP_DEG = 75.0, 1.5
"""A stroke is so many parts of so many pixels in a row, each brighter than what lies so far on either side of it by
that share of the line's height and that many standard uncertainties, somewhere within so much of a direction (judged
on rendered frames)."""

FAN_APART = 3
"""One in so many directions tells the ground and its noise."""

_AHEAD = np.exp(1j * np.radians(np.arange(-FAN_DEG, FAN_DEG + 0.1, FAN_STEP_DEG))).astype(np.complex64)[:, None]
"""(directions, 1). Complex numbers turn in one product, in which rows are as long as a direction has places."""

FLANK_SIGMAS = 2.5
"""A thick line leads on as a thick stroke: its flanks lie beside it, so many of its widths away."""


@lru_cache(maxsize=8)
def _fan(flank_px: float) -> NDArray[np.complex64]:
    """Return how far ahead of an end (real) and to its right (imaginary) rays and flanks lie, (3, rays, places)."""
    away = 1j * flank_px * np.array([-1.0, 0.0, 1.0])[:, None, None]
    fan = np.asarray((1.0 + np.arange(MOST_PARTS * PART_PX) + away) * _AHEAD, np.complex64)
    fan.flags.writeable = False  # both ends of a line look along the same one
    return fan


def stroke_beyond_end(gray: NDArray[Any], stripe: Stripe, end_px: Points, down: Points) -> Points | None:
    """Return how far (2,) px a faint stroke leads from an end (2,) of the line, None where there is none.

    It is looked for about along a unit vector (2,), where no point of the line lies.
    """
    own = OWN_SIGMAS * stripe.width_px
    towards = np.complex64(complex(*down.tolist()))
    ways = _fan(max(FLANK_PX, FLANK_SIGMAS * stripe.width_px)) * towards
    ways += np.complex64(own) * (_AHEAD * towards)
    places = ways + np.complex64(complex(*end_px.tolist()))
    # Neighbours of the fan see the same pixels: a few directions tell the ground, and most end where they begin.
    apart = _along(gray, places[:, ::FAN_APART])
    noise = 1.4826 * median(np.abs(np.diff(apart[::2], axis=3))) / math.sqrt(2.0)
    line = stripe.points_px[np.hypot(*(stripe.points_px - end_px).T) < 2.0 * own + MOST_PARTS * PART_PX]
    height = median(_light(gray, line)) - median(apart) if len(line) else float(gray.max())
    least = max(SHARE * height, NOISES * noise / math.sqrt(PART_PX))
    begins = _above(_along(gray, places[:, :, : PARTS * PART_PX])) > least
    for index in np.flatnonzero(begins.all(axis=1)):
        bright = (_above(_along(gray, places[:, index, None])) > least)[0]
        lit = MOST_PARTS if bright.all() else int(np.argmin(bright))
        stroke = ways[1, index, : lit * PART_PX].astype(complex).view(float).reshape(-1, 2)
        # Most of what is bright is the line itself, which a few places of the stroke show.
        if not len(line) or not any(near(end_px + stroke[::step], line, own - 1.0).any() for step in (PART_PX, 1)):
            return np.asarray(stroke[-1])
    return None


def _along(gray: NDArray[Any], places: NDArray[np.complex64]) -> NDArray[np.float32]:
    """Return the light at places of rays and their flanks, (3, rays, places) as complex numbers, in parts of a ray."""
    flat = np.ascontiguousarray(places)
    return _light(gray, flat.view(np.float32).reshape(*flat.shape, 2)).reshape(3, flat.shape[1], -1, PART_PX)


def _above(light: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return by how much each part of rays is brighter than its flanks, (rays, parts)."""
    means = light.mean(axis=3)
    return np.asarray(means[1] - np.maximum(means[0], means[2]))


def _light(gray: NDArray[Any], spots: NDArray[Any]) -> NDArray[np.float32]:
    """Return the light at places (..., 2) px."""
    flat = spots.reshape(-1, spots.shape[-2], 2).astype(np.float32, copy=False)
    seen = cv2.remap(gray, flat[..., 0], flat[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(seen.reshape(spots.shape[:-1]), dtype=np.float32)
