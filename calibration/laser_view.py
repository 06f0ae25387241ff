"""The view of a laser plane: its frame in mm, and the homography from ideal pixels to it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.model import Lens
from core.geometry import Points


@dataclass(frozen=True, slots=True, eq=False)
class Frame:
    """Origin and axes of the plane's frame in camera coordinates, (3,) each; x right, y to the air."""

    origin: NDArray[np.float64]
    right: NDArray[np.float64]
    up: NDArray[np.float64]


def sight(lens: Lens, ideal_px: Points) -> NDArray[np.float64]:
    """Return the direction that an ideal pixel looks along, (3,) of length 1."""
    ray = np.linalg.inv(lens.camera_matrix) @ np.array([ideal_px[0], ideal_px[1], 1.0])
    return np.asarray(ray / np.linalg.norm(ray))


def lay_frame(lens: Lens, plane: NDArray[np.float64], ideal_px: Points) -> Frame:
    """Lay the frame along the picture's axes, turned by right angles until y points to the camera."""

    def meet(x: float, y: float) -> NDArray[np.float64]:
        ray = np.linalg.inv(lens.camera_matrix) @ np.array([x, y, 1.0])
        return np.asarray(ray / float(plane @ ray))

    x, y = float(ideal_px[0]), float(ideal_px[1])
    origin = meet(x, y)
    across, down = meet(x + 1, y) - meet(x - 1, y), meet(x, y + 1) - meet(x, y - 1)
    foot = plane / float(plane @ plane) - origin
    # right, and the picture's direction that is up then; each is the last one turned by a quarter.
    turns = [(across, -down), (down, across), (-across, down), (-down, -across)]
    fits = [float(foot @ up) / float(np.linalg.norm(up)) for _, up in turns]
    best = int(np.argmax(fits)) if max(fits) > 0.05 * float(np.linalg.norm(origin)) else 0
    right, up = turns[best]
    right = right / np.linalg.norm(right)
    up = up - right * float(up @ right)
    return Frame(origin, right, up / np.linalg.norm(up))


def homography_of(matrix: NDArray[np.float64], plane: NDArray[np.float64], frame: Frame) -> NDArray[np.float64]:
    """Return ideal pixels to mm: X = r / (p · r) along the frame's axes."""
    rays = np.linalg.inv(matrix)
    rows = [axis - float(axis @ frame.origin) * plane for axis in (frame.right, frame.up)]
    return np.asarray(np.vstack([*rows, plane]) @ rays) * float(np.linalg.norm(frame.origin))


def plane_gradient(matrix: NDArray[np.float64], plane: NDArray[np.float64], frame: Frame) -> NDArray[np.float64]:
    """Return the derivative of the homography's entries by p, (9, 3); it is linear in p."""
    columns = [
        (homography_of(matrix, plane + step, frame) - homography_of(matrix, plane, frame)).ravel() for step in np.eye(3)
    ]
    return np.array(columns).T
