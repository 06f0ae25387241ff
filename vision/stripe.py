"""A laser line in a frame: its sub-pixel centre along its whole course, and where it is missing, and why."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from core.errors import NothingMeasurable
from core.geometry import Points, step_lengths
from vision.stripe_centre import Centres, Estimator, centres, line_sigma
from vision.stripe_ends import BREAK_PX, with_ends
from vision.stripe_path import Path, Steep, trace
from vision.stripe_reduced import Reduced, reduce_frame, runs_along_rows
from vision.stripe_sparks import lonely, sparks
from vision.stripe_strays import astray, beyond_ends, bridges, islands

Orientation = Literal["rows", "columns"]
LEAST_POINTS = 16

LEAST_WALL_PX = 3.0
MOST_WALL_PX = 120.0

NO_LIGHT = "no light of the line is seen here"
AMBIGUOUS = "two lines are alike here, one of them may be a reflection"
OTHER_LIGHT = "only light that does not continue the line is seen here"
FAINT = "the line is too faint here"
DISTURBED = "the line is double, blurred or hit by other light here"
HIDDEN = "the line jumps: what lies between is hidden or not lit"
REASONS = (NO_LIGHT, OTHER_LIGHT, AMBIGUOUS, FAINT, DISTURBED, "")


@dataclass(frozen=True, slots=True)
class Gap:
    """A stretch without points: it follows point ``after`` of the stripe; -1 means before the first."""

    after: int
    length_px: float
    reason: str


ROUNDED = 2.0
"""Grey levels by which reduced blocks may scatter because they were rounded to whole levels."""


@dataclass(frozen=True, slots=True, eq=False)
class Stripe:
    """The centre of a laser line.

    Attributes
    ----------
    points_px
        (N, 2) in the picture frame, in order along the line, from left to right or from top to bottom.
    std_px
        (N,) standard uncertainty of each point across its column (or row).
    saturated
        (N,) bool, points where the sensor was at its limit.
    gaps
        Where points are missing, in order, with the reason.
    orientation
        "rows" for a line from left to right, "columns" for one from top to bottom.
    width_px, blur_px
        Standard deviation of the line across its direction, and what of it is spread along it as well, as far as the
        frame tells: the thickness of the sheet of light is not.
    noise
        Standard deviation of a pixel in the dark, grey levels of 255.
    estimator
        Which estimator the frame called for.
    ends
        Points at which the line is seen to end, with the standard uncertainty of that along it, px.
    second_line
        Brightness of a second line beside this one, as a share of its own, where it is nearly as bright; else 0.
    together
        Neighbouring points that are off alike: more than one on a ground with a texture.
    """

    points_px: Points
    std_px: NDArray[np.float64]
    saturated: NDArray[np.bool_]
    gaps: tuple[Gap, ...]
    orientation: Orientation
    width_px: float
    blur_px: float
    noise: float
    estimator: Estimator
    ends: Mapping[int, float] = field(default_factory=dict)
    second_line: float = 0.0
    together: float = 1.0


@dataclass(frozen=True, slots=True, eq=False)
class _Piece:
    """Points in one direction: (N, 2) px, their std, height above the ground, saturation."""

    points: Points
    std: NDArray[np.float64]
    height: NDArray[np.float64]
    saturated: NDArray[np.bool_]


def extract(
    frame: NDArray[Any],
    *,
    orientation: Literal["auto", "rows", "columns"] = "auto",
    channel: Literal["auto", "blue", "green", "red"] = "auto",
) -> Stripe:
    """Return the laser line in a frame.

    Parameters
    ----------
    frame
        (H, W) or (H, W, 3) in the order blue, green, red; uint8 or uint16.
    orientation
        Whether the line runs along the rows or along the columns; "auto" looks.
    channel
        Colour of the laser; "auto" takes the channel in which the line stands out most.

    Raises
    ------
    NothingMeasurable
        When no line is seen, or when two lines are alike all along.
    """
    gray = line_channel(frame, channel)
    if min(gray.shape) < 32:
        raise NothingMeasurable(
            f"a frame of {gray.shape[1]} x {gray.shape[0]} px is too small for a laser line: 32 px are needed each way"
        )
    reduced = reduce_frame(gray)
    along_rows = runs_along_rows(reduced) if orientation == "auto" else orientation == "rows"
    if not along_rows:
        gray, reduced = gray.T, reduced.transposed()
    path = trace(reduced)
    if path is None:
        raise NothingMeasurable(
            "no laser line is seen in the frame: check the laser, the exposure and the filter, or whether this is "
            "a picture in ordinary light"
        )
    stripe = _stripe(gray, reduced, path)
    if along_rows:
        return stripe
    return replace(stripe, points_px=np.ascontiguousarray(stripe.points_px[:, ::-1]), orientation="columns")


def line_channel(frame: NDArray[Any], channel: str = "auto") -> NDArray[Any]:
    """Return the channel of a frame in which the line stands out most, (H, W) uint8 or uint16."""
    if frame.dtype not in (np.uint8, np.uint16) or frame.ndim not in (2, 3):
        raise NothingMeasurable("a laser frame holds grey or colour pixels of 8 or 16 bits")
    if frame.ndim == 2:
        return frame
    if frame.shape[2] == 1:
        return np.ascontiguousarray(frame[..., 0])
    if channel != "auto":
        return np.ascontiguousarray(frame[..., ("blue", "green", "red").index(channel)])
    sample = frame[::4, :, :3].reshape(-1, 3)
    high = np.percentile(sample, 99.7, axis=0) - np.median(sample, axis=0)
    return np.ascontiguousarray(frame[..., int(np.argmax(high))])


def _stripe(gray: NDArray[Any], reduced: Reduced, path: Path) -> Stripe:
    columns, course = _course(path, reduced.factor, gray.shape[1])
    if len(columns) < LEAST_POINTS:
        raise NothingMeasurable("two lines are alike in the frame: cover the surface that reflects the laser")
    reach = round(reduced.factor * (0.8 * path.width + 3)) + 4
    sigma = line_sigma(gray, columns, course, reach)
    blocks = reduced.noise * reduced.factor if reduced.noise > ROUNDED else 0.0
    found = centres(gray, columns, course, sigma, slack=reduced.factor + 1, blocks_noise=blocks)
    reasons = _reasons(path, columns, found, reduced.factor, gray.shape[1])
    body = _Piece(np.column_stack([columns, found.position]), found.std, found.height, found.saturated)
    pieces = _with_steep(gray, path, body, reduced.factor, sigma)
    line = _joined(pieces)
    line = _without(line, ~np.isfinite(line.points[:, 0] + line.points[:, 1]))
    line = _without(line, lonely(line.points, line.std))
    struck = np.zeros((0, 2))
    if line.saturated.any():
        marked = sparks(line.points, line.std, line.saturated, sigma)
        struck = line.points[marked]
        line = _without(line, marked)
    blur = found.spread_px[0]
    line = _without(line, beyond_ends(line.points, line.height, blur))
    line = _without(line, islands(line.points, sigma, blur))
    line, walls = _with_short_walls(gray, line, sigma, struck)
    line = _without(line, bridges(line.points, line.height, walls, sigma))
    line = _without(line, astray(line.points, line.std))
    if len(line.points) < LEAST_POINTS:
        raise NothingMeasurable(
            f"the laser line is clear at only {len(line.points)} places of the frame: expose longer, or cover what "
            "reflects"
        )
    points, std, saturated, ends = with_ends(gray, line.points, line.std, line.saturated, sigma, found.spread_px)
    gaps = _gaps(points, reasons, gray.shape[1])
    return Stripe(
        points,
        std,
        saturated,
        gaps,
        "rows",
        sigma,
        found.spread_px[0],
        found.noise,
        found.estimator,
        ends,
        path.second,
        found.together,
    )


def _course(path: Path, factor: int, width: int) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Return the full-size columns with a line and the row where it is expected in each."""
    known = np.flatnonzero(np.isfinite(path.rows) & ~path.ambiguous)
    if len(known) < 4:
        return np.zeros(0, np.int64), np.zeros(0)
    at = np.asarray((known + 0.5) * factor - 0.5, float)
    rows = np.asarray((path.rows[known] + 0.5) * factor - 0.5, float)
    # Each reduced column stands for its own full columns; between neighbours of one stretch rows are interpolated.
    columns = (known[:, None] * factor + np.arange(factor)).ravel()
    index = np.repeat(np.arange(len(known)), factor)[columns < width]
    columns = columns[columns < width]
    return columns, _interpolated(columns, index, known, path, at, rows)


def _interpolated(
    columns: NDArray[np.int64],
    index: NDArray[np.int64],
    known: NDArray[np.int64],
    path: Path,
    at: NDArray[np.float64],
    rows: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Interpolate rows within stretches and hold or extend them at their ends: nothing is drawn across a jump.

    ``index`` says which of the known reduced columns each full-size column belongs to.
    """
    joined = (np.diff(known) == 1) & ~path.starts[known[1:]]
    slope_after = np.where(joined, np.diff(rows) / np.diff(at), np.nan)
    after, before = np.append(slope_after, np.nan), np.append(np.nan, slope_after)
    right = np.where(np.isfinite(after), after, np.where(np.isfinite(before), before, 0.0))
    left = np.where(np.isfinite(before), before, np.where(np.isfinite(after), after, 0.0))
    away = columns - at[index]
    return np.asarray(rows[index] + np.where(away > 0, right[index], left[index]) * away)


def _reasons(path: Path, columns: NDArray[np.int64], found: Centres, factor: int, width: int) -> NDArray[np.int64]:
    """Return for each full-size column why it has no point, as a place in ``REASONS`` ("" where it has one)."""
    no_light, other, ambiguous, faint, disturbed, seen = range(len(REASONS))
    reduced = np.full(len(path.rows), no_light)
    reduced[path.other & ~np.isfinite(path.rows)] = other
    reduced[path.ambiguous] = ambiguous
    reasons = reduced[np.minimum(np.arange(width) // factor, len(path.rows) - 1)]
    reasons[columns] = np.where(np.isfinite(found.position), seen, np.where(found.faint, faint, disturbed))
    return reasons


def _with_steep(gray: NDArray[Any], path: Path, body: _Piece, factor: int, sigma: float) -> list[_Piece]:
    """Put points taken along the rows in the place of columns where the line is steep."""
    pieces: list[_Piece] = []
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


def _joined(pieces: list[_Piece]) -> _Piece:
    if len(pieces) == 1:
        return pieces[0]
    return _Piece(
        np.vstack([piece.points for piece in pieces]),
        np.concatenate([piece.std for piece in pieces]),
        np.concatenate([piece.height for piece in pieces]),
        np.concatenate([piece.saturated for piece in pieces]),
    )


def _without(piece: _Piece, marked: NDArray[np.bool_]) -> _Piece:
    """Return the piece without the points that are marked: seldom any are."""
    if not marked.any():
        return piece
    left = np.flatnonzero(~marked)
    return _Piece(piece.points[left], piece.std[left], piece.height[left], piece.saturated[left])


def _cut(piece: _Piece, start: int, stop: int) -> _Piece:
    span = slice(start, stop)
    return _Piece(piece.points[span], piece.std[span], piece.height[span], piece.saturated[span])


def _between(piece: _Piece, head: _Piece, tail: _Piece) -> _Piece:
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
    return _Piece(piece.points[keep], piece.std[keep], piece.height[keep], piece.saturated[keep])


def _with_short_walls(
    gray: NDArray[Any], line: _Piece, sigma: float, struck: Points
) -> tuple[_Piece, NDArray[np.int64]]:
    """Fill gaps that are higher than wide along the rows: short walls, as of an undercut, look blurred in columns.

    A gap that was left where points (``struck``, (M, 2)) belonged to a spark is none of them: its light is still there.
    Returns the line and, for each point, the number of the stretch it belongs to: odd ones are walls.
    """
    step = np.diff(line.points, axis=0)
    high = np.abs(step[:, 1])
    walls = np.flatnonzero((high > LEAST_WALL_PX) & (high < MOST_WALL_PX) & (high > 0.7 * np.abs(step[:, 0])))
    parts: list[_Piece] = []
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
        parts += [_cut(line, start, after + 1), _Piece(points, found.std[index], found.height[index],
                                                       found.saturated[index])]  # fmt: skip
        start = after + 1
    if not parts:
        return line, np.zeros(len(line.points), np.int64)
    parts.append(_cut(line, start, len(line.points)))
    return _joined(parts), np.repeat(np.arange(len(parts)), [len(part.points) for part in parts])


def _steep_piece(turned: NDArray[Any], steep: Steep, factor: int, sigma: float) -> _Piece | None:
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
    return _Piece(points[index], found.std[index], found.height[index], found.saturated[index])


def _gaps(points: Points, reasons: NDArray[np.int64], width: int) -> tuple[Gap, ...]:
    gaps = []
    step = step_lengths(points)
    for after in np.flatnonzero(step > BREAK_PX).tolist():
        low, high = sorted((int(points[after, 0]), int(points[after + 1, 0])))
        gaps.append(Gap(after, float(step[after]), _most(reasons[low + 1 : high], HIDDEN)))
    first, last = int(points[0, 0]), int(points[-1, 0])
    rims = []
    if first > 6:
        rims.append(Gap(-1, float(first), _most(reasons[:first], NO_LIGHT)))
    if width - 1 - last > 6:
        gaps.append(Gap(len(points) - 1, float(width - 1 - last), _most(reasons[last + 1 :], NO_LIGHT)))
    return (*rims, *gaps)


def _most(reasons: NDArray[np.int64], without: str) -> str:
    """Return the reason of most columns, the first listed of equals; ``without`` where no column has one."""
    counts = np.bincount(reasons, minlength=len(REASONS))
    counts[REASONS.index("")] = 0
    return REASONS[int(np.argmax(counts))] if counts.any() else without


def draw(frame: NDArray[Any], stripe: Stripe) -> NDArray[np.uint8]:
    """Return the frame in colour with the points of the stripe and its gaps, (H, W, 3) uint8 RGB."""
    gray = line_channel(frame)
    eight = gray if gray.dtype == np.uint8 else (gray // 257).astype(np.uint8)
    picture = np.asarray(cv2.cvtColor(np.asarray(eight, np.uint8), cv2.COLOR_GRAY2RGB), np.uint8)
    for x, y in np.rint(stripe.points_px).astype(int).tolist():
        picture[max(0, y), max(0, x)] = (0, 190, 90)
    for gap in stripe.gaps:
        if 0 <= gap.after < len(stripe.points_px) - 1:
            a, b = np.rint(stripe.points_px[gap.after : gap.after + 2]).astype(int)
            cv2.line(picture, tuple(int(v) for v in a), tuple(int(v) for v in b), (230, 90, 40), 1)
    return picture
