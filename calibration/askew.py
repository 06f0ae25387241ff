"""The plane of a rule that a camera sees askew, from how its ticks close up along it and how they converge.

Both give the line to which the plane's parallels run together. With the focal length, which a single picture
does not hold and which is assumed, that line is the tilt of the plane (R. Hartley and A. Zisserman, "Multiple View
Geometry", 2nd ed., 8.6).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.distance import LikelyFocal
from calibration.graduation import Graduation
from calibration.model import Lens
from calibration.ticks import positions
from calibration.unseen import CORNER_DISTORTION, LEAST_TILT_STD_RAD, SHOWN_TILT_STD_RAD, TILT_STD_RAD
from core.geometry import Points

LEAST_FAN_STD_RAD = math.radians(0.2)
"""Assumption, no source: how well ticks a picture's longer side apart keep one direction."""


def rule_homography(
    centre_px: Points,
    along_px: Points,
    tick_px: Points,
    camera_matrix: NDArray[np.float64],
    mm_per_px: float,
    along_per_px: float,
    across_per_px: float,
    log_stretch: float = 0.0,
) -> NDArray[np.float64]:
    """Return picture to mm (x along the picture's, y up, origin at the centre) from a rule seen askew.

    Parameters
    ----------
    along_px, tick_px
        (2,) unit vectors in the picture, along the rule and along its ticks.
    mm_per_px
        Along the rule, at the centre.
    along_per_px, across_per_px
        The depth grows as 1 + along · s + across · t, with s px along the rule and t px along the ticks.
    log_stretch
        Lengths square to the rule are longer by its exponential: what the tilt's noise does in the second order.
    """
    to_rule = np.eye(3)
    to_rule[:2, :2] = np.linalg.inv(np.column_stack([along_px, tick_px]))
    to_rule[:2, 2] = -to_rule[:2, :2] @ centre_px
    horizon = np.array([along_per_px, across_per_px, 1.0]) @ to_rule
    normal = camera_matrix.T @ horizon
    normal = normal / np.linalg.norm(normal)
    first = np.cross([0.0, 1.0, 0.0], normal)
    first = first / np.linalg.norm(first)
    view = np.array([first, np.cross(normal, first), normal]) @ np.linalg.inv(camera_matrix)
    centre = view @ np.append(centre_px, 1.0)
    ahead = view @ np.append(along_px, 0.0)
    step = (ahead[:2] * centre[2] - centre[:2] * ahead[2]) / centre[2] ** 2
    turn = np.array([[step[0], step[1]], [-step[1], step[0]]]) / np.hypot(*step)
    metric = np.eye(3)
    metric[:2, :2] = np.diag([mm_per_px, mm_per_px * math.exp(log_stretch)]) @ turn / float(np.hypot(*step))
    metric[:2, 2] = -metric[:2, :2] @ (centre[:2] / centre[2])
    back = np.eye(3)
    back[:2, :2] = np.array([[along_px[0], -along_px[1]], [-along_px[1], -along_px[0]]])
    result = back @ metric @ view
    return np.asarray(result / (result[2] @ np.append(centre_px, 1.0)))


@dataclass(frozen=True, slots=True, eq=False)
class SeenTilt:
    """The camera (3, 3) that makes a tilt of the perspective seen, the relative doubt of its focal length, and what the
    lens leaves open of the tilt's two parts, along the rule and across it, rad."""

    camera_matrix: NDArray[np.float64]
    focal_std: float
    feigned_rad: NDArray[np.float64]


def seen_tilt(
    likely: LikelyFocal,
    perspective_px: NDArray[np.float64],
    noise_px: NDArray[np.float64],
    centre_px: Points,
    along_px: Points,
    size_px: tuple[int, int],
) -> SeenTilt:
    """Return what the perspective of a rule, along it and across it a px, says of the tilt when nobody knows the lens.

    Notes
    -----
    A lens that displaces by k r (r/R)² at a distance r from the middle, R that of a corner, changes the scale along a
    rule that lies along the radius by 6 k r/R² a px, as if it receded by half of that, and that across a radius by
    2 k r/R². So much less of the tilt is believed, before a long lens most of all.
    """
    width, height = size_px
    corner2 = 0.25 * float(width**2 + height**2)
    reach = centre_px - 0.5 * (np.array(size_px) - 1.0)
    square = np.array([-along_px[1], along_px[0]])
    feigned = CORNER_DISTORTION / corner2 * np.abs([3.0 * float(reach @ along_px), 2.0 * float(reach @ square)])
    recedes = float(np.hypot(*perspective_px))
    share = perspective_px / recedes if recedes > 0 else np.full(2, math.sqrt(0.5))
    of_lens = float(np.hypot(*(share * feigned)))
    likely = likely.seen_askew(recedes, math.hypot(float(np.hypot(*noise_px)) / math.sqrt(2.0), of_lens))
    believed = 1.0 / (1.0 + (of_lens * likely.making_perspective_px / math.tan(SHOWN_TILT_STD_RAD)) ** 2)
    focal_px = likely.making_tilt_px * believed
    left = min(math.sqrt(believed) * of_lens, TILT_STD_RAD / likely.making_perspective_px)
    focal_std = math.hypot(likely.making_tilt_std, left / (believed * max(recedes, 1e-3 / max(size_px))))
    middle = (0.5 * (width - 1), 0.5 * (height - 1))
    camera = np.array([[focal_px, 0.0, middle[0]], [0.0, focal_px, middle[1]], [0.0, 0.0, 1.0]])
    return SeenTilt(camera, focal_std, np.sqrt(believed) * feigned * likely.making_tilt_px)


def perspective_across(
    graduation: Graduation,
    points_px: Points,
    centre_px: Points,
    along_px: Points,
    along_per_px: float,
    focal_px: float,
    longest_px: float,
    lens: Lens | None,
) -> tuple[Points, float, float]:
    """Return the direction of the ticks in the ideal picture, the perspective across the rule per px, and its std.

    The ticks' converging has a prior of zero mean; where they are too short to show it, a camera set by eye is assumed.
    """
    lean = graduation.fan.slope_at(positions(graduation))
    half = graduation.half_length_px * (graduation.tick + lean[:, None] * graduation.along)
    upper, lower = points_px + half, points_px - half
    if lens is not None:
        upper, lower = lens.undistort(upper), lens.undistort(lower)
    square = np.array([-along_px[1], along_px[0]])
    step = upper - lower
    step = np.asarray(step * np.sign(step @ square)[:, None])
    tick = step.mean(axis=0) / np.hypot(*step.mean(axis=0))
    aside, ahead = np.linalg.inv(np.column_stack([along_px, tick])) @ step.T
    s = (0.5 * (upper + lower) - centre_px) @ along_px
    rate = float(np.polyfit(s, aside / ahead, 1)[0])
    along = abs(along_per_px)
    prior = max(math.tan(SHOWN_TILT_STD_RAD) / focal_px, along)
    noise = math.hypot(graduation.fan.rate_std, LEAST_FAN_STD_RAD / longest_px)
    believed = 1.0 / (1.0 + (noise / prior) ** 2)
    most = math.hypot(max(along, LEAST_TILT_STD_RAD / focal_px), TILT_STD_RAD / focal_px)
    return np.asarray(tick), rate * believed, min(math.sqrt(1.0 - believed) * prior, most)
