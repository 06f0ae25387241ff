"""Finding the points of a board in a picture: on a reduced picture, refined at full size.

Points are given with pixel centre = integer. A chessboard is checked square by square, so that a white
border is never taken for squares; a ChArUco board tells each corner by its markers and may be partly
hidden.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal, get_args

import cv2
import numpy as np
from numpy.typing import NDArray

from core.errors import CalibrationRefused, UsageError
from core.geometry import Points

Pattern = Literal["chessboard", "charuco", "circles", "asymmetric-circles"]

REDUCED_SIDES_PX = (800, 1600, 3200, 6400)
"""Longer sides of the reduced pictures tried one after the other."""


LEAST_SADDLE_GREY = 12.0


@dataclass(frozen=True, slots=True)
class Board:
    """A flat board: ``columns`` x ``rows`` inner corners, or circle centres, ``square_mm`` apart.

    Attributes
    ----------
    dictionary
        Marker dictionary of a ChArUco board; the other usual ones are tried when it is not seen.
    marker_ratio
        Side of a marker over the side of a square; None finds it in the picture.
    """

    pattern: Pattern
    columns: int
    rows: int
    square_mm: float
    dictionary: str = "DICT_4X4_250"
    marker_ratio: float | None = None

    def __post_init__(self) -> None:
        if self.pattern not in get_args(Pattern):
            raise UsageError(f"the pattern must be one of {', '.join(get_args(Pattern))}, got {self.pattern!r}")
        if not (2 <= self.columns <= 100 and 2 <= self.rows <= 100):
            raise UsageError(
                f"a board has 2 to 100 inner corners each way, got {self.columns} x {self.rows}: count where four "
                "squares meet"
            )
        if not (math.isfinite(self.square_mm) and self.square_mm > 0):
            raise UsageError(f"the square must be more than 0 mm, got {self.square_mm!r}")
        if self.marker_ratio is not None and not 0.2 < self.marker_ratio < 1.0:
            raise UsageError(f"a marker is smaller than its square, got a ratio of {self.marker_ratio!r}")
        if self.dictionary not in DICTIONARIES:
            raise UsageError(f"{self.dictionary!r} is no known marker dictionary: take one like DICT_4X4_250")

    def points_mm(self) -> Points:
        """Return where the points lie on the board, (columns · rows, 2), row by row."""
        row, column = np.divmod(np.arange(self.columns * self.rows), self.columns)
        if self.pattern == "asymmetric-circles":
            return np.column_stack([(2 * column + row % 2), row]) * 0.5 * self.square_mm
        return np.column_stack([column, row]) * self.square_mm


@dataclass(frozen=True, slots=True, eq=False)
class FoundBoard:
    """Points of a board in a picture (N, 2) and on the board (N, 2), with what was recognised."""

    points_px: Points
    board_mm: Points
    ids: NDArray[np.int64]
    detail: dict[str, object] = field(default_factory=dict)


DICTIONARIES = (
    "DICT_4X4_250", "DICT_5X5_250", "DICT_6X6_250", "DICT_7X7_250", "DICT_4X4_50", "DICT_4X4_100", "DICT_4X4_1000",
    "DICT_5X5_50", "DICT_5X5_100", "DICT_5X5_1000", "DICT_6X6_50", "DICT_6X6_100", "DICT_6X6_1000", "DICT_7X7_50",
    "DICT_7X7_100", "DICT_7X7_1000", "DICT_ARUCO_ORIGINAL", "DICT_APRILTAG_16h5", "DICT_APRILTAG_25h9",
    "DICT_APRILTAG_36h10", "DICT_APRILTAG_36h11", "DICT_ARUCO_MIP_36h12",
)  # fmt: skip

TRIED_DICTIONARIES = ("DICT_4X4_1000", "DICT_5X5_1000", "DICT_6X6_1000", "DICT_7X7_1000", "DICT_APRILTAG_36h11")


def find_board(gray: NDArray[np.uint8], board: Board) -> FoundBoard:
    """Return the points of the board in the picture.

    Raises
    ------
    CalibrationRefused
        When the board is not seen.
    """
    if board.pattern == "charuco":
        from calibration.charuco import find_charuco

        return find_charuco(gray, board)
    if board.pattern == "chessboard":
        return _find_chessboard(gray, board)
    return _find_circles(gray, board)


def reductions(gray: NDArray[np.uint8]) -> list[tuple[NDArray[np.uint8], float]]:
    """Return reduced pictures with their scale (full px per reduced px), the smallest first."""
    longest = max(gray.shape)
    result = []
    for side in REDUCED_SIDES_PX:
        if longest <= 1.25 * side:
            break
        result.append((_reduced(gray, longest / side), longest / side))
    return [*result, (gray, 1.0)]


def _reduced(gray: NDArray[np.uint8], scale: float) -> NDArray[np.uint8]:
    height, width = gray.shape
    size = (round(width / scale), round(height / scale))
    return np.asarray(cv2.resize(gray, size, interpolation=cv2.INTER_AREA), np.uint8)


def to_full(points: Points, small: NDArray[np.uint8], gray: NDArray[np.uint8]) -> Points:
    """Map points of a reduced picture to the full one; pixel centres are whole numbers in both."""
    ratio = np.array([gray.shape[1] / small.shape[1], gray.shape[0] / small.shape[0]])
    return np.asarray((points + 0.5) * ratio - 0.5)


def refined(gray: NDArray[np.uint8], points: Points, square_px: float, *, free_share: float = 0.3) -> Points:
    """Return saddle points refined in windows that stay where squares are plain, ``free_share`` of a square around."""
    half = int(np.clip(round(0.75 * free_share * square_px), 2, 12))
    inside = (points > half + 2).all(axis=1) & (points < np.array(gray.shape[::-1]) - half - 3).all(axis=1)
    result = points.copy()
    if inside.any():
        start = np.ascontiguousarray(points[inside], np.float32).reshape(-1, 1, 2)
        criteria = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 40, 0.002)
        moved = cv2.cornerSubPix(gray, start, (half, half), (-1, -1), criteria).reshape(-1, 2).astype(float)
        stayed = np.hypot(*(moved - points[inside]).T) < max(2.0, 0.15 * square_px)
        where = np.flatnonzero(inside)
        result[where[stayed]] = moved[stayed]
        result[where[~stayed]] = np.nan
    return result


def _find_chessboard(gray: NDArray[np.uint8], board: Board) -> FoundBoard:
    size = (board.columns, board.rows)
    quick = cv2.CALIB_CB_NORMALIZE_IMAGE
    borders = False
    pictures = [small for small, _ in reductions(gray)]
    # A closer look at a reduced picture costs less than any look at the full one.
    for small, flags in [(small, quick | closely) for small in pictures for closely in (0, cv2.CALIB_CB_EXHAUSTIVE)]:
        seen, corners = cv2.findChessboardCornersSB(small, size, flags=flags)
        if not seen:
            continue
        coarse = to_full(corners.reshape(-1, 2).astype(float), small, gray)
        square = _square_px(coarse, board)
        points = refined(gray, coarse, square)
        if not np.isfinite(points).all():
            continue
        if _squares_alternate(gray, points, board):
            ids = np.arange(len(points))
            return FoundBoard(points, board.points_mm(), ids, {"square_px": square})
        borders = True
    if borders:
        raise CalibrationRefused(
            f"a pattern of {board.columns} x {board.rows} corners is seen whose squares do not alternate dark and "
            "light up to its rim: check --corners, the inner corners only"
        )
    raise CalibrationRefused(
        f"no chessboard with {board.columns} x {board.rows} inner corners is seen: check --corners, show the whole "
        "board with its white border, or take a ChArUco board, which may be partly hidden"
    )


def _square_px(points: Points, board: Board) -> float:
    grid = points.reshape(board.rows, board.columns, 2)
    across = np.linalg.norm(np.diff(grid, axis=1), axis=2)
    down = np.linalg.norm(np.diff(grid, axis=0), axis=2)
    return float(min(across.min(), down.min()))


def _squares_alternate(gray: NDArray[np.uint8], points: Points, board: Board) -> bool:
    """Tell whether four squares, dark and light in turn, meet at each corner, the outermost ones too."""
    view, _ = plane_view(board.points_mm(), points)
    if view is None:
        return False
    return bool(are_saddles(gray, points, view, board.points_mm(), 0.2 * board.square_mm).mean() > 0.97)


def plane_view(
    source: Points, target: Points, outlier_px: float | None = None
) -> tuple[NDArray[np.float64] | None, NDArray[np.bool_]]:
    """Return the homography from source to target, None when there is none, and the points that fit it."""
    if outlier_px is None:
        view, inlier = cv2.findHomography(source, target)
    else:
        view, inlier = cv2.findHomography(source, target, cv2.RANSAC, outlier_px)
    if view is None or not np.isfinite(view).all():
        return None, np.zeros(len(source), bool)
    return np.asarray(view, float), np.asarray(inlier, bool).ravel()


def through(view: NDArray[np.float64], points: Points) -> Points:
    """Map (N, 2) points by a homography."""
    mapped = np.column_stack([points, np.ones(len(points))]) @ view.T
    return np.asarray(mapped[:, :2] / mapped[:, 2:])


def are_saddles(
    gray: NDArray[np.uint8], points: Points, view: NDArray[np.float64], board_mm: Points, reach_mm: float
) -> NDArray[np.bool_]:
    """Tell where the four fields around a corner are dark and light in turn, (N,).

    A corner that is hidden, or that lies between squares and a white border, is not.
    """
    around = reach_mm * np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]])
    steps = through(view, (board_mm[:, None] + around).reshape(-1, 2)).reshape(-1, 4, 2)
    spots = (points[:, None] + steps - through(view, board_mm)[:, None]).astype(np.float32)
    seen = cv2.remap(gray, spots[..., 0], spots[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    grey = np.asarray(seen, float)
    high = np.minimum(grey[:, 0], grey[:, 2]) - np.maximum(grey[:, 1], grey[:, 3])
    low = np.minimum(grey[:, 1], grey[:, 3]) - np.maximum(grey[:, 0], grey[:, 2])
    return np.asarray(np.maximum(high, low) > LEAST_SADDLE_GREY)


def _find_circles(gray: NDArray[np.uint8], board: Board) -> FoundBoard:
    size = (board.columns, board.rows)
    shape = cv2.CALIB_CB_ASYMMETRIC_GRID if board.pattern == "asymmetric-circles" else cv2.CALIB_CB_SYMMETRIC_GRID
    for small, _ in reductions(gray):
        for picture in (small, 255 - small):
            detector = _blob_detector(small)
            for flags in (shape, shape | cv2.CALIB_CB_CLUSTERING):
                seen, centres = cv2.findCirclesGrid(picture, size, flags=flags, blobDetector=detector)
                if not seen:
                    continue
                coarse = to_full(centres.reshape(-1, 2).astype(float), small, gray)
                points = _centroids(gray, coarse)
                return FoundBoard(points, board.points_mm(), np.arange(len(points)), {})
    raise CalibrationRefused(
        f"no grid of {board.columns} x {board.rows} circles is seen: check --corners (circles each way) and show the "
        "whole grid"
    )


def _blob_detector(small: NDArray[np.uint8]) -> cv2.SimpleBlobDetector:
    detector = cv2.SimpleBlobDetector.create()
    parameters = detector.getParams()
    parameters.minArea = 12
    parameters.maxArea = float(small.size) / 40
    parameters.minDistBetweenBlobs = 3
    parameters.filterByInertia = True
    parameters.minInertiaRatio = 0.2
    detector.setParams(parameters)
    return detector


def _centroids(gray: NDArray[np.uint8], centres: Points) -> Points:
    """Return the centroids of the blobs at full size, weighted by their contrast with the ground."""
    step = np.linalg.norm(centres[:, None] - centres[None], axis=2)
    np.fill_diagonal(step, np.inf)
    half = int(max(3, math.floor(0.48 * float(np.min(step)))))
    result = centres.copy()
    for index, (x, y) in enumerate(centres):
        left, top = round(x) - half, round(y) - half
        patch = gray[max(0, top) : top + 2 * half + 1, max(0, left) : left + 2 * half + 1].astype(float)
        rows, columns = np.indices(patch.shape)
        away = np.hypot(columns + max(0, left) - x, rows + max(0, top) - y)
        ground = float(np.median(patch[away > 0.9 * half]))
        core = float(np.median(patch[away < max(1.0, 0.15 * half)]))
        weight = np.clip((patch - ground) / (core - ground) if core != ground else patch * 0, 0.0, 1.0)
        weight = np.where((weight > 0.15) & (away <= half), weight, 0.0)
        if weight.sum() > 0:
            result[index] = (
                (weight * columns).sum() / weight.sum() + max(0, left),
                (weight * rows).sum() / weight.sum() + max(0, top),
            )
    return result
