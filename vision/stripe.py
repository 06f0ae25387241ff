"""A laser line in a frame: its sub-pixel centre along its whole course, and where it is missing, and why."""

from __future__ import annotations

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
from vision.stripe_filled import filled_in
from vision.stripe_path import Path, trace
from vision.stripe_reduced import Reduced, reduce_frame, runs_along_rows
from vision.stripe_sparks import bright_spots, lonely, sparks
from vision.stripe_steep import Piece, joined, with_short_walls, with_steep, without
from vision.stripe_strays import astray, beyond_ends, bridges, islands

Orientation = Literal["rows", "columns"]
LEAST_POINTS = 16


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
        Points at which the line is seen to end, each with the ways (2, 2) in px by which its end may lie elsewhere, one
        standard uncertainty along the line and one across it.
    second_line
        Brightness of a second line beside this one, as a share of its own, where it is nearly as bright; else 0.
    together
        Neighbouring points that are off alike: more than one on a ground with a texture.
    band_px
        Width of an overexposed line, as the standard deviation of a Gaussian that is half as high over as much; else 0.
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
    ends: Mapping[int, Points] = field(default_factory=dict)
    second_line: float = 0.0
    together: float = 1.0
    band_px: float = 0.0


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
    return replace(
        stripe,
        points_px=np.ascontiguousarray(stripe.points_px[:, ::-1]),
        ends={at: shifts[:, ::-1] for at, shifts in stripe.ends.items()},
        orientation="columns",
    )


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
    body = Piece(np.column_stack([columns, found.position]), found.std, found.height, found.saturated)
    pieces = with_steep(gray, path, body, reduced.factor, sigma)
    line = joined(pieces)
    line = without(line, ~np.isfinite(line.points[:, 0] + line.points[:, 1]))
    line = without(line, lonely(line.points, line.std))
    struck = np.zeros((0, 2))
    spots = bright_spots(line.height, line.saturated)
    if spots.any():
        marked = sparks(line.points, line.std, line.saturated, sigma, spots)
        struck = line.points[marked]
        line = without(line, marked)
    line = without(line, filled_in(line.points, line.std, line.height, sigma))
    blur = found.spread_px[0]
    line = without(line, beyond_ends(line.points, line.height, blur))
    line = without(line, islands(line.points, sigma, blur))
    line, walls = with_short_walls(gray, line, sigma, struck)
    line = without(line, bridges(line.points, line.height, walls, sigma))
    line = without(line, astray(line.points, line.std))
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
        found.band_px,
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
