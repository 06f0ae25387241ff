"""What the corners of boards leave unknown of a laser plane's view (JCGM 100:2008, 5.2).

Lens and poses come from the same corners and are strongly correlated: a longer focal length puts the boards farther
away and leaves lengths in the plane as they are. So they are carried together: for each change of lens or pose the
plane is fitted anew from the same stripes.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.laser_plane import PlaneFit, on_board, plane_through
from calibration.laser_view import Frame, homography_of
from calibration.lens import LensFit
from calibration.lens_doubt import OF_LENS, further_term_std, inverse_of, normal_matrix
from calibration.model import Lens
from core.geometry import Points

NEAREST_SHARE = 0.2
"""Points of the picture nearer to the centre than this share of its width say nothing of the lens."""


@dataclass(frozen=True, slots=True, eq=False)
class Unknown:
    """``homography_covariance`` (9, 9) of its entries; ``lens_growth_per_px2`` covers what it does not."""

    homography_covariance: NDArray[np.float64]
    lens_growth_per_px2: float


def what_boards_leave_unknown(fit: LensFit, plane: PlaneFit, indices: Sequence[int], frame: Frame) -> Unknown:
    """Return the uncertainty that the noise of the corners gives the view.

    Parameters
    ----------
    indices
        Of the boards that belong to the plane's views.
    """
    lens = fit.calibration.lens
    x = np.linspace(0.06, 0.94, 5) * lens.width_px
    y = np.linspace(0.06, 0.94, 4) * lens.height_px
    grid = np.asarray(np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2), float)
    normal, steps = _normal(fit)
    inverse = inverse_of(normal)
    columns = []
    for index in range(len(normal)):
        change = np.zeros(len(normal))
        change[index] = steps[index]
        up, down = (_outcome(fit, plane, indices, frame, grid, sign * change) for sign in (1.0, -1.0))
        columns.append((up - down) / (2 * steps[index]))
    gradient = np.array(columns).T
    homography = gradient[:9] @ inverse @ gradient[:9].T
    whole, straight = np.asarray(gradient[9:].reshape(2, len(grid), 2, -1), float)
    centre = np.asarray(np.vstack(plane.points_px).mean(axis=0), float)
    growth = _growth(whole, straight, inverse, grid, centre, lens, frame)
    return Unknown(np.asarray(0.5 * (homography + homography.T)), growth)


def _growth(
    whole: NDArray[np.float64],
    straight: NDArray[np.float64],
    inverse: NDArray[np.float64],
    grid: Points,
    centre: Points,
    lens: Lens,
    frame: Frame,
) -> float:
    """Return the growth of a relative uncertainty that covers what the lens adds to the homography's own."""
    away2 = np.sum((grid - centre) ** 2, axis=1)
    size = float(np.linalg.norm(frame.origin)) / float(lens.camera_matrix[0, 0])
    nearest = int(np.argmin(away2))
    growth = 0.0
    for index in np.flatnonzero(away2 > (NEAREST_SHARE * lens.width_px) ** 2).tolist():
        of_whole, of_straight = whole[index] - whole[nearest], straight[index] - straight[nearest]
        excess = float(np.trace(of_whole @ inverse @ of_whole.T) - np.trace(of_straight @ inverse @ of_straight.T))
        relative = math.sqrt(max(0.0, excess)) / (size * math.sqrt(away2[index]))
        growth = max(growth, relative / float(away2[index]))
    return growth


def _outcome(
    fit: LensFit,
    plane: PlaneFit,
    indices: Sequence[int],
    frame: Frame,
    grid: Points,
    change: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Return for a change of the state: nine entries, mm of the grid, mm of the grid with the lens unchanged."""
    lens = fit.calibration.lens
    matrix = lens.camera_matrix.copy()
    matrix[0, 0] += change[0]
    matrix[1, 1] += change[1]
    matrix[:2, 2] += change[2:4]
    moved = Lens(matrix, lens.distortion + change[4:OF_LENS], lens.width_px, lens.height_px)
    points = []
    for points_px, index in zip(plane.points_px, indices, strict=True):
        step = change[OF_LENS + 6 * index : OF_LENS + 6 * index + 6]
        turn = np.asarray(cv2.Rodrigues(step[:3])[0] @ fit.turns[index], float)
        points.append(on_board(points_px, moved, turn, fit.places[index] + step[3:]))
    share = np.concatenate([np.full(len(p), 1.0 / len(p)) for p in points])
    homography = homography_of(matrix, plane_through(np.vstack(points), share), frame)
    seen = []
    for ideal in (moved.undistort(grid), lens.undistort(grid)):
        mapped = np.column_stack([ideal, np.ones(len(ideal))]) @ homography.T
        seen.append((mapped[:, :2] / mapped[:, 2:]).ravel())
    return np.concatenate([homography.ravel(), *seen])


def _normal(fit: LensFit) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the normal matrix of the corners over their variance, and a small step for each parameter."""
    normal, noise = normal_matrix(fit.calibration.lens, fit.boards, fit.turns, fit.places)
    steps = 0.01 * noise / np.sqrt(np.maximum(normal.diagonal(), 1e-30))
    known = normal / noise**2
    if fit.calibration.std["k3"] == 0.0:
        # It was not fitted, and is there all the same.
        further = further_term_std(fit.calibration.lens)
        known[OF_LENS - 1, OF_LENS - 1] += 1.0 / further**2
        steps[OF_LENS - 1] = min(steps[OF_LENS - 1], 0.01 * further)
    return known, steps
