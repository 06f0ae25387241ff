"""What one picture of a target cannot show, as assumptions with their size, each in one place.

These are common practice without a source; every calibration names those it used in its provenance.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from calibration.model import Lens
from core.geometry import Points

CORNER_DISTORTION = 0.005
"""Standard radial displacement at the picture's corner, relative to its radius: phones and copy-stand
lenses lie between 0.3 % and 1 %."""

CORRECTED_DISTORTION = 0.0005
"""The same, after a correction with the camera's lens file, beside what its views leave open."""

TILT_STD_RAD = math.radians(2.0)
"""Tilt of a camera against the plane, set by eye, about either axis."""

SHOWN_TILT_STD_RAD = math.radians(5.0)
"""The same where the picture shows the tilt: wider, to let it speak for itself."""

LEAST_TILT_STD_RAD = math.radians(0.5)
"""The same across a rule that shows no tilt along itself."""

FOCAL_LENGTH_PER_LONG_SIDE = 1.0
"""Focal length in units of the picture's longer side; 0.7 for a phone's main camera, 1 to 3 otherwise."""

USUAL_FOCAL_PER_LONG_SIDE, FOCAL_LOG_STD = 1.5, 0.6
"""The same where it counts how far it may be off: a phone's main camera has 0.75 times the picture's longer side, a
macro lens up to 4; the standard deviation is that of the logarithm."""

KNOWN_FOCAL_LOG_STD = 0.005
"""The same with the camera's lens file."""


def lens_growth_per_px2(width_px: float, height_px: float, lens: Lens | None) -> float:
    """Return how the relative lens part of a length grows with the squared distance from the target.

    A displacement r·(1 + k r²) changes lengths across the radius by k r², along it by 3 k r²; the mean
    of both is taken: 2 k, with k from the displacement at the corner.
    """
    corner2 = 0.25 * (width_px**2 + height_px**2)
    left = CORNER_DISTORTION if lens is None else math.hypot(CORRECTED_DISTORTION, lens.corner_std)
    return 2.0 * left / corner2


def focal_length_px(width_px: float, height_px: float) -> float:
    """Return the assumed focal length of a camera nobody calibrated."""
    return FOCAL_LENGTH_PER_LONG_SIDE * max(width_px, height_px)


def line_homography(
    centre_px: Points,
    direction_px: Points,
    mm_per_px: float,
    along_per_px: float = 0.0,
    across_per_px: float = 0.0,
    log_stretch: float = 0.0,
) -> NDArray[np.float64]:
    """Return picture to mm (x right, y up, origin at the centre) from a scale along one line.

    With s along the line and t across it, from the centre: (s, stretch · t) · mm_per_px /
    (1 + along_per_px · s + across_per_px · t). It is the general view of a plane whose only known
    lengths lie on the line.
    """
    u = np.asarray(direction_px, float)
    turn = np.array([[u[0], u[1]], [-u[1], u[0]]])
    to_line = np.eye(3)
    to_line[:2, :2] = turn
    to_line[:2, 2] = -turn @ np.asarray(centre_px, float)
    view = np.diag([mm_per_px, mm_per_px * math.exp(log_stretch), 1.0])
    view[2, :2] = along_per_px, across_per_px
    back = np.eye(3)
    back[:2, :2] = np.diag([1.0, -1.0]) @ turn.T
    return np.asarray(back @ view @ to_line)


def propagate(
    build: Callable[[NDArray[np.float64]], NDArray[np.float64]],
    parameters: NDArray[np.float64],
    covariance: NDArray[np.float64],
    steps: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Return the (9, 9) covariance of a homography built from parameters (JCGM 100:2008, 5.2)."""
    jacobian = np.empty((9, len(parameters)))
    for index, step in enumerate(steps):
        change = np.zeros(len(parameters))
        change[index] = step
        jacobian[:, index] = (build(parameters + change) - build(parameters - change)).ravel() / (2 * step)
    result = jacobian @ covariance @ jacobian.T
    return np.asarray(0.5 * (result + result.T))
