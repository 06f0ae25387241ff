"""The fusion line that is claimed for a path: at full resolution, or as a person gave it."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from core.geometry import Points, arc_length
from vision.fusion_candidate import TEXTURE, Candidate
from vision.fusion_choice import Window, own_clicks
from vision.fusion_line import SEEN, FusionLine, Side, stretches
from vision.fusion_meeting import Meeting
from vision.fusion_proposal import CLICK_STD_PX
from vision.fusion_refine import refined

Floats = NDArray[np.float64]

REACH_MM = 0.35
MOST_REACH_PX = 24.0
TEXTURE_STD_MM = 0.2
CARRIED_PX = 4.0
"""A line that ends farther than this from where it meets another one is carried on to there."""
LEAST_ROWS = 10
ACROSS_SHARE = 0.12
"""How far a line strays from the way on which it is led across a stain, over the length of that, in its middle."""


def claimed(window: Window, side: Side, candidate: Candidate, met: Meeting | None = None) -> FusionLine:
    """Return the claimed line at full resolution, or a person's line where the picture does not support one."""
    calibration, pixel = window.calibration, window.section.resolution_mm
    clicks = own_clicks(window.section, side, window.clicks_mm)
    confidence = candidate.support.confidence
    if not candidate.holds:
        points = _through_clicks(candidate, clicks)
        std = np.full(len(points), CLICK_STD_PX * pixel)
        return FusionLine(side, points, calibration.to_px(points), std, np.zeros(len(points)), marked=True)
    given = np.flatnonzero(candidate.frame.given)
    marked = len(clicks) > 0
    if candidate.channel == TEXTURE:
        points, std = candidate.points_mm, np.full(len(candidate.stations), TEXTURE_STD_MM)
        meets = None if len(given) == 0 else candidate.frame.given
        return FusionLine(side, points, calibration.to_px(points), std, confidence, marked=marked, meets=meets)
    coarse_px = calibration.to_px(_tied(candidate))
    tied = candidate.frame.first is not None, candidate.frame.last is not None
    whole = slice(0, len(coarse_px))
    if met is None or len(given) == 0 or min(given[0], len(coarse_px) - 1 - given[-1]) < LEAST_ROWS:
        points_px, std_px, shown, stained = _columns(_refined(window, candidate, coarse_px, whole, tied))
        points_mm = calibration.to_mm(points_px)
        return FusionLine(side, points_mm, points_px, std_px * pixel, shown, marked=marked, stained=stained)
    ends_px = window.to_px(met.ends_mm)
    pieces = []
    for rows, anchors in (
        (slice(0, int(given[0])), (tied[0], False)),
        (slice(int(given[-1]) + 1, len(coarse_px)), (False, tied[1])),
    ):
        piece = _refined(window, candidate, coarse_px, rows, anchors)
        pieces.append(_up_to(piece if rows.start == 0 else piece[::-1], ends_px))
    nearer = int(np.argmin(np.hypot(*(ends_px - pieces[0][-1, :2]).T)))
    between = _between(
        pieces[0][-1, :2], pieces[1][-1, :2], (met.std_mm[nearer] / pixel, met.std_mm[1 - nearer] / pixel)
    )
    joined = np.vstack([pieces[0], between, pieces[1][::-1]])
    meets = np.zeros(len(joined), bool)
    meets[len(pieces[0]) : len(pieces[0]) + len(between)] = True
    points_px, std_px, shown, stained = _columns(joined)
    return FusionLine(
        side,
        calibration.to_mm(points_px),
        points_px,
        std_px * pixel,
        shown,
        marked=marked,
        meets=meets,
        stained=stained,
    )


def _columns(points: Floats) -> tuple[Points, Floats, Floats, NDArray[np.bool_]]:
    """Return place, standard uncertainty (px), confidence, and which are stained, of points (N, 5)."""
    return points[:, :2], points[:, 2], points[:, 3], points[:, 4] > 0.5


def _refined(
    window: Window, candidate: Candidate, coarse_px: Points, rows: slice, anchors: tuple[bool, bool]
) -> Floats:
    """Return rows of a path at full resolution, (N, 5): place, uncertainty, confidence, whether stained.

    What is led across a stain is less sure, but where a person's point told it.
    """
    pixel, frame, piece = window.section.resolution_mm, candidate.frame, coarse_px[rows]
    row = len(piece) // 2
    outwards = np.diff(window.to_px(frame.points[rows.start + row, [0, -1]]), axis=0)[0]
    along = piece[min(row + 3, len(piece) - 1)] - piece[max(row - 3, 0)]
    outside = 1.0 if along[0] * outwards[1] - along[1] * outwards[0] > 0 else -1.0
    reach = float(np.clip(REACH_MM / pixel, 4.0, MOST_REACH_PX))
    line = refined(
        window.gray, window.sheet, piece, float(np.sign(candidate.support.step)), reach, pixel, outside=outside,
        anchors=anchors,
    )  # fmt: skip
    share = arc_length(piece) / max(float(arc_length(piece)[-1]), 1e-9)
    at = arc_length(line.points_px) / max(float(arc_length(line.points_px)[-1]), 1e-9)
    shown = np.interp(at, share, candidate.support.confidence[rows])
    stained, known = (np.interp(at, share, told[rows]) > 0.5 for told in (candidate.stained, candidate.known))
    across_px = led_across_std(window.calibration.to_mm(line.points_px), stained) / pixel
    across_px[known] = np.minimum(across_px[known], CLICK_STD_PX)
    std_px = np.hypot(line.std_px, across_px)
    shown = np.where(stained, np.where(known, SEEN, 0.0), shown)
    return np.column_stack([line.points_px, std_px, shown, stained & ~known])


def led_across_std(points_mm: Points, hidden: NDArray[np.bool_]) -> Floats:
    """Return the standard uncertainty of a line, (N, 2), where it was led across what hides it, (N,) mm.

    It is known at both ends of such a stretch and least in its middle.
    """
    along = arc_length(points_mm)
    std = np.zeros(len(points_mm))
    for stretch in stretches(hidden):
        length = float(np.ptp(along[stretch]))
        share = (along[stretch] - along[stretch.start]) / max(length, 1e-9)
        std[stretch] = ACROSS_SHARE * length * 4.0 * share * (1.0 - share)
    return std


def _up_to(piece: NDArray[np.float64], ends_px: Points) -> NDArray[np.float64]:
    """Return points with what is known of each, (N, 2 and more), cut off where they pass the nearer of two places."""
    half = len(piece) // 2
    off = np.hypot(*np.moveaxis(piece[half:, None, :2] - ends_px[None], 2, 0))
    row, end = np.unravel_index(int(np.argmin(off)), off.shape)
    kept = piece[: half + int(row) + 1]
    last = kept[-1].copy()
    last[:2] = ends_px[end]
    # Across the line the piece itself is known better than the place, so it is only carried on to that.
    return kept if off[row, end] < CARRIED_PX else np.vstack([kept, last])


def _between(start: Points, end: Points, std_px: tuple[float, float]) -> NDArray[np.float64]:
    """Return the points between two ends, with their standard uncertainty and no confidence, (N, 5)."""
    count = max(3, math.ceil(float(np.hypot(*(end - start))) / 3.0))
    share = np.linspace(0.0, 1.0, count + 2)[1:-1]
    points = start + share[:, None] * (end - start)
    return np.column_stack([points, std_px[0] + share * (std_px[1] - std_px[0]), np.zeros((count, 2))])


def _tied(candidate: Candidate) -> Points:
    """Return a path whose known ends lie on their toes, (I, 2) mm."""
    points, frame = candidate.points_mm.copy(), candidate.frame
    for row, end in ((0, frame.first), (-1, frame.last)):
        if end is not None:
            low = int(np.clip(np.floor(end), 0, frame.points.shape[1] - 2))
            points[row] = (1 - end + low) * frame.points[row, low] + (end - low) * frame.points[row, low + 1]
    return points


def _through_clicks(candidate: Candidate, clicks: Points) -> Points:
    """Return a line from end to end through a person's points, in the order in which the frame's rows pass them."""
    frame = candidate.frame
    flat = frame.points
    rows = [int(np.argmin(np.min(np.hypot(*np.moveaxis(flat - click, 2, 0)), axis=1))) for click in clicks]
    knots = [candidate.points_mm[0], *clicks[np.argsort(rows, kind="stable")], candidate.points_mm[-1]]
    along = arc_length(np.array(knots))
    # The points themselves belong to the line.
    at = np.union1d(np.linspace(0.0, float(along[-1]), 200), along)
    return np.column_stack([np.interp(at, along, np.array(knots)[:, k]) for k in (0, 1)])
