"""How far the camera is from the plane, from what one picture holds of it.

Nobody measures that distance, and an offset of the target counts in proportion to it. What a picture shows is the size
of a pixel; with the focal length that is the distance. The focal length is known roughly of any camera, and it shows in
the squares of a board that is seen askew: they close up and they converge, and only one focal length does both
(R. Hartley and A. Zisserman, "Multiple View Geometry", 2nd ed., 8.8).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.model import Lens
from calibration.unseen import CORNER_DISTORTION, FOCAL_LOG_STD, USUAL_FOCAL_PER_LONG_SIDE
from core.geometry import Points

UNKNOWN_DISTANCE_MM, DISTANCE_LOG_STD = 300.0, 0.6
"""Assumption, no source: usual distance of a phone or a copy-stand camera from a coupon, a third of them beyond half or
twice of it."""

PRINCIPAL_POINT_STD = 0.01
"""Assumption, no source: how far the optical axis meets a picture beside its middle, over its longer side."""

_LOG_FOCAL = np.linspace(math.log(0.3), math.log(12.0), 240)
"""Focal lengths looked at, over the longer side of the picture: from a wide phone to a long macro lens."""


@dataclass(frozen=True, slots=True)
class SeenDistance:
    """``distance_mm`` from the lens to the plane, along its normal; ``inverse_rms`` (1/mm) stands for all it may be.

    ``source`` says whether the picture shows it or it is assumed.
    """

    distance_mm: float
    inverse_rms: float
    source: str


def distance_of(
    px_to_mm: NDArray[np.float64],
    covariance: NDArray[np.float64] | None,
    at_px: Points,
    size_px: tuple[int, int],
) -> SeenDistance:
    """Return what a plane's view says about the distance of the camera.

    Parameters
    ----------
    px_to_mm, covariance
        (3, 3) and (9, 9) of its entries; without the second only the size of a pixel counts.
    at_px
        (2,) where the target is seen.
    size_px
        Width and height of the picture.
    """
    longest = float(max(size_px))
    middle = np.array([0.5 * (size_px[0] - 1), 0.5 * (size_px[1] - 1)])
    focal = longest * np.exp(_LOG_FOCAL)
    normal_distance, apart, apart_std = _seen(px_to_mm, covariance, middle, focal, longest)
    if covariance is not None:
        aside = max(float(np.hypot(*(at_px - middle))), 0.1 * longest)
        apart_std = np.hypot(apart_std, _of_a_bend(px_to_mm, middle, focal, aside, float(middle @ middle)))
    weight = -0.5 * ((_LOG_FOCAL - math.log(USUAL_FOCAL_PER_LONG_SIDE)) / FOCAL_LOG_STD) ** 2
    weight = weight - 0.5 * (np.log(normal_distance / UNKNOWN_DISTANCE_MM) / DISTANCE_LOG_STD) ** 2
    assumed = np.exp(weight - weight.max())
    if covariance is not None:
        weight = weight - 0.5 * (apart / apart_std) ** 2 - np.log(apart_std)
    chance = np.exp(weight - weight.max())
    chance, assumed = chance / chance.sum(), assumed / assumed.sum()
    spread, before = (_log_std(share, normal_distance) for share in (chance, assumed))
    distance = math.exp(float(chance @ np.log(normal_distance)))
    inverse = math.sqrt(float(chance @ normal_distance**-2.0))
    return SeenDistance(distance, inverse, "seen in the picture" if spread < 0.5 * before else "assumed")


def lens_distance(lens: Lens, px_to_mm: NDArray[np.float64]) -> float:
    """Return the distance of a plane from a calibrated lens, along its normal, mm."""
    pose = np.linalg.inv(lens.camera_matrix) @ np.linalg.inv(px_to_mm)
    size = 0.5 * (np.linalg.norm(pose[:, 0]) + np.linalg.norm(pose[:, 1]))
    pose = pose / size
    normal = np.cross(pose[:, 0], pose[:, 1])
    return float(abs(normal @ pose[:, 2]) / np.linalg.norm(normal))


def _log_std(chance: NDArray[np.float64], distance: NDArray[np.float64]) -> float:
    logs = np.log(distance)
    mean = float(chance @ logs)
    return math.sqrt(max(0.0, float(chance @ (logs - mean) ** 2)))


def _seen(
    px_to_mm: NDArray[np.float64],
    covariance: NDArray[np.float64] | None,
    middle: Points,
    focal: NDArray[np.float64],
    longest: float,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return for each focal length the distance along the normal, how far squares would be none, and its std."""
    step = 1e-5

    def parts(homography: NDArray[np.float64], foot: Points) -> tuple[NDArray[np.float64], float, float]:
        view = np.linalg.inv(homography)
        view = np.array([[1.0, 0.0, -foot[0]], [0.0, 1.0, -foot[1]], [0.0, 0.0, 1.0]]) @ view
        # Turned so that the first axis of the plane runs along its horizon: only the second one converges.
        turn = math.atan2(view[2, 0], view[2, 1])
        c, s = math.cos(turn), math.sin(turn)
        view = view @ np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]])
        closes = float(view[:2, 0] @ view[:2, 0] - view[:2, 1] @ view[:2, 1])
        return view, closes, float(view[2, 1] ** 2)

    view, closes, converges = parts(px_to_mm, middle)
    # A plane's turn in space makes (closes up) = focal² (converges) in units of the axis along the horizon.
    apart = (closes - focal**2 * converges) / (closes + float(view[:2, 1] @ view[:2, 1]))
    first = np.sqrt(float(view[:2, 0] @ view[:2, 0]) / focal**2)
    second = np.sqrt(float(view[:2, 1] @ view[:2, 1]) / focal**2 + converges)
    cross = _normal_offset(view, focal)
    distance = cross / (0.5 * (first + second)) ** 3
    if covariance is None:
        return distance, apart, np.ones_like(focal)
    size = closes + float(view[:2, 1] @ view[:2, 1])
    scale = np.maximum(np.sqrt(covariance.diagonal()), 1e-15)
    gradients = []
    for entry in range(9):
        change = np.zeros(9)
        change[entry] = scale[entry] * step
        up, down = (parts(px_to_mm + sign * change.reshape(3, 3), middle) for sign in (1.0, -1.0))
        gradients.append(((up[1] - down[1]) - focal**2 * (up[2] - down[2])) / (2 * scale[entry] * step * size))
    gradient = np.array(gradients)
    variance = np.einsum("ef,eg,gf->f", gradient, covariance, gradient)
    for axis in np.eye(2):
        moved = [parts(px_to_mm, middle + sign * axis) for sign in (1.0, -1.0)]
        slope = ((moved[0][1] - moved[1][1]) - focal**2 * (moved[0][2] - moved[1][2])) / (2 * size)
        variance = variance + (slope * PRINCIPAL_POINT_STD * longest) ** 2
    return distance, apart, np.sqrt(np.maximum(variance, 1e-16))


def _normal_offset(view: NDArray[np.float64], focal: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return |det| of the pose's columns for each focal length: the distance along the normal, before it is scaled."""
    return np.asarray(abs(float(np.linalg.det(view))) / focal**2)


def _of_a_bend(
    px_to_mm: NDArray[np.float64], middle: Points, focal: NDArray[np.float64], aside_px: float, corner2: float
) -> NDArray[np.float64]:
    """Return how far a bent lens feigns converging squares: beside the middle its scale changes by 6 k r."""
    depth = np.linalg.inv(px_to_mm)[2]
    view = np.linalg.inv(px_to_mm)
    per_mm = math.sqrt(
        abs(float(np.linalg.det(view[:2, :2] / view[2, 2] - np.outer(view[:2, 2], view[2, :2]) / view[2, 2] ** 2)))
    )
    rate = float(np.hypot(*(depth[:2] / depth[2]))) / per_mm
    feigned = 3.0 * CORNER_DISTORTION * aside_px / corner2
    return np.asarray(focal**2 * (2.0 * rate * feigned + feigned**2))
