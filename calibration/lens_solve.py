"""Camera and poses from corners, by the views and the terms that belong to it.

A view of another camera, zoom or focus, or one out of focus, bends the lens of all; one that the others fit much better
without is left out. The term r⁷ of the distortion is fitted only where the views reach far enough out to know it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.corners import FoundBoard
from calibration.lens_doubt import further_term_std, lens_covariance, normal_matrix
from calibration.model import Lens

LEAST_VIEWS = 3
VIEWS_FOR_K3 = 5

STRANGER_RATIO, STRANGER_PX = 1.5, 0.15
"""A view is tried without when its corners lie off by so many times what those of the others do, and by so much."""

STRANGER_GAIN = 0.7
"""It is left out when the others then lie off by no more than this share of what all did."""

MOST_STRANGERS = 0.25


@dataclass(frozen=True, slots=True, eq=False)
class Solved:
    """One fit: matrix (3, 3), distortion (5,), turn and place of each board, deviations of the lens, rms of views."""

    rms_px: float
    matrix: NDArray[np.float64]
    distortion: NDArray[np.float64]
    turns: tuple[NDArray[np.float64], ...]
    places: tuple[NDArray[np.float64], ...]
    std: tuple[float, ...]
    view_rms_px: tuple[float, ...]
    with_k3: bool


def solve(found: Sequence[FoundBoard], size_px: tuple[int, int]) -> Solved:
    """Fit the camera to boards in pictures of ``size_px`` (width, height)."""
    if len(found) >= VIEWS_FOR_K3:
        solved = _solve(found, size_px, True)
        lens = Lens(solved.matrix, solved.distortion, *size_px)
        # The library's own deviations are far too small where a term is hardly determined.
        covariance = lens_covariance(lens, *normal_matrix(lens, found, solved.turns, solved.places), fitted_k3=True)
        # Views that leave the corners of the picture open would let this term bend them any way.
        if math.sqrt(max(0.0, float(covariance[8, 8]))) <= further_term_std(lens):
            return solved
    return _solve(found, size_px, False)


def _solve(found: Sequence[FoundBoard], size_px: tuple[int, int], with_k3: bool) -> Solved:
    # the two None leave the start values to OpenCV, which its type stubs do not know
    rms, matrix, distortion, turns, places, std, _, view_rms = cv2.calibrateCameraExtended(  # type: ignore[call-overload]
        [np.column_stack([f.board_mm, np.zeros(len(f.board_mm))]).astype(np.float32) for f in found],
        [f.points_px.astype(np.float32).reshape(-1, 1, 2) for f in found],
        size_px,
        None,
        None,
        flags=0 if with_k3 else cv2.CALIB_FIX_K3,
    )
    camera = np.array([[matrix[0, 0], 0, matrix[0, 2]], [0, matrix[1, 1], matrix[1, 2]], [0, 0, 1]], float)
    return Solved(
        float(rms),
        camera,
        np.ravel(distortion)[:5].astype(float),
        tuple(np.asarray(cv2.Rodrigues(np.ravel(turn))[0], float) for turn in turns),
        tuple(np.ravel(place).astype(float) for place in places),
        tuple(float(v) for v in np.ravel(std)[:9]),
        tuple(float(v) for v in np.ravel(view_rms)),
        with_k3,
    )


def solve_without_strangers(
    found: Sequence[FoundBoard], names: Sequence[str], size_px: tuple[int, int]
) -> tuple[Solved, list[int], list[tuple[str, str]]]:
    """Fit the camera, leaving out views that do not belong to it.

    Returns
    -------
    The fit, the places of the views that carry it, and name and reason of those left out.
    """
    kept = list(range(len(found)))
    left_out: list[tuple[str, str]] = []
    solved = solve(found, size_px)
    while len(kept) > LEAST_VIEWS and len(left_out) < MOST_STRANGERS * len(found):
        rms = np.array(solved.view_rms_px)
        worst = int(np.argmax(rms))
        others = float(np.median(np.delete(rms, worst)))
        if rms[worst] < max(STRANGER_PX, STRANGER_RATIO * others):
            break
        rest = kept[:worst] + kept[worst + 1 :]
        again = solve([found[i] for i in rest], size_px)
        if not again.rms_px < STRANGER_GAIN * solved.rms_px:
            break
        left_out.append(
            (
                names[kept[worst]],
                f"it does not fit the lens of the others, which lie off by {again.rms_px:.2f} px without it and by "
                f"{solved.rms_px:.2f} px with it: another camera, zoom or focus, a board that moved or was bent",
            )
        )
        solved, kept = again, rest
    return solved, kept, left_out
