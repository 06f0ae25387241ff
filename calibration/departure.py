"""How the corners of a board lie off a plane's view: as noise, each by itself, or smoothly, as on curled paper.

Noise is averaged away by many corners, a curl or a lens that bends is not: most of it looks like another plane and is
taken up by the fit, so that what is left of it says how large it was, not how far the fit is off.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from core.geometry import Points

LEAST_NOISE_FREEDOM = 12
"""With fewer residuals left over, what is smooth cannot be told from noise."""

TAKEN_UP = 4.0
"""Variance of a plane's parameters, in units of what one corner's smooth departure would give if there were no other.

A cylinder z = h (1 - x²), x from -1 to 1, seen from distance Z moves corners by h (x - x³) / Z: the fit takes up 0.4 x
of it. What is left, 0.6 x - x³, has a rms of 0.15 along x and of 0.11 over both coordinates, and would move a scale by
0.11 √3 if it were one corner's: (0.4 / 0.19)² is 4.4."""


@dataclass(frozen=True, slots=True)
class Departure:
    """Standard deviation of corners about a plane's view, a coordinate: ``noise_px`` and ``smooth_px``."""

    noise_px: float
    smooth_px: float

    def variance_factor(self, corners: int) -> float:
        """Return what the inverse normal matrix of the corners is multiplied with, px²."""
        return self.noise_px**2 + TAKEN_UP * corners * self.smooth_px**2


def departure(residual_px: Points, at: Points, jacobian: NDArray[np.float64]) -> Departure:
    """Split the residuals of a plane's view.

    Parameters
    ----------
    residual_px
        (N, 2).
    at
        (N, 2) where the corners lie on the board, about its middle in units of its size.
    jacobian
        (2 N, 8) of the view, first all x and then all y: what the fit has taken up already.
    """
    size = len(residual_px)
    flat = residual_px.T.ravel()
    x, y = at.T
    cubic = np.column_stack([x**a * y**b for a in range(4) for b in range(4 - a)])
    taken, _ = np.linalg.qr(jacobian)
    nothing = np.zeros_like(cubic)
    shapes = np.concatenate([np.hstack([cubic, nothing]), np.hstack([nothing, cubic])])
    shapes = shapes - taken @ (taken.T @ shapes)
    left, sizes, _ = np.linalg.svd(shapes, full_matrices=False)
    left = left[:, sizes > 1e-6 * sizes[0]]
    among = left.shape[1]
    freedom = 2 * size - 8 - among
    whole2 = float(flat @ flat)
    if freedom < LEAST_NOISE_FREEDOM:
        return Departure(math.sqrt(whole2 / max(1, 2 * size - 8)), 0.0)
    smooth2 = float(np.sum((left.T @ flat) ** 2))
    noise2 = max(0.0, whole2 - smooth2) / freedom
    # Noise alone would give `among` shares of it, give or take three standard deviations.
    beyond2 = smooth2 - noise2 * (among + 3.0 * math.sqrt(2.0 * among))
    return Departure(math.sqrt(noise2), math.sqrt(max(0.0, beyond2) / (2 * size)))
