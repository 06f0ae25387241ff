"""The corners of a ChArUco board, told by the markers in its white squares.

Which marker is which gives the plane; each corner is then refined as a saddle point of the full picture,
because the corners of the markers themselves are less exact.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.corners import (
    TRIED_DICTIONARIES,
    Board,
    FoundBoard,
    are_saddles,
    plane_view,
    reductions,
    refined,
    through,
    to_full,
)
from core.errors import CalibrationRefused
from core.geometry import Points

ENOUGH_SHARE = 0.9
LEAST_MARKERS = 3
SURE_MARKERS = 6
"""Markers of one dictionary, more than of any other, that texture does not feign: then only that is looked for."""


def find_charuco(gray: NDArray[np.uint8], board: Board) -> FoundBoard:
    """Return the corners of a ChArUco board; a part of it may be hidden.

    Raises
    ------
    CalibrationRefused
        When fewer than three markers of the board are seen.
    """
    best: FoundBoard | None = None
    most, names = 0, list(dict.fromkeys((board.dictionary, *TRIED_DICTIONARIES)))
    for small, _ in reductions(gray):
        counts: dict[str, int] = {}
        for name in names:
            markers = _markers(small, gray, name)
            if markers is None:
                continue
            counts[name] = len(markers[1])
            found = _laid_out(gray, markers, board, name)
            if found is None:
                continue
            if best is None or len(found.ids) > len(best.ids):
                best = found
            break
        else:
            likely = max(counts, key=lambda name: counts[name], default=board.dictionary)
            most = max(most, counts.get(likely, 0))
            names = [likely] if most >= SURE_MARKERS else names
        if best is not None and len(best.ids) >= ENOUGH_SHARE * board.columns * board.rows:
            return best
    if best is not None:
        return best
    mirrored = np.ascontiguousarray(reductions(gray)[0][0][:, ::-1])
    seen = _markers(mirrored, mirrored, board.dictionary)
    if seen is not None and len(seen[1]) >= max(SURE_MARKERS, 2 * most):
        raise CalibrationRefused(
            "the board is seen mirrored, as through the back of its print or by a camera that mirrors its picture: "
            "print it again, or take the picture unmirrored"
        )
    if most >= SURE_MARKERS:
        raise CalibrationRefused(
            f"{most} markers are seen, but they do not lie as on one ChArUco board with {board.columns} x {board.rows} "
            "inner corners: check --corners (columns x rows) and --marker-ratio, and leave one such board in view"
        )
    raise CalibrationRefused(
        f"no ChArUco board with {board.columns} x {board.rows} inner corners is seen: check --corners, show more "
        "of the board, sharper and without glare"
    )


def _markers(
    small: NDArray[np.uint8], gray: NDArray[np.uint8], dictionary_name: str
) -> tuple[NDArray[np.float64], NDArray[np.int64]] | None:
    """Return corners (M, 4, 2) in the full picture and numbers of the markers seen in a reduced one."""
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, dictionary_name))
    markers, ids, _ = cv2.aruco.ArucoDetector(dictionary, cv2.aruco.DetectorParameters()).detectMarkers(small)
    if ids is None or len(ids) < LEAST_MARKERS:
        return None
    quads = to_full(np.array(markers, float).reshape(-1, 2), small, gray).reshape(-1, 4, 2)
    return quads, np.asarray(ids, np.int64).ravel()


def _laid_out(
    gray: NDArray[np.uint8],
    markers: tuple[NDArray[np.float64], NDArray[np.int64]],
    board: Board,
    dictionary_name: str,
) -> FoundBoard | None:
    quads, numbers = markers
    fits = [_layout_fit(quads, numbers, board, legacy) for legacy in (False, True)]
    usable = [fit for fit in fits if fit is not None]
    if not usable:
        return None
    view, used, legacy, error = min(usable, key=lambda fit: fit[3])
    square_px = _square_px(view, board)
    if error > 0.2 * square_px:
        return None
    corners, corner_ids, ratio = _seen_corners(view, used, board, quads, numbers, legacy)
    points = refined(gray, corners, square_px, free_share=0.5 * (1.0 - ratio))
    good = np.asarray(np.isfinite(points).all(axis=1), bool)
    good[good] &= are_saddles(gray, points[good], view, board.points_mm()[corner_ids[good]], 0.1 * board.square_mm)
    if good.sum() < 4:
        return None
    detail: dict[str, object] = {
        "dictionary": dictionary_name,
        "legacy_layout": legacy,
        "markers": int(used.sum()),
        "square_px": square_px,
    }
    return FoundBoard(points[good], board.points_mm()[corner_ids[good]], corner_ids[good], detail)


def marker_squares(board: Board, legacy: bool) -> NDArray[np.int64]:
    """Return column and row of the square of each marker, by its number, (M, 2).

    Square (0, 0) is the upper left one. In the usual layout it is dark; in the legacy layout of boards
    with an even number of square rows it is light.
    """
    squares = [
        (column, row)
        for row in range(board.rows + 1)
        for column in range(board.columns + 1)
        if (row + column + (1 if legacy and (board.rows + 1) % 2 == 0 else 0)) % 2 == 1
    ]
    return np.array(squares, np.int64)


def _layout_fit(
    quads: NDArray[np.float64], numbers: NDArray[np.int64], board: Board, legacy: bool
) -> tuple[NDArray[np.float64], NDArray[np.bool_], bool, float] | None:
    """Fit the plane to the markers' middles; return view, markers that fit, layout, median error in px."""
    squares = marker_squares(board, legacy)
    known = numbers < len(squares)
    if known.sum() < LEAST_MARKERS:
        return None
    corners_mm, seen = _marker_corners(squares[numbers[known]], board, 0.75), quads[known].reshape(-1, 2)
    size = float(np.median(np.linalg.norm(quads[:, 0] - quads[:, 1], axis=1)))
    view, inlier = plane_view(corners_mm.reshape(-1, 2), seen, 0.35 * size)
    if view is None:
        return None
    ratio = board.marker_ratio or _marker_ratio(view, squares[numbers[known]], quads[known], board)
    corners_mm = _marker_corners(squares[numbers[known]], board, ratio)
    view, inlier = plane_view(corners_mm.reshape(-1, 2), seen, 0.12 * size)
    if view is None:
        return None
    fits = inlier.reshape(-1, 4).all(axis=1)
    if fits.sum() < LEAST_MARKERS:
        return None
    error = np.linalg.norm(through(view, corners_mm[fits].reshape(-1, 2)) - quads[known][fits].reshape(-1, 2), axis=1)
    used = np.zeros(len(numbers), bool)
    used[np.flatnonzero(known)[fits]] = True
    return view, used, legacy, float(np.median(error)) + 2.0 * size * float(np.mean(~fits))


def _marker_corners(squares: NDArray[np.int64], board: Board, ratio: float) -> NDArray[np.float64]:
    """Return the four corners of markers on the board, (M, 4, 2), clockwise from the upper left."""
    half = 0.5 * ratio
    around = np.array([[-half, -half], [half, -half], [half, half], [-half, half]])
    return np.asarray((squares[:, None, :] - 0.5 + around) * board.square_mm)


def _marker_ratio(
    view: NDArray[np.float64], squares: NDArray[np.int64], quads: NDArray[np.float64], board: Board
) -> float:
    """Return the side of the markers over that of the squares, seen through a plane fitted with 0.75.

    Middles do not depend on the ratio, so the plane is fitted to them alone when there are enough.
    """
    middles_mm = np.asarray((squares - 0.5) * board.square_mm, float)
    if len(squares) >= 6:
        better, _ = plane_view(middles_mm, quads.mean(axis=1), 3.0)
        view = view if better is None else better
    on_board = through(np.asarray(np.linalg.inv(view), float), quads.reshape(-1, 2)).reshape(-1, 4, 2)
    sides = np.linalg.norm(on_board - np.roll(on_board, 1, axis=1), axis=2)
    return float(np.clip(np.median(sides) / board.square_mm, 0.25, 0.98))


def _square_px(view: NDArray[np.float64], board: Board) -> float:
    grid = through(view, board.points_mm()).reshape(board.rows, board.columns, 2)
    across = np.linalg.norm(np.diff(grid, axis=1), axis=2)
    down = np.linalg.norm(np.diff(grid, axis=0), axis=2)
    return float(min(across.min(), down.min()))


def _seen_corners(
    view: NDArray[np.float64],
    used: NDArray[np.bool_],
    board: Board,
    quads: NDArray[np.float64],
    numbers: NDArray[np.int64],
    legacy: bool,
) -> tuple[Points, NDArray[np.int64], float]:
    """Return where corners beside a seen marker are expected, by its neighbours, their numbers, the marker ratio."""
    squares = marker_squares(board, legacy)[numbers[used]]
    seen_px = quads[used]
    ratio = board.marker_ratio or _marker_ratio(view, squares, seen_px, board)
    corners_mm = _marker_corners(squares, board, ratio)
    points_mm = board.points_mm()
    places, ids = [], []
    middles = (squares - 0.5) * board.square_mm
    for number, point in enumerate(points_mm):
        away = np.abs(middles - point).max(axis=1)
        if away.min() > 0.6 * board.square_mm:
            continue
        near = np.argsort(away)[:4]
        local = view
        if len(near) >= 2:
            fitted, _ = plane_view(corners_mm[near].reshape(-1, 2), seen_px[near].reshape(-1, 2))
            local = view if fitted is None else fitted
        places.append(through(local, point[None])[0])
        ids.append(number)
    return np.array(places).reshape(-1, 2), np.array(ids, np.int64), ratio
