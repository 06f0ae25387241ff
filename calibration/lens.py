"""The lens of a camera from many views of one board (Z. Zhang, IEEE PAMI 22(11), 2000, 1330-1334)."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.corners import Board, FoundBoard, find_board
from calibration.lensfile import STD_NAMES, LensCalibration, read_lens, write_lens
from calibration.model import Lens
from core.errors import CalibrationRefused

__all__ = ["LensCalibration", "LensFit", "calibrate_lens", "find_boards", "fit_lens", "read_lens", "write_lens"]

LEAST_VIEWS = 3
LEAST_TILT_SPREAD_DEG = 5.0
VIEWS_FOR_K3 = 10
LARGEST_RMS_PX = 1.0


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
        (H, W) uint8 each, all of one size; a view without the board is left out and named.
    names
        Of the pictures, for the report; "view 1" ... by default.

    Raises
    ------
    CalibrationRefused
        With fewer than three views of the board, views that do not differ in tilt by 5 degrees, or a
        reprojection error above 1 px.
    """
    called = list(names) if names else [f"view {i + 1}" for i in range(len(grays))]
    shapes = {gray.shape for gray in grays}
    if len(shapes) > 1:
        sizes = ", ".join(sorted(f"{s[1]} x {s[0]}" for s in shapes))
        raise CalibrationRefused(f"the views have different sizes ({sizes} px): take all with one camera setting")
    found, served, left_out = find_boards(grays, board, called)
    if len(found) < LEAST_VIEWS:
        raise CalibrationRefused(
            f"the board is seen in {len(found)} of {len(grays)} views and {LEAST_VIEWS} are needed, better 10 from "
            f"different sides{_first_reason(left_out)}"
        )
    return fit_lens(found, served, left_out, grays[0].shape, date=date, operator=operator).calibration


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
    flags = 0 if len(found) >= VIEWS_FOR_K3 else cv2.CALIB_FIX_K3
    # the two None leave the start values to OpenCV, which its type stubs do not know
    rms, matrix, distortion, turns, places, std, _, view_rms = cv2.calibrateCameraExtended(  # type: ignore[call-overload]
        [np.column_stack([f.board_mm, np.zeros(len(f.board_mm))]).astype(np.float32) for f in found],
        [f.points_px.astype(np.float32).reshape(-1, 1, 2) for f in found],
        (width, height),
        None,
        None,
        flags=flags,
    )
    spread = tilt_spread_deg([np.ravel(turn) for turn in turns])
    if spread < LEAST_TILT_SPREAD_DEG:
        raise CalibrationRefused(
            f"the views differ in tilt by only {spread:.1f} degrees: tilt the board or the camera by 20 to 40 degrees "
            "to different sides"
        )
    if not math.isfinite(rms) or rms > LARGEST_RMS_PX:
        raise CalibrationRefused(
            f"the views do not fit one lens (reprojection error {rms:.2f} px): the board must be flat, the pictures "
            "sharp and the focus unchanged"
        )
    camera = np.array([[matrix[0, 0], 0, matrix[0, 2]], [0, matrix[1, 1], matrix[1, 2]], [0, 0, 1]], float)
    deviations = np.ravel(std)[: len(STD_NAMES)].astype(float)
    calibration = LensCalibration(
        Lens(camera, np.ravel(distortion)[:5].astype(float), width, height),
        float(rms),
        tuple(float(v) for v in np.ravel(view_rms)),
        dict(zip(STD_NAMES, (float(v) for v in deviations), strict=True)),
        tuple(served),
        tuple(left_out),
        date,
        operator,
    )
    return LensFit(
        calibration,
        tuple(found),
        tuple(np.asarray(cv2.Rodrigues(np.ravel(turn))[0], float) for turn in turns),
        tuple(np.ravel(place).astype(float) for place in places),
    )


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
    """Return the largest angle between the normals of two views, from their rotation vectors."""
    normals = np.array([cv2.Rodrigues(turn)[0][:, 2] for turn in turns])
    cosines = np.clip(normals @ normals.T, -1.0, 1.0)
    return float(np.degrees(np.arccos(cosines.min())))
