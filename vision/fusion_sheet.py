"""The picture round a weld, reduced to what its grain allows: tone, strength of texture, and where metal is."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.model import Calibration
from core.geometry import Points

Gray = NDArray[np.uint8]
Plane = NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class Sheet:
    """A reduced window of the picture.

    Attributes
    ----------
    channels
        (2, H, W): tone in grey levels, and log2 of the local strength of texture.
    metal
        (H, W) 1 inside the metal and clear of its edges, 0 elsewhere.
    origin_px, factor
        Corner of the window in the picture, and pixels of the picture for one of the sheet.
    """

    channels: Plane
    metal: Plane
    origin_px: Points
    factor: float

    def sample(self, points_px: Points) -> tuple[Plane, Plane]:
        """Return the channels, (2, ...), and the share of metal at picture points (..., 2)."""
        x, y = self._places(points_px)
        values = [cv2.remap(plane, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE) for plane in self.channels]
        return np.asarray(np.stack(values), np.float32), self.metal_at(points_px)

    def metal_at(self, points_px: Points) -> Plane:
        """Return 1 where picture points (..., 2) lie in metal and clear of its edges, 0 elsewhere."""
        x, y = self._places(points_px)
        metal = cv2.remap(self.metal, x, y, cv2.INTER_NEAREST, borderMode=cv2.BORDER_CONSTANT, borderValue=0)
        return np.asarray(metal, np.float32)

    def _places(self, points_px: Points) -> tuple[Plane, Plane]:
        at = (points_px - self.origin_px + 0.5) / self.factor - 0.5
        return np.asarray(at[..., 0], np.float32), np.asarray(at[..., 1], np.float32)


def reduced_sheet(
    gray: Gray,
    outlines_px: Sequence[Points],
    corners_px: Points,
    pixel_px: float,
    *,
    edge_px: float,
    seams_px: Sequence[tuple[Points, float]] = (),
) -> Sheet:
    """Return the window round some points of the picture.

    Parameters
    ----------
    corners_px
        (N, 2) points the window must hold.
    pixel_px
        Wanted size of one pixel of the sheet, in pixels of the picture.
    edge_px
        Metal nearer than this to an edge is left out: the blur of the edge reaches into it.
    seams_px
        Lines with their width that are left out: gaps between plates.
    """
    height, width = gray.shape
    low = np.clip(np.floor(corners_px.min(axis=0)), 0, [width - 2, height - 2]).astype(int)
    high = np.clip(np.ceil(corners_px.max(axis=0)) + 1, low + 2, [width, height]).astype(int)
    window = gray[low[1] : high[1], low[0] : high[0]]
    factor = max(1.0, pixel_px)
    size = (max(2, math.floor(window.shape[1] / factor)), max(2, math.floor(window.shape[0] / factor)))
    window = window[: math.ceil(size[1] * factor), : math.ceil(size[0] * factor)]
    tone = cv2.resize(window, size, interpolation=cv2.INTER_AREA) if factor > 1 else window
    tone = np.asarray(tone, np.float32)
    mask: Gray = np.zeros(tone.shape, np.uint8)

    def small(points: Points) -> NDArray[np.int32]:
        return np.asarray(np.rint(((points - low + 0.5) / factor - 0.5) * 16), np.int32)

    for outline in outlines_px:
        cv2.fillPoly(mask, [small(outline)], 1, cv2.LINE_8, 4)
    reach = max(1, math.ceil(edge_px / factor))
    square = np.ones((2 * reach + 1, 2 * reach + 1), np.uint8)
    mask = np.asarray(cv2.erode(mask, square, borderType=cv2.BORDER_REPLICATE), np.uint8)
    for seam, wide in seams_px:
        cv2.polylines(mask, [small(seam)], False, 0, max(1, round(wide / factor)), cv2.LINE_8, 4)
    return Sheet(np.stack([tone, _texture(tone, mask)]), np.asarray(mask, np.float32), low.astype(float), factor)


def _texture(tone: Plane, mask: Gray) -> Plane:
    """Return log2 of the mean deviation from the local mean, edges of the metal left out."""
    inside = mask.astype(np.float32)
    share = cv2.blur(inside, (5, 5)) + 1e-3
    rough = np.abs(tone - cv2.blur(tone * inside, (5, 5)) / share) * inside
    return np.asarray(np.log2(cv2.blur(rough, (7, 7)) / (cv2.blur(inside, (7, 7)) + 1e-3) + 0.5), np.float32)


def window_px(calibration: Calibration, points_mm: Points) -> Points:
    """Return points of a frame in the picture, whatever their shape (..., 2)."""
    flat = calibration.to_px(points_mm.reshape(-1, 2))
    return np.asarray(flat.reshape(points_mm.shape))
