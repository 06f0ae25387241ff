"""Random blotches from which surfaces are made."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Plane = NDArray[np.float32]


def cloud(height: int, width: int, cell_px: float, rng: np.random.Generator) -> Plane:
    """Return smooth random blotches of about cell_px, mean 0 and standard deviation 1."""
    if cell_px <= 1:
        return rng.standard_normal((height, width), dtype=np.float32)
    rows, columns = max(4, round(2 * height / cell_px) + 2), max(4, round(2 * width / cell_px) + 2)
    small = cv2.GaussianBlur(rng.standard_normal((rows, columns), dtype=np.float32), (0, 0), 1.1)
    large = cv2.resize(small, (width, height), interpolation=cv2.INTER_CUBIC)
    return np.asarray((large - large.mean()) / max(float(large.std()), 1e-6), np.float32)
