"""A calibration: points in a picture to points in mm in the section's plane, with what is unknown."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from core.errors import CalibrationRefused
from core.geometry import Points

_WAYS = np.array([[1.0, 0.0], [0.0, 1.0], [0.7071, 0.7071], [0.7071, -0.7071]])
_ENDS = np.concatenate([_WAYS, -_WAYS])


@dataclass(frozen=True, slots=True, eq=False)
class Lens:
    """Camera matrix (3, 3) and distortion coefficients (k1, k2, p1, p2, k3) of a calibrated camera.

    ``corner_std`` is what its views leave open of the radial displacement at the corner, relative to its radius.
    """

    camera_matrix: NDArray[np.float64]
    distortion: NDArray[np.float64]
    width_px: int
    height_px: int
    corner_std: float = 0.0

    def undistort(self, points_px: Points) -> Points:
        """Return where each point would lie without lens distortion, in pixels, (N, 2)."""
        import cv2

        flat = np.ascontiguousarray(points_px, float).reshape(-1, 1, 2)
        ideal = cv2.undistortPoints(flat, self.camera_matrix, self.distortion, P=self.camera_matrix)
        return np.asarray(ideal, float).reshape(-1, 2)

    def distort(self, points_px: Points) -> Points:
        """Return where each undistorted point appears in the picture, (N, 2)."""
        import cv2

        homogeneous = np.column_stack([points_px, np.ones(len(points_px))])
        rays = homogeneous @ np.linalg.inv(self.camera_matrix).T
        seen, _ = cv2.projectPoints(rays, np.zeros(3), np.zeros(3), self.camera_matrix, self.distortion)
        return np.asarray(seen, float).reshape(-1, 2)


@dataclass(frozen=True, slots=True, eq=False)
class Calibration:
    """Maps picture points (x right, y down) to the section's plane (mm, x right, y up).

    Attributes
    ----------
    kind
        "scale", "points", "ruler", "board", "resolution" or "laser".
    px_to_mm
        (3, 3) homography applied after the lens; it holds the flip of the vertical axis, so that
        nothing else in the program turns an axis over.
    relative_std
        Source ("scale", "tilt", "lens", "plane offset") to relative standard uncertainty of a length
        at ``centre_px``.
    lens_growth_per_px2
        Growth of the relative lens part with the squared distance from ``centre_px``.
    px_to_mm_covariance
        (9, 9) covariance of the entries of ``px_to_mm`` (row by row), or None. It holds what grows
        with the distance from the target: noise of its corners, a tilt that it does not show. The
        "tilt" part is computed from it where the length lies; its value in ``relative_std`` is the
        one at ``centre_px``.
    size_px
        Width and height of the picture that it was taken from, None where it serves pictures of any size.
    """

    kind: str
    px_to_mm: NDArray[np.float64]
    relative_std: Mapping[str, float]
    centre_px: tuple[float, float] = (0.0, 0.0)
    lens_growth_per_px2: float = 0.0
    lens: Lens | None = None
    sha256: str | None = None
    flags: tuple[tuple[str, str], ...] = ()
    provenance: Mapping[str, object] = field(default_factory=dict)
    px_to_mm_covariance: NDArray[np.float64] | None = None
    size_px: tuple[int, int] | None = None

    def check_size(self, width_px: int, height_px: int) -> None:
        """Refuse a picture of another size than that of the target: made smaller or cropped, it has another scale.

        Raises
        ------
        CalibrationRefused
        """
        if self.size_px is not None and self.size_px != (width_px, height_px):
            raise CalibrationRefused(
                f"the calibration is of a picture of {self.size_px[0]} x {self.size_px[1]} px and this one has "
                f"{width_px} x {height_px}: made smaller, turned or cropped, a picture has another scale; take both "
                "with one camera setting, and measure a part with --region"
            )

    def to_mm(self, points_px: Points) -> Points:
        """Map (N, 2) picture points to mm."""
        points = np.atleast_2d(np.asarray(points_px, float))
        if self.lens is not None:
            points = self.lens.undistort(points)
        return _project(self.px_to_mm, points)

    def to_px(self, points_mm: Points) -> Points:
        """Map (N, 2) points in mm back into the picture."""
        points = _project(_adjugate(self.px_to_mm), np.atleast_2d(np.asarray(points_mm, float)))
        return points if self.lens is None else self.lens.distort(points)

    def mm_per_px(self, at_px: Points) -> float:
        """Return the size of one pixel at a point of the picture (geometric mean of both directions)."""
        x, y = float(at_px[0]), float(at_px[1])
        left, right, top, bottom = self.to_mm(
            np.array([[x - 0.5, y], [x + 0.5, y], [x, y - 0.5], [x, y + 0.5]])
        ).tolist()
        across, down = (right[0] - left[0], right[1] - left[1]), (bottom[0] - top[0], bottom[1] - top[1])
        return math.sqrt(abs(across[0] * down[1] - across[1] * down[0]))

    def relative_components(self, points_px: Points) -> dict[str, float]:
        """Return the relative standard uncertainty of a length near these points, by source."""
        parts = dict(self.relative_std)
        points = np.atleast_2d(np.asarray(points_px, float))
        if self.px_to_mm_covariance is not None:
            parts["tilt"] = self._tilt_std(points, self.px_to_mm_covariance)
        if self.lens_growth_per_px2 > 0:
            distance2 = np.sum((points - np.array(self.centre_px)) ** 2, axis=1)
            parts["lens"] = float(np.hypot(parts.get("lens", 0.0), self.lens_growth_per_px2 * distance2.mean()))
        return parts

    def covariance(self, points_px: Points) -> NDArray[np.float64]:
        """Return the (N, 2, 2) covariance in mm² that the calibration gives each point.

        Taken against ``centre_px``: a relative uncertainty of scale moves a point in proportion to
        its distance from there.
        """
        points = np.atleast_2d(np.asarray(points_px, float))
        centre = self.to_mm(np.array([self.centre_px]))
        arm = self.to_mm(points) - centre
        tilt_apart = self.px_to_mm_covariance is not None
        relative2 = sum(v**2 for source, v in self.relative_std.items() if not (tilt_apart and source == "tilt"))
        distance2 = np.sum((points - np.array(self.centre_px)) ** 2, axis=1)
        total2 = relative2 + (self.lens_growth_per_px2 * distance2) ** 2
        covariance = total2[:, None, None] * np.einsum("ni,nj->nij", arm, arm)
        if self.px_to_mm_covariance is not None:
            at_points = _position_gradient(self.px_to_mm, self._ideal(points))
            at_centre = _position_gradient(self.px_to_mm, self._ideal(np.array([self.centre_px])))
            step = at_points - at_centre
            covariance = covariance + step @ self.px_to_mm_covariance @ step.transpose(0, 2, 1)
        return np.asarray(covariance)

    def _ideal(self, points_px: Points) -> Points:
        return points_px if self.lens is None else self.lens.undistort(points_px)

    def _tilt_std(self, points: Points, covariance: NDArray[np.float64]) -> float:
        """Return the relative standard uncertainty of the worst length among these points.

        The part that is the same everywhere belongs to "scale" and is left out here.
        """
        ideal = self._ideal(np.vstack([self.centre_px, points]))
        reach = max(1.0, 0.5 * max(float(np.ptp(points[:, 0])), float(np.ptp(points[:, 1]))))
        places = np.array([ideal[0], ideal[1:].mean(axis=0)])
        at_centre, here = length_gradients(self.px_to_mm, places, reach)
        common = at_centre.mean(axis=0)
        variance = float(((here @ covariance) * here).sum(axis=1).max())
        return math.sqrt(max(0.0, variance - float(common @ covariance @ common)))


def from_pixel_size(mm_per_px: float, *, relative_std: float = 0.0, kind: str = "scale") -> Calibration:
    """Return the calibration of a picture whose pixel size is known."""
    return Calibration(kind, np.diag([mm_per_px, -mm_per_px, 1.0]), {"scale": relative_std})


def _adjugate(matrix: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the inverse of a (3, 3) homography up to its scale, which maps points alike, several times faster."""
    (a, b, c), (d, e, f), (g, h, i) = matrix.tolist()
    return np.array(
        [
            [e * i - f * h, c * h - b * i, b * f - c * e],
            [f * g - d * i, a * i - c * g, c * d - a * f],
            [d * h - e * g, b * g - a * h, a * e - b * d],
        ]
    )


def _project(homography: NDArray[np.float64], points: Points) -> Points:
    across, up, depth = homography[:, :2] @ points.T + homography[:, 2:]
    mapped = np.empty((len(points), 2))
    np.divide(across, depth, out=mapped[:, 0])
    np.divide(up, depth, out=mapped[:, 1])
    return mapped


def _position_gradient(homography: NDArray[np.float64], points: Points) -> NDArray[np.float64]:
    """Return the derivative of each mapped point by the nine entries of the homography, (N, 2, 9)."""
    mapped = _project(homography, points)
    weight = np.empty((len(points), 3))
    weight[:, :2], weight[:, 2] = points, 1.0
    weight /= (weight @ homography[2])[:, None]
    gradient = np.zeros((len(points), 2, 9))
    gradient[:, 0, 0:3] = weight
    gradient[:, 1, 3:6] = weight
    gradient[:, :, 6:9] = -mapped[:, :, None] * weight[:, None, :]
    return gradient


def length_gradients(homography: NDArray[np.float64], at: Points, reach_px: float) -> NDArray[np.float64]:
    """Return the derivative of the logarithm of four lengths through a point by the entries, (4, 9).

    The lengths lie along the axes and the diagonals and reach ``reach_px`` to both sides. Of points, (N, 2), it is
    (N, 4, 9).
    """
    ends = np.ones((*at.shape[:-1], 8, 3))
    ends[..., :2] = at[..., None, :] + reach_px * _ENDS
    mapped = ends @ homography.T
    weight = ends / mapped[..., 2:]
    places = mapped[..., :2] / mapped[..., 2:]
    first, second = places[..., :4, :], places[..., 4:, :]
    vector, apart = first - second, weight[..., :4, :] - weight[..., 4:, :]
    # A place moves by its weights times the change of the first two rows, and by -place times weights with the third.
    change = np.empty((*vector.shape[:-1], 9))
    change[..., :3] = vector[..., :1] * apart
    change[..., 3:6] = vector[..., 1:] * apart
    with_first, with_second = _dot(vector, first), _dot(vector, second)
    change[..., 6:] = with_second * weight[..., 4:, :] - with_first * weight[..., :4, :]
    change /= _dot(vector, vector)
    return change


def _dot(one: NDArray[np.float64], two: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the products of vectors of the plane, (..., 2) each, (..., 1)."""
    return np.asarray(one[..., :1] * two[..., :1] + one[..., 1:] * two[..., 1:])
