"""The part of a picture that is searched, and the calibration that holds in it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from calibration.model import Calibration
from core.errors import NothingMeasurable
from core.geometry import Points


def window_of(gray: NDArray[np.uint8], region: tuple[int, int, int, int] | None) -> tuple[int, int, NDArray[np.uint8]]:
    """Return the upper left corner, x and y in px, and the pixels (H, W) of the region that is searched.

    Raises
    ------
    NothingMeasurable
        When the region leaves too little of the picture.
    """
    if region is None:
        return 0, 0, gray
    x, y, w, h = region
    height, width = gray.shape
    x0, y0 = max(0, x), max(0, y)
    x1, y1 = min(width, x + w), min(height, y + h)
    if x1 - x0 < 32 or y1 - y0 < 32:
        raise NothingMeasurable(
            f"the region {x},{y},{w},{h} leaves less than 32 x 32 pixels of a picture of {width} x {height}"
        )
    return x0, y0, np.ascontiguousarray(gray[y0:y1, x0:x1])


def shifted(calibration: Calibration, origin: Points) -> Calibration:
    """Return the calibration for a window of the picture; with a lens the window keeps full coordinates."""
    move = np.array([[1.0, 0.0, origin[0]], [0.0, 1.0, origin[1]], [0.0, 0.0, 1.0]])
    centre = (calibration.centre_px[0] - origin[0], calibration.centre_px[1] - origin[1])
    lens = calibration.lens
    if lens is not None:
        matrix = lens.camera_matrix.copy()
        matrix[:2, 2] -= origin
        lens = replace(lens, camera_matrix=matrix)
    return replace(calibration, px_to_mm=calibration.px_to_mm @ move, centre_px=centre, lens=lens)
