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
from calibration.unseen import (
    CORNER_DISTORTION,
    CORRECTED_DISTORTION,
    FOCAL_LOG_STD,
    KNOWN_FOCAL_LOG_STD,
    SHOWN_TILT_STD_RAD,
    USUAL_FOCAL_PER_LONG_SIDE,
)
from core.geometry import Points

UNKNOWN_DISTANCE_MM, DISTANCE_LOG_STD = 300.0, 0.6
"""Assumption, no source: usual distance of a phone or a copy-stand camera from a coupon, a third of them beyond half or
twice of it."""

PRINCIPAL_POINT_STD = 0.01
"""Assumption, no source: how far the optical axis meets a picture beside its middle, over its longer side."""

FILM_DIAGONAL_MM, NAMED_FOCAL_STD = math.hypot(36.0, 24.0), 0.15
"""The size that focal lengths in files refer to (CIPA DCG-001), and an assumption, no source, of how well they are the
distance of the picture behind the lens: near the lens it is longer, and in a picture that was cropped; both put the
camera too near, which claims too little and not too much."""

LEAST_LOG_FOCAL, LARGEST_LOG_FOCAL = math.log(0.3), math.log(12.0)
"""Focal lengths that there are, over the longer side of the picture: from a wide phone to a long macro lens."""

_LOG_FOCAL = np.linspace(LEAST_LOG_FOCAL, LARGEST_LOG_FOCAL, 240)


@dataclass(frozen=True, slots=True)
class SeenDistance:
    """What a plane's view says of where the camera is.

    Attributes
    ----------
    distance_mm
        From the lens to the plane, along its normal.
    inverse_rms
        Stands for all that its inverse may be, 1/mm.
    source
        Whether the picture shows it or it is assumed.
    stretch, stretch_std
        How much longer one way than the other, relative, the squares are that no tilt makes square, and its standard
        deviation; 0 where the view was not that of a board.
    """

    distance_mm: float
    inverse_rms: float
    source: str
    stretch: float = 0.0
    stretch_std: float = 0.0


@dataclass(frozen=True, slots=True)
class LikelyFocal:
    """Focal lengths that a camera may have: the median, px, and the standard deviation of their logarithm.

    A perspective of so much is a tilt in proportion to the focal length, and lengths are wrong by half of the tilt
    squared; how much perspective a tilt makes goes with the inverse. Both are root mean squares of a log-normal.
    """

    median_px: float
    log_std: float

    def seen_askew(self, perspective_per_px: float, noise_per_px: float) -> LikelyFocal:
        """Return which are likely still where a plane is seen to recede by so much a px, known so well.

        A short lens makes much perspective of a small tilt, and large tilts are rare: a lot of it speaks for a short
        lens, little for a long one, unless the plane may be seen squarely.
        """
        logs = math.log(self.median_px) + self.log_std * np.linspace(-4.0, 4.0, 161)
        spread2 = (SHOWN_TILT_STD_RAD * np.exp(-logs)) ** 2 + noise_per_px**2
        weight = -0.5 * np.linspace(-4.0, 4.0, 161) ** 2 - np.log(spread2) - 0.5 * perspective_per_px**2 / spread2
        chance = np.exp(weight - weight.max())
        chance /= chance.sum()
        return LikelyFocal(math.exp(float(chance @ logs)), _log_std(chance, np.exp(logs)))

    @property
    def making_tilt_px(self) -> float:
        """Return the focal length that makes a tilt of a perspective."""
        return self.median_px * math.exp(self.log_std**2)

    @property
    def making_tilt_std(self) -> float:
        """Return its relative standard deviation: half of that of its square."""
        return 0.5 * math.sqrt(math.expm1(4.0 * self.log_std**2))

    @property
    def making_perspective_px(self) -> float:
        """Return the focal length that makes a perspective of a tilt."""
        return self.median_px * math.exp(-(self.log_std**2))


def distance_of(
    px_to_mm: NDArray[np.float64],
    covariance: NDArray[np.float64] | None,
    at_px: Points,
    size_px: tuple[int, int],
    lens: Lens | None = None,
    focal_35_mm: float | None = None,
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
    focal_35_mm
        What its file names, as of a picture 43.3 mm across its corners.
    """
    longest = float(max(size_px))
    corner2 = 0.25 * float(size_px[0] ** 2 + size_px[1] ** 2)
    if lens is None:
        middle = np.array([0.5 * (size_px[0] - 1), 0.5 * (size_px[1] - 1)])
        log_focal, middle_std, bend = _LOG_FOCAL, PRINCIPAL_POINT_STD * longest, CORNER_DISTORTION
        likely, likely_std = _likely_log_focal(size_px, focal_35_mm)
        prior = -0.5 * ((log_focal - likely) / likely_std) ** 2
    else:
        middle = lens.camera_matrix[:2, 2]
        known = math.log(0.5 * float(lens.camera_matrix[0, 0] + lens.camera_matrix[1, 1]) / longest)
        log_focal, middle_std = known + np.linspace(-4.0, 4.0, 17) * KNOWN_FOCAL_LOG_STD, 0.001 * longest
        prior, bend = (
            -0.5 * ((log_focal - known) / KNOWN_FOCAL_LOG_STD) ** 2,
            math.hypot(CORRECTED_DISTORTION, lens.corner_std),
        )
    focal = longest * np.exp(log_focal)
    view = _View(px_to_mm, middle)
    distance = view.normal_distance(focal)
    if lens is None:
        prior = prior - 0.5 * (np.log(distance / UNKNOWN_DISTANCE_MM) / DISTANCE_LOG_STD) ** 2
    weight, apart, spread = prior, np.zeros((2, len(focal))), np.zeros((len(focal), 2, 2))
    if covariance is not None:
        aside = float(np.hypot(*(at_px - middle)))
        apart = view.apart(focal)
        spread = _apart_covariance(px_to_mm, covariance, middle, middle_std, focal)
        spread[:, 0, 0] += view.feigned(focal, bend, max(aside, 0.1 * longest), corner2) ** 2
        spread[:, [0, 1], [0, 1]] += (4.0 * bend * aside**2 / corner2) ** 2 + 1e-12
        fits = np.einsum("if,fij,jf->f", apart, np.linalg.inv(spread), apart)
        weight = prior - 0.5 * fits - 0.5 * np.log(np.linalg.det(spread))
    chance, assumed = (np.exp(w - w.max()) for w in (weight, prior))
    chance, assumed = chance / chance.sum(), assumed / assumed.sum()
    shown = _log_std(chance, distance) < 0.5 * _log_std(assumed, distance)
    best = int(np.argmax(chance))
    off = apart[:, best]
    size = float(np.hypot(*off))
    way = off / size if size > 0 else np.array([1.0, 0.0])
    without = "assumed" if focal_35_mm is None else "from the focal length in the file"
    return SeenDistance(
        math.exp(float(chance @ np.log(distance))),
        math.sqrt(float(chance @ distance**-2.0)),
        "seen in the picture" if shown else without,
        0.5 * size,
        0.5 * math.sqrt(max(0.0, float(way @ spread[best] @ way))),
    )


def likely_focal(mm_per_px: float, size_px: tuple[int, int], focal_35_mm: float | None = None) -> LikelyFocal:
    """Return which focal lengths a camera may have that shows a target so large.

    Parameters
    ----------
    mm_per_px
        At the target: with the usual distances of a camera it says which focal lengths are likely, too.
    size_px
        Width and height of the picture.
    focal_35_mm
        What its file names, as of a picture 43.3 mm across its corners.
    """
    likely, likely_std = _likely_log_focal(size_px, focal_35_mm)
    of_distance = math.log(UNKNOWN_DISTANCE_MM / mm_per_px / max(size_px))
    weight, other = likely_std**-2.0, DISTANCE_LOG_STD**-2.0
    log_focal = (weight * likely + other * of_distance) / (weight + other)
    log_focal = min(max(log_focal, LEAST_LOG_FOCAL), LARGEST_LOG_FOCAL)
    return LikelyFocal(max(size_px) * math.exp(log_focal), (weight + other) ** -0.5)


def _likely_log_focal(size_px: tuple[int, int], focal_35_mm: float | None) -> tuple[float, float]:
    """Return the logarithm of the focal length over the picture's longer side and its standard deviation."""
    if focal_35_mm is None:
        return math.log(USUAL_FOCAL_PER_LONG_SIDE), FOCAL_LOG_STD
    return math.log(math.hypot(*size_px) * focal_35_mm / FILM_DIAGONAL_MM / max(size_px)), NAMED_FOCAL_STD


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


class _View:
    """A plane's view about the foot of the optical axis, the plane's first axis turned along its horizon, or so far."""

    def __init__(self, px_to_mm: NDArray[np.float64], middle: Points, turn: float | None = None) -> None:
        view = np.linalg.inv(px_to_mm)
        view = np.array([[1.0, 0.0, -middle[0]], [0.0, 1.0, -middle[1]], [0.0, 0.0, 1.0]]) @ (view / view[2, 2])
        self.turn = math.atan2(view[2, 0], view[2, 1]) if turn is None else turn
        c, s = math.cos(self.turn), math.sin(self.turn)
        self.view = view @ np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]])
        self.along2, self.across2 = (float(self.view[:2, i] @ self.view[:2, i]) for i in (0, 1))
        self.skew = float(self.view[:2, 0] @ self.view[:2, 1])
        self.converges = float(self.view[2, 1] ** 2)

    def normal_distance(self, focal: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the distance along the plane's normal, mm."""
        first = np.sqrt(self.along2) / focal
        second = np.sqrt(self.across2 / focal**2 + self.converges)
        return np.asarray(abs(float(np.linalg.det(self.view))) / focal**2 / (0.5 * (first + second)) ** 3)

    def apart(self, focal: NDArray[np.float64], along2: float | None = None) -> NDArray[np.float64]:
        """Return how far squares are from square, (2, F): their sides, and their corners; both vanish at the true one.

        In space the sides are alike when what they close up by is focal² times what they converge by. They are told
        in shares of the first side squared, the view's own where none is given.
        """
        aside, ahead = self.view[2, :2].tolist()
        sides = self.along2 - self.across2 - focal**2 * (ahead**2 - aside**2)
        corners = 2.0 * (self.skew + focal**2 * aside * ahead)
        return np.array([sides, corners]) / (self.along2 if along2 is None else along2)

    def feigned(self, focal: NDArray[np.float64], bend: float, aside_px: float, corner2: float) -> NDArray[np.float64]:
        """Return what an unknown lens adds: beside the middle its scale changes by 6 k r, as if squares converged."""
        rate = math.sqrt(self.converges / self.along2)
        of_bend = 3.0 * bend * aside_px / corner2
        return np.asarray(focal**2 * (2.0 * rate * of_bend + of_bend**2))


def _apart_covariance(
    px_to_mm: NDArray[np.float64],
    covariance: NDArray[np.float64],
    middle: Points,
    middle_std: float,
    focal: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Return the (F, 2, 2) covariance of `_View.apart` by the entries and by where the axis meets the picture.

    The horizon's direction stays that of the view itself: seen square it means nothing and would turn with noise.
    """
    still = _View(px_to_mm, middle)
    scale = np.maximum(np.sqrt(covariance.diagonal()), 1e-15)

    def apart(homography: NDArray[np.float64], foot: Points) -> NDArray[np.float64]:
        return _View(homography, foot, still.turn).apart(focal, still.along2)

    gradient = np.zeros((9, 2, len(focal)))
    for entry in range(9):
        change = np.zeros(9)
        change[entry] = 1e-4 * scale[entry]
        up, down = (apart(px_to_mm + sign * change.reshape(3, 3), middle) for sign in (1.0, -1.0))
        gradient[entry] = (up - down) / (2e-4 * scale[entry])
    result = np.einsum("eif,eg,gjf->fij", gradient, covariance, gradient)
    for axis in np.eye(2):
        slope = 0.5 * (apart(px_to_mm, middle + axis) - apart(px_to_mm, middle - axis)) * middle_std
        result += np.einsum("if,jf->fij", slope, slope)
    return np.asarray(result)
