"""The view of a plane from points of a board, with what the points are off and what that leaves open."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.departure import Departure, departure
from calibration.lens_doubt import LEAST_CORNER_STD_PX
from calibration.unseen import propagate
from core.errors import CalibrationRefused
from core.geometry import Points

LEAST_POINTS = 8


@dataclass(frozen=True, slots=True, eq=False)
class FittedPlane:
    """The view of a plane.

    Attributes
    ----------
    px_to_mm
        (3, 3), frame of the picture at the points' middle, x right, y up, origin there.
    covariance
        (9, 9) of its entries, from what the points are off.
    residual_px
        (N, 2).
    departure
        Of the points, as noise and smoothly.
    """

    px_to_mm: NDArray[np.float64]
    covariance: NDArray[np.float64]
    residual_px: Points
    departure: Departure


def fit_plane(ideal_px: Points, board_mm: Points) -> FittedPlane:
    """Fit the view of a plane to points of a board.

    Notes
    -----
    Normalised direct linear transform, then Gauss-Newton on the distances in the picture (R. Hartley and
    A. Zisserman, "Multiple View Geometry", 2nd ed., 4.4 and 4.5).
    """
    if len(ideal_px) < LEAST_POINTS:
        raise CalibrationRefused(
            f"only {len(ideal_px)} corners of the board are seen, {LEAST_POINTS} are needed: show more of it, sharper"
        )
    spread = np.linalg.svd(board_mm - board_mm.mean(axis=0), compute_uv=False)
    if spread[1] < 0.05 * spread[0]:
        raise CalibrationRefused("the corners seen of the board lie on one line: show a second row of squares")
    px_shift, px_size = ideal_px.mean(axis=0), float(ideal_px.std())
    mm_shift, mm_size = board_mm.mean(axis=0), float(board_mm.std())
    seen, known = (ideal_px - px_shift) / px_size, (board_mm - mm_shift) / mm_size
    view = _polished(_direct(known, seen), known, seen)
    residual = (seen - _mapped(view, known)) * px_size
    jacobian = _jacobian(view, known)
    off = departure(residual, known, jacobian)
    off = replace(off, noise_px=max(LEAST_CORNER_STD_PX, off.noise_px))
    entries = np.linalg.inv(jacobian.T @ jacobian) * (off.variance_factor(len(seen)) / px_size**2)
    view_parameters = (view / view[2, 2]).ravel()[:8]
    from_px = np.array([[1 / px_size, 0, -px_shift[0] / px_size], [0, 1 / px_size, -px_shift[1] / px_size], [0, 0, 1]])
    upright = np.diag([mm_size, mm_size, 1.0]) @ _upright(np.asarray(np.linalg.inv(view), float))

    def build(parameters: NDArray[np.float64]) -> NDArray[np.float64]:
        back = np.linalg.inv(np.append(parameters, 1.0).reshape(3, 3))
        return np.asarray(upright @ (back / back[2, 2]) @ from_px)

    covariance = propagate(build, view_parameters, np.asarray(entries, float), np.full(8, 1e-6))
    px_to_mm = build(view_parameters)
    return FittedPlane(px_to_mm, covariance, residual, off)


def _direct(source: Points, target: Points) -> NDArray[np.float64]:
    x, y = source.T
    u, v = target.T
    zero, one = np.zeros_like(x), np.ones_like(x)
    rows_u = np.column_stack([x, y, one, zero, zero, zero, -u * x, -u * y, -u])
    rows_v = np.column_stack([zero, zero, zero, x, y, one, -v * x, -v * y, -v])
    _, _, basis = np.linalg.svd(np.concatenate([rows_u, rows_v]))
    view = basis[-1].reshape(3, 3)
    return np.asarray(view / view[2, 2])


def _mapped(view: NDArray[np.float64], points: Points) -> Points:
    mapped = np.column_stack([points, np.ones(len(points))]) @ view.T
    return np.asarray(mapped[:, :2] / mapped[:, 2:3])


def _jacobian(view: NDArray[np.float64], points: Points) -> NDArray[np.float64]:
    homogeneous = np.column_stack([points, np.ones(len(points))])
    weight = homogeneous / (homogeneous @ view[2])[:, None]
    mapped = _mapped(view, points)
    zero = np.zeros_like(weight)
    rows_u = np.column_stack([weight, zero, -mapped[:, :1] * weight[:, :2]])
    rows_v = np.column_stack([zero, weight, -mapped[:, 1:] * weight[:, :2]])
    return np.concatenate([rows_u, rows_v])


def _polished(view: NDArray[np.float64], source: Points, target: Points) -> NDArray[np.float64]:
    for _ in range(6):
        view = view / view[2, 2]
        residual = (target - _mapped(view, source)).T.ravel()
        step = np.linalg.lstsq(_jacobian(view, source), residual, rcond=None)[0]
        view = view + np.append(step, 0.0).reshape(3, 3)
    return np.asarray(view / view[2, 2])


def _upright(px_to_board: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the turn (and mirroring) that lays the board's frame along the picture, x right, y up."""
    middle = _mapped(px_to_board, np.zeros((1, 2)))[0]
    step = 1e-4
    across = _mapped(px_to_board, np.array([[step, 0.0], [-step, 0.0], [0.0, step], [0.0, -step]]))
    local = np.column_stack([across[0] - across[1], across[2] - across[3]])
    mirror = np.diag([1.0, -1.0]) if np.linalg.det(local) > 0 else np.eye(2)
    left, _, right = np.linalg.svd(mirror @ local @ np.diag([1.0, -1.0]))
    turn = (left @ right).T @ mirror
    result = np.eye(3)
    result[:2, :2] = turn
    result[:2, 2] = -turn @ middle
    return result
