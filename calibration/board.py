"""A scale and the tilt of the plane from a board of known squares or circles.

The frame of the result is that of the picture at the board (x right, y up): a turned or mirrored order
of the detected points changes nothing.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from calibration.corners import Board, find_board
from calibration.departure import Departure
from calibration.distance import SeenDistance
from calibration.model import Calibration, Lens, length_gradients
from calibration.plane import PlaneOffset, correction_of
from calibration.plane_fit import fit_plane
from calibration.unseen import lens_growth_per_px2
from core.errors import CalibrationRefused, UsageError
from core.geometry import Points

__all__ = ["Board", "calibrate_board", "fit_plane"]

LARGEST_NOISE_PX = 0.5
"""Corners that scatter more, each by itself, were not seen well enough to be believed."""

LARGEST_BEND_REL_STD, TOLD_BEND_REL_STD = 0.005, 0.0015
"""Relative standard uncertainty that a bent board or lens leaves lengths at the board: above it refused, and told."""

STRETCH_STDS, LEAST_STRETCH = 2.5, 0.003
"""Squares that are longer one way by so many standard deviations, and by so much, are told. The deviations rest on wide
assumptions: of 127 drawn boards that are true none reached 2, of 8 stretched by 0.6 % and seen squarely 7 did 2.5."""

LARGEST_MISPLACED = 0.1
"""Share of a square by which corners are off a plane when they were taken for others; paper does not bend so much."""

BAR_MM = 100.0
BAR_READING_STD_MM = 0.2
"""Assumption, no source: reading a 100 mm bar with a steel rule (0.5 mm graduation, read to a third)."""

BOARD_REL_STD = 0.0005
"""Assumption, no source: a board made or printed with care, its squares not measured by the user."""


def calibrate_board(
    gray: NDArray[np.uint8],
    board: Board,
    *,
    lens: Lens | None = None,
    plane: PlaneOffset | None = None,
    measured_bar_mm: float | None = None,
    board_rel_std: float = BOARD_REL_STD,
) -> Calibration:
    """Return the calibration that a board in the plane of the section gives.

    Parameters
    ----------
    gray
        (H, W) uint8.
    measured_bar_mm
        Length read on the printed 100 mm bar of the target: squares are larger by the same ratio.
    board_rel_std
        Relative standard uncertainty of the square; with a measured bar that of the reading is taken.

    Raises
    ------
    UsageError
        When the measured bar cannot be one of 100 mm.
    CalibrationRefused
        When the board is not found, too little of it is seen, or it does not fit a plane.
    """
    print_scale = _print_scale(measured_bar_mm)
    height, width = gray.shape
    if lens is not None and (lens.width_px, lens.height_px) != (width, height):
        raise CalibrationRefused(
            f"the lens file is for pictures of {lens.width_px} x {lens.height_px} px, this one has {width} x {height}: "
            "take the board with the same camera setting"
        )
    found = find_board(gray, board)
    ideal = found.points_px if lens is None else lens.undistort(found.points_px)
    fitted = fit_plane(ideal, found.board_mm * print_scale)
    to_mm, covariance, residual = fitted.px_to_mm, fitted.covariance, fitted.residual_px
    rms = float(np.sqrt(np.mean(np.sum(residual**2, axis=1))))
    if rms > LARGEST_MISPLACED * _nearest_px(found.points_px):
        raise CalibrationRefused(
            f"what is seen does not lie as {board.columns} x {board.rows} points of a board do: check --corners, the "
            "inner corners only, columns x rows"
        )
    off = fitted.departure
    if off.noise_px > LARGEST_NOISE_PX:
        raise CalibrationRefused(
            f"the corners scatter by {off.noise_px:.2f} px, more than {LARGEST_NOISE_PX:g} px: take the board sharper, "
            "brighter and without glare"
        )
    middle = ideal.mean(axis=0)
    left_open = _length_std(to_mm, covariance, middle)[1]
    if left_open > LARGEST_BEND_REL_STD:
        raise CalibrationRefused(
            f"the corners lie {rms:.2f} px (rms) off a plane, neighbours alike, which leaves lengths open by "
            f"± {200 * left_open:.2g} %: "
            + (
                "the board is not flat or the lens file is of another camera"
                if lens
                else "give --lens, or flatten the board"
            )
        )
    centre = found.points_px.mean(axis=0)
    correction, seen = correction_of(plane, to_mm, middle, (width, height), lens, covariance)
    factor = np.repeat([correction.factor, correction.factor, 1.0], 3)
    to_mm = np.diag([correction.factor, correction.factor, 1.0]) @ to_mm
    covariance = covariance * np.outer(factor, factor)
    scale_std, worst_std = _length_std(to_mm, covariance, middle)
    square_std = board_rel_std if measured_bar_mm is None else BAR_READING_STD_MM / measured_bar_mm
    return Calibration(
        "board",
        to_mm,
        {
            "scale": math.hypot(scale_std, square_std),
            "tilt": math.sqrt(max(0.0, worst_std**2 - scale_std**2)),
            "lens": 0.0,
            "plane offset": correction.relative_std,
        },
        centre_px=(float(centre[0]), float(centre[1])),
        lens_growth_per_px2=lens_growth_per_px2(width, height, lens),
        lens=lens,
        flags=_flags(off, left_open, seen, lens),
        provenance={
            "pattern": board.pattern,
            "columns": board.columns,
            "rows": board.rows,
            "square_mm": board.square_mm,
            "print_scale": print_scale,
            "points": len(ideal),
            "points_expected": board.columns * board.rows,
            "residual_rms_px": rms,
            "residual_noise_px": off.noise_px,
            "residual_smooth_px": off.smooth_px,
            "residual_largest_px": float(np.sqrt(np.max(np.sum(residual**2, axis=1)))),
            "stretch": seen.stretch,
            "stretch_std": seen.stretch_std,
            "corners_px": [[float(v) for v in p] for p in found.points_px],
            "detail": found.detail,
            "plane_factor": correction.factor,
            "camera_distance_mm": correction.distance_mm,
            "camera_distance_source": correction.distance_source,
        },
        px_to_mm_covariance=covariance,
        size_px=(width, height),
    )


def _length_std(to_mm: NDArray[np.float64], covariance: NDArray[np.float64], at: Points) -> tuple[float, float]:
    """Return the relative standard uncertainty of lengths at a point: what all share, and that of the worst one."""
    gradients = length_gradients(to_mm, at, 1.0)
    common = gradients.mean(axis=0)
    worst2 = float(np.einsum("ni,ij,nj->n", gradients, covariance, gradients).max())
    return math.sqrt(float(common @ covariance @ common)), math.sqrt(worst2)


def _flags(off: Departure, left_open: float, seen: SeenDistance, lens: Lens | None) -> tuple[tuple[str, str], ...]:
    flags = []
    if off.smooth_px > 0.0 and left_open >= TOLD_BEND_REL_STD:
        what = "as on paper that curls" if lens else "as on paper that curls or behind a lens that bends"
        help_ = "flatten the board" if lens else "flatten the board, or give --lens"
        flags.append(
            (
                "board_not_flat",
                f"the corners lie {off.smooth_px:.2f} px off a plane, {what}: the uncertainty allows for it, "
                f"± {200 * left_open:.2g} % at the board; {help_}",
            )
        )
    if seen.stretch > max(STRETCH_STDS * seen.stretch_std, LEAST_STRETCH):
        flags.append(
            (
                "board_stretched",
                f"the squares are {100 * seen.stretch:.2g} % longer one way than the other and no tilt explains it, as "
                "of a print that is stretched: lengths are wrong by about half of it, too long one way and too short "
                "the other; measure squares along both edges of the print, and print another",
            )
        )
    return tuple(flags)


def _nearest_px(points_px: Points) -> float:
    """Return the median distance from a point to its nearest neighbour."""
    apart = np.linalg.norm(points_px[:, None] - points_px[None], axis=2)
    np.fill_diagonal(apart, np.inf)
    return float(np.median(apart.min(axis=1)))


def _print_scale(measured_bar_mm: float | None) -> float:
    if measured_bar_mm is None:
        return 1.0
    if not (math.isfinite(measured_bar_mm) and 0.5 * BAR_MM < measured_bar_mm < 2.0 * BAR_MM):
        raise UsageError(
            f"the bar of the printed target is {BAR_MM:g} mm long at true scale, and {measured_bar_mm!r} mm cannot be "
            "a reading of it: measure it between the two end ticks"
        )
    return measured_bar_mm / BAR_MM
