"""The lens of a camera from many views of one board (Z. Zhang, IEEE PAMI 22(11), 2000, 1330-1334)."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.corners import Board, FoundBoard, find_board
from calibration.lens_doubt import corner_distortion_std, lens_covariance, normal_matrix
from calibration.lens_solve import LEAST_VIEWS, solve_without_strangers
from calibration.lensfile import STD_NAMES, LensCalibration, read_lens, write_lens
from calibration.model import Lens
from core.errors import CalibrationRefused

__all__ = ["LensCalibration", "LensFit", "calibrate_lens", "find_boards", "fit_lens", "read_lens", "write_lens"]

LEAST_TILT_SPREAD_DEG = 5.0
LARGEST_RMS_PX = 1.0
LEAST_OF_ONE_SIZE = 0.75


def calibrate_lens(
    grays: Sequence[NDArray[np.uint8]],
    board: Board,
    *,
    names: Sequence[str] = (),
    date: str | None = None,
    operator: str | None = None,
) -> LensCalibration:
    """Return the lens that views of a board from different tilts show.

    Parameters
    ----------
    grays
        (H, W) uint8 each; a view of another size than nearly all, without the board, or that does not fit the lens of
        the others is left out and named.
    names
        Of the pictures, for the report; "view 1" ... by default.

    Raises
    ------
    CalibrationRefused
        With fewer than three views of the board, views that do not differ in tilt by 5 degrees, or a
        reprojection error above 1 px.
    """
    called = list(names) if names else [f"view {i + 1}" for i in range(len(grays))]
    grays, called, odd = _of_one_size(grays, called)
    found, served, left_out = find_boards(grays, board, called)
    left_out = [*odd, *left_out]
    if len(found) < LEAST_VIEWS:
        raise CalibrationRefused(
            f"the board is seen in {len(found)} of {len(grays)} views and {LEAST_VIEWS} are needed, better 10 from "
            f"different sides{_first_reason(left_out)}"
        )
    return fit_lens(found, served, left_out, grays[0].shape, date=date, operator=operator).calibration


def _of_one_size(
    grays: Sequence[NDArray[np.uint8]], names: Sequence[str]
) -> tuple[list[NDArray[np.uint8]], list[str], list[tuple[str, str]]]:
    """Return the views of the size that nearly all have, with the others' names and the reason to leave them out.

    Raises
    ------
    CalibrationRefused
        When no size stands out.
    """
    counts = Counter(gray.shape for gray in grays)
    (height, width), most = counts.most_common(1)[0]
    if most < max(LEAST_VIEWS, LEAST_OF_ONE_SIZE * len(grays)) and len(counts) > 1:
        sizes = ", ".join(sorted(f"{s[1]} x {s[0]}" for s in counts))
        raise CalibrationRefused(f"the views have different sizes ({sizes} px): take all with one camera setting")
    kept = [i for i, gray in enumerate(grays) if gray.shape == (height, width)]
    odd = [
        (name, f"it has {gray.shape[1]} x {gray.shape[0]} px and the others {width} x {height}")
        for gray, name in zip(grays, names, strict=True)
        if gray.shape != (height, width)
    ]
    return [grays[i] for i in kept], [names[i] for i in kept], odd


@dataclass(frozen=True, slots=True, eq=False)
class LensFit:
    """A lens with the views it rests on: their corners, and how each board lay (turn (3, 3), place (3,), mm)."""

    calibration: LensCalibration
    boards: tuple[FoundBoard, ...]
    turns: tuple[NDArray[np.float64], ...]
    places: tuple[NDArray[np.float64], ...]


def fit_lens(
    found: Sequence[FoundBoard],
    served: Sequence[str],
    left_out: Sequence[tuple[str, str]],
    shape: tuple[int, ...],
    *,
    date: str | None = None,
    operator: str | None = None,
) -> LensFit:
    """Fit the lens to boards already found, in pictures of ``shape`` (height, width).

    Raises
    ------
    CalibrationRefused
        When the views do not differ in tilt by 5 degrees, or do not fit one lens.
    """
    height, width = shape
    solved, kept, strangers = solve_without_strangers(found, served, (width, height))
    spread = tilt_spread_deg(solved.turns)
    if spread < LEAST_TILT_SPREAD_DEG:
        raise CalibrationRefused(
            f"the views differ in tilt by only {spread:.1f} degrees: tilt the board or the camera by 20 to 40 degrees "
            "to different sides"
        )
    if not math.isfinite(solved.rms_px) or solved.rms_px > LARGEST_RMS_PX:
        raise CalibrationRefused(
            f"the views do not fit one lens (reprojection error {solved.rms_px:.2f} px): the board must be flat, the "
            "pictures sharp and the focus unchanged"
        )
    boards = tuple(found[i] for i in kept)
    lens = Lens(solved.matrix, solved.distortion, width, height)
    normal, scatter = normal_matrix(lens, boards, solved.turns, solved.places)
    covariance = lens_covariance(lens, normal, scatter, fitted_k3=solved.with_k3)
    calibration = LensCalibration(
        replace(lens, corner_std=corner_distortion_std(lens, covariance)),
        solved.rms_px,
        solved.view_rms_px,
        dict(zip(STD_NAMES, solved.std, strict=True)),
        tuple(served[i] for i in kept),
        (*left_out, *strangers),
        date,
        operator,
    )
    return LensFit(calibration, boards, solved.turns, solved.places)


def find_boards(
    grays: Iterable[NDArray[np.uint8]], board: Board, names: Sequence[str]
) -> tuple[list[FoundBoard], list[str], list[tuple[str, str]]]:
    """Return the boards seen, the names of their pictures, and name and reason of the pictures without one."""
    found, served, left_out = [], [], []
    for gray, name in zip(grays, names, strict=True):
        try:
            view = find_board(gray, board)
        except CalibrationRefused as refusal:
            left_out.append((name, refusal.message))
            continue
        if len(view.ids) < 6:
            left_out.append((name, f"only {len(view.ids)} corners of the board are seen"))
            continue
        found.append(view)
        served.append(name)
    return found, served, left_out


def _first_reason(left_out: Sequence[tuple[str, str]]) -> str:
    return f" ({left_out[0][0]}: {left_out[0][1]})" if left_out else ""


def tilt_spread_deg(turns: Sequence[NDArray[np.float64]]) -> float:
    """Return the largest angle between the normals of two views, from their turns (3, 3)."""
    normals = np.array([turn[:, 2] for turn in turns])
    cosines = np.clip(normals @ normals.T, -1.0, 1.0)
    return float(np.degrees(np.arccos(cosines.min())))
