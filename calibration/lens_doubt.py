"""What views of a board leave open of a lens: how far it may bend lengths toward the corners of the picture.

Views that do not reach the corners let the distortion go any way there, and a term that the fit leaves out is
there all the same. What a plane's own view takes up (the camera matrix nearly all of it) does not count.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.corners import FoundBoard
from calibration.model import Lens
from core.geometry import Points

OF_LENS = 9
"""fx, fy, cx, cy, k1, k2, p1, p2, k3; then three of turn and three of place for each board."""

LEAST_CORNER_STD_PX = 0.02

FURTHER_TERM_STD = 0.001
"""Assumption, no source: what a term r⁷ that is not fitted moves at the corner of a picture, relative to its radius."""

TARGET_SHARE = 0.3
"""Half the size of a target over that of the picture, in whose plane the view of a section is fitted."""


def normal_matrix(
    lens: Lens,
    boards: Sequence[FoundBoard],
    turns: Sequence[NDArray[np.float64]],
    places: Sequence[NDArray[np.float64]],
) -> tuple[NDArray[np.float64], float]:
    """Return the normal matrix of the corners by lens and poses, (9 + 6 n, 9 + 6 n), and the scatter of corners, px.

    A turn is one about the board's first corner, on top of its own: d(X) = turn x arm.
    """
    size = OF_LENS + 6 * len(boards)
    normal = np.zeros((size, size))
    squares, count = 0.0, 0
    for index, (board, turn, place) in enumerate(zip(boards, turns, places, strict=True)):
        arm = np.column_stack([board.board_mm, np.zeros(len(board.board_mm))]) @ turn.T
        nothing = np.zeros(3)
        seen, jacobian = cv2.projectPoints(arm + place, nothing, nothing, lens.camera_matrix, lens.distortion)
        by_place = jacobian[:, 3:6].reshape(-1, 2, 3)
        by_turn = np.cross(arm[:, None], by_place)
        rows = np.zeros((2 * len(arm), size))
        rows[:, :OF_LENS] = jacobian[:, 6:15]
        at = OF_LENS + 6 * index
        rows[:, at : at + 3] = by_turn.reshape(-1, 3)
        rows[:, at + 3 : at + 6] = by_place.reshape(-1, 3)
        normal += rows.T @ rows
        squares += float(np.sum((seen.reshape(-1, 2) - board.points_px) ** 2))
        count += 2 * len(arm)
    return normal, max(LEAST_CORNER_STD_PX, math.sqrt(squares / max(1, count - size)))


def inverse_of(normal: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the inverse of a normal matrix of parameters from 1e-6 to 1e4 in size, each in units of its own."""
    size = np.sqrt(np.maximum(normal.diagonal(), 1e-300))
    return np.asarray(np.linalg.inv(normal / np.outer(size, size)) / np.outer(size, size))


def lens_covariance(
    lens: Lens, normal: NDArray[np.float64], scatter_px: float, *, fitted_k3: bool
) -> NDArray[np.float64]:
    """Return the (9, 9) covariance of the lens; where k3 was not fitted, with what its absence does to the others."""
    free = [i for i in range(len(normal)) if fitted_k3 or i != OF_LENS - 1]
    inverse = inverse_of(normal[np.ix_(free, free)])
    result = np.zeros((OF_LENS, OF_LENS))
    of_lens = OF_LENS if fitted_k3 else OF_LENS - 1
    result[:of_lens, :of_lens] = inverse[:of_lens, :of_lens] * scatter_px**2
    if not fitted_k3:
        moved = np.append(-(inverse @ normal[free, OF_LENS - 1])[:of_lens], 1.0)
        result += np.outer(moved, moved) * further_term_std(lens) ** 2
    return np.asarray(0.5 * (result + result.T))


def further_term_std(lens: Lens) -> float:
    """Return the standard deviation of a k3 that was not fitted."""
    corner = math.hypot(lens.width_px, lens.height_px) / float(lens.camera_matrix[0, 0] + lens.camera_matrix[1, 1])
    return FURTHER_TERM_STD / corner**6


def corner_distortion_std(lens: Lens, covariance: NDArray[np.float64]) -> float:
    """Return the radial displacement at the corner, relative to its radius, whose growth covers what is left open.

    It stands in the place of `calibration.unseen.CORRECTED_DISTORTION`: lengths at r from the target are open by twice
    that, times the squared share of r in the radius of the corner.
    """
    x, y = np.meshgrid(np.linspace(0.0, lens.width_px - 1.0, 13), np.linspace(0.0, lens.height_px - 1.0, 11))
    places = np.column_stack([x.ravel(), y.ravel()])
    middle = 0.5 * np.array([lens.width_px - 1.0, lens.height_px - 1.0])
    reach = 0.02 * max(lens.width_px, lens.height_px)
    ways = reach * np.array([[1.0, 0.0], [0.0, 1.0]])
    spots = np.concatenate([places, *[places + sign * way for way in ways for sign in (1.0, -1.0)]])
    moved = _moved(lens, spots, np.sqrt(covariance.diagonal()))
    moved = _less_a_plane(spots, moved, middle, len(places))
    part = len(places)
    variance = np.zeros(part)
    correlation = covariance / np.maximum(np.outer(*[np.sqrt(covariance.diagonal())] * 2), 1e-300)
    for way in range(2):
        up, down = (moved[:, (1 + 2 * way + side) * part : (2 + 2 * way + side) * part] for side in (0, 1))
        change = (up - down)[..., way] / (2 * reach)
        variance += 0.5 * np.einsum("kn,kl,ln->n", change, correlation, change)
    away2 = np.sum((places - middle) ** 2, axis=1)
    corner2 = float(np.sum(middle**2))
    far = away2 > 0.1 * corner2
    return float(np.sqrt(np.mean(np.maximum(variance, 0.0)[far] * (corner2 / (2.0 * away2[far])) ** 2)))


def _moved(lens: Lens, spots: Points, steps: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return how places of the ideal picture move for one standard deviation of each parameter, (9, N, 2)."""
    result = np.zeros((OF_LENS, len(spots), 2))
    for index, step in enumerate(steps):
        if step == 0.0:
            continue
        sides = []
        for sign in (1.0, -1.0):
            matrix, distortion = lens.camera_matrix.copy(), lens.distortion.astype(float).copy()
            if index < 4:
                matrix[index % 2, (index % 2) if index < 2 else 2] += sign * 0.1 * step
            else:
                distortion[index - 4] += sign * 0.1 * step
            sides.append(Lens(matrix, distortion, lens.width_px, lens.height_px).undistort(spots))
        result[index] = (sides[0] - sides[1]) / 0.2
    return result


def _less_a_plane(spots: Points, moved: NDArray[np.float64], middle: Points, grid: int) -> NDArray[np.float64]:
    """Take out of each field what the view of a plane, fitted to a target in the middle, takes up."""
    x, y = ((spots - middle) / np.max(middle)).T
    zero, one = np.zeros_like(x), np.ones_like(x)
    rows = np.stack(
        [
            np.column_stack([x, y, one, zero, zero, zero, x * x, x * y]),
            np.column_stack([zero, zero, zero, x, y, one, x * y, y * y]),
        ],
        axis=1,
    )
    inside = np.flatnonzero((np.abs((spots[:grid] - middle) / middle) < 2 * TARGET_SHARE).all(axis=1))
    solve = np.linalg.pinv(rows[inside].reshape(-1, 8))
    return np.asarray([field - rows @ (solve @ field[inside].ravel()) for field in moved])
