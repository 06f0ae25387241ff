"""Steep stretches of a laser line: points taken along the rows take the place of blurred columns."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from core.geometry import Points
from vision.stripe_centre import centres
from vision.stripe_path import Path
from vision.stripe_rows import Steep

LEAST_WALL_PX, MOST_WALL_PX = 3.0, 120.0


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """Points in one direction: (N, 2) px, their std, height above the ground, saturation."""

    points: Points
    std: NDArray[np.float64]
    height: NDArray[np.float64]
    saturated: NDArray[np.bool_]


def with_steep(gray: NDArray[Any], path: Path, body: Piece, factor: int, sigma: float) -> list[Piece]:
    """Put points taken along the rows in the place of columns where the line is steep."""
    pieces: list[Piece] = []
    start = 0
    column = body.points[:, 0]
    turned = gray.T
    for steep in sorted(path.steep, key=lambda place: place.before):
        piece = _steep_piece(turned, steep, factor, sigma)
        low, high = (steep.before + 1) * factor, steep.after * factor
        first, last = int(np.searchsorted(column, low)), int(np.searchsorted(column, high))
        if piece is None or first < start:
            continue
        head, tail = _cut(body, start, first), _cut(body, last, len(column))
        piece = _between(piece, head, tail)
        pieces += [head, piece]
        start = last
    pieces.append(_cut(body, start, len(column)))
    return pieces


def with_short_walls(gray: NDArray[Any], line: Piece, sigma: float, struck: Points) -> tuple[Piece, NDArray[np.int64]]:
    """Fill gaps that are higher than wide along the rows: short walls, as of an undercut, look blurred in columns.

    A gap that was left where points (``struck``, (M, 2)) belonged to a spark is none of them: its light is still there.
    Returns the line and, for each point, the number of the stretch it belongs to: odd ones are walls.
    """
    step = np.diff(line.points, axis=0)
    high = np.abs(step[:, 1])
    walls = np.flatnonzero((high > LEAST_WALL_PX) & (high < MOST_WALL_PX) & (high > 0.7 * np.abs(step[:, 0])))
    parts: list[Piece] = []
    start = 0
    for after in walls.tolist():
        (x0, y0), (x1, y1) = line.points[after], line.points[after + 1]
        if len(struck) and bool(((struck[:, 0] - x0) * (struck[:, 0] - x1) < 0).any()):
            continue
        rows = np.arange(math.ceil(min(y0, y1)) + 1, math.floor(max(y0, y1)))
        if len(rows) < 2:
            continue
        course = np.interp(rows, *(([y0, y1], [x0, x1]) if y1 > y0 else ([y1, y0], [x1, x0])))
        slack = 4 + math.ceil(0.5 * abs(x1 - x0))
        found = centres(gray.T, rows, course, sigma, slack=slack, estimator="centroid", turned=True)
        # What lies beside the gap is the line itself, met again.
        good = np.isfinite(found.position) & (found.position > min(x0, x1) - 1.5) & (found.position < max(x0, x1) + 1.5)
        if np.count_nonzero(good) < 0.7 * len(rows):
            continue
        index = np.flatnonzero(good)[:: 1 if y1 > y0 else -1]
        points = np.column_stack([found.position, rows.astype(float)])[index]
        parts += [_cut(line, start, after + 1), Piece(points, found.std[index], found.height[index],
                                                       found.saturated[index])]  # fmt: skip
        start = after + 1
    if not parts:
        return line, np.zeros(len(line.points), np.int64)
    parts.append(_cut(line, start, len(line.points)))
    return joined(parts), np.repeat(np.arange(len(parts)), [len(part.points) for part in parts])


def joined(pieces: list[Piece]) -> Piece:
    if len(pieces) == 1:
        return pieces[0]
    return Piece(
        np.vstack([piece.points for piece in pieces]),
        np.concatenate([piece.std for piece in pieces]),
        np.concatenate([piece.height for piece in pieces]),
        np.concatenate([piece.saturated for piece in pieces]),
    )


def without(piece: Piece, marked: NDArray[np.bool_]) -> Piece:
    """Return the piece without the points that are marked: seldom any are."""
    if not marked.any():
        return piece
    left = np.flatnonzero(~marked)
    return Piece(piece.points[left], piece.std[left], piece.height[left], piece.saturated[left])


def _cut(piece: Piece, start: int, stop: int) -> Piece:
    span = slice(start, stop)
    return Piece(piece.points[span], piece.std[span], piece.height[span], piece.saturated[span])


def _between(piece: Piece, head: Piece, tail: Piece) -> Piece:
    """Keep the rows that lie between the last point before and the first point after a steep place."""
    heads = head.points[np.isfinite(head.points[:, 1]), 1]
    tails = tail.points[np.isfinite(tail.points[:, 1]), 1]
    row = piece.points[:, 1]
    down = 1.0 if row[-1] >= row[0] else -1.0
    keep = np.ones(len(row), bool)
    if len(heads):
        keep &= down * (row - heads[-1]) > 0.5
    if len(tails):
        keep &= down * (tails[0] - row) > 0.5
    return Piece(piece.points[keep], piece.std[keep], piece.height[keep], piece.saturated[keep])


def _steep_piece(turned: NDArray[Any], steep: Steep, factor: int, sigma: float) -> Piece | None:
    order = np.argsort(steep.rows)
    rows = (steep.rows[order] + 0.5) * factor - 0.5
    columns = (steep.columns[order] + 0.5) * factor - 0.5
    first, last = int(steep.rows.min()) * factor, (int(steep.rows.max()) + 1) * factor
    lines = np.arange(first, min(last, turned.shape[1]))
    # Rows that the reduced frame did not see are not made up from their neighbours.
    lines = lines[np.isin(lines // factor, steep.rows)]
    if len(lines) < 4:
        return None
    course = np.interp(lines, rows, columns)
    found = centres(turned, lines, course, sigma, slack=factor + 1, estimator="centroid", turned=True)
    points = np.column_stack([found.position, lines.astype(float)])
    down = steep.rows[-1] >= steep.rows[0]
    index = np.arange(len(lines)) if down else np.arange(len(lines))[::-1]
    return Piece(points[index], found.std[index], found.height[index], found.saturated[index])
