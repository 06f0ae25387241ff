"""Where the weld metal of two fillets has run together under the plate between them.

From root to root lies either parent metal (a land) or, when both welds reach far enough, weld metal. The map of what
has the tone of weld metal between the roots tells: a band that leads from one root to the other and has a border on
both sides. The welds meet where its borders come nearest to each other; there the line of each ends.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from core.geometry import Points
from core.medians import median
from vision.fusion_band import averaged
from vision.fusion_candidate import Candidate
from vision.fusion_choice import Window, tones
from vision.fusion_frame import Frame
from vision.section import Section

Floats = NDArray[np.float64]

STEP_MM, REACH_MM = 0.1, 5.0
"""Of the map between two roots: distance of its places, and how far it reaches to both sides."""
SMOOTH_MM, OPEN_MM = 0.15, 0.4
AT_ROOT_MM = 0.8
"""What has the tone of weld metal is that of a weld where it comes this near to its root: round the heat-affected zone
parent metal of that tone may lead from root to root, too."""
LEAST_WAIST_MM, LARGEST_HOLE_MM2 = 0.6, 1.0
FARTHEST_LEGS = 2.5
"""Roots farther apart than this many legs belong to welds that cannot have met."""
DARKER_SHARE, DARKER_LEVELS = 0.35, 12.0
"""Darker than weld metal by more than this share of the way to parent metal, and than these grey levels, is a gap."""
LEAST_LEVELS = 8.0
ZONE_MM, PARENT_MM = (0.2, 0.7), (2.5, 3.5)
"""How far outside of a line the zone beside it, and parent metal, are looked at."""
TOWARDS_MIDDLE, OBLIQUE = 0.02, 0.08
"""A millimetre off the middle between the roots, or off the place opposite, counts as so many millimetres of height."""
FLAT_MM, LEAST_STD_MM = 0.25, 0.4
"""Heights that are told from each other no better than this; the best that is known of where two lines meet."""


@dataclass(frozen=True, slots=True, eq=False)
class Meeting:
    """The straight line between the two places where the fusion lines of two welds meet.

    Attributes
    ----------
    ends_mm
        (2, 2).
    std_mm
        (2,) how well each end is known along its border: where that is flat, the two lines meet at no clear place.
    """

    ends_mm: Points
    std_mm: tuple[float, float]

    @property
    def length_mm(self) -> float:
        return float(np.hypot(*(self.ends_mm[1] - self.ends_mm[0])))


def meeting(windows: Sequence[Window], likeliest: Sequence[Candidate]) -> Meeting | None:
    """Return where two fillets have run together, None where they have not or where the etch does not tell."""
    roots = [window.section.root for window in windows]
    faces = [window.section.face for window in windows]
    if roots[0] is None or roots[1] is None or faces[0] is None or faces[1] is None:
        return None
    way = roots[1] - roots[0]
    apart = float(np.hypot(*way))
    legs = [
        float(np.hypot(*(toe - root)))
        for face, root in zip(faces, roots, strict=True)
        if face is not None and root is not None
        for toe in (face.toe_left, face.toe_right)
    ]
    middles = [0.5 * (face.toe_left + face.toe_right) for face in faces if face is not None]
    outside = (middles[0] - roots[0]) @ way < 0 < (middles[1] - roots[1]) @ way
    if not outside or not 10 * STEP_MM < apart < FARTHEST_LEGS * float(np.mean(legs)):
        return None
    along, across = way / apart, np.array([-way[1], way[0]]) / apart
    at = np.arange(0.0, apart + 0.5 * STEP_MM, STEP_MM)
    beside = np.arange(-REACH_MM, REACH_MM + 0.5 * STEP_MM, STEP_MM)
    grid = roots[0] + at[:, None, None] * along + beside[None, :, None] * across
    half = len(at) // 2
    parts = [
        _welded(window, candidate, part)
        for window, candidate, part in zip(windows, likeliest, (grid[:half], grid[half:]), strict=True)
    ]
    if parts[0] is None or parts[1] is None:
        return None
    band = _band(np.vstack([parts[0], parts[1]]))
    if band is None:
        return None
    ends = _ends(band, at)
    if ends is None:
        return None
    place = [roots[0] + at[end.row] * along + beside[end.column] * across for end in ends]
    return Meeting(np.array(place), (ends[0].std_mm, ends[1].std_mm))


def _welded(window: Window, candidate: Candidate, grid: NDArray[np.float64]) -> NDArray[np.uint8] | None:
    """Return 1 where places (I, J, 2) have the tone of weld metal, None where that does not stand clear."""
    zone, parent = (median(levels) for levels in tones_outside(window, candidate))
    weld = window.sheet.core_level
    if not abs(zone - weld) > LEAST_LEVELS:
        return None
    # Parent metal with the tone of weld metal is told from it by the zone between them.
    others = [zone, parent] if abs(parent - weld) > LEAST_LEVELS else [zone]
    places = window.sheet.at(window.to_px(grid))
    smooth = np.asarray(cv2.GaussianBlur(places.tone, (0, 0), SMOOTH_MM / STEP_MM), np.float32)
    # A gap between the plates is darker than weld metal, however dark that is.
    gap = smooth < weld - max(DARKER_LEVELS, DARKER_SHARE * min(abs(other - weld) for other in others))
    welded = (places.solid > 0) & ~gap
    for other in others:
        welded &= (smooth - weld) / (other - weld) < 0.5
    return np.asarray(welded, np.uint8)


def tones_outside(window: Window, candidate: Candidate) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return the tones just outside of a line near its two toes, and those farther out."""
    count = len(candidate.stations)
    rows = np.concatenate([np.arange(count // 10, count // 3), np.arange(count - count // 3, count - count // 10)])[::2]
    stations = np.rint(candidate.stations[rows]).astype(int)[:, None]
    points = candidate.frame.points
    zone, parent = (
        points[rows[:, None], np.clip(stations + offsets, 0, points.shape[1] - 1)]
        for offsets in (
            np.unique(np.rint(np.linspace(*span, 6) / candidate.frame.step_mm).astype(int))
            for span in (ZONE_MM, PARENT_MM)
        )
    )
    return tones(window, zone), tones(window, parent)


def _band(welded: NDArray[np.uint8]) -> NDArray[np.bool_] | None:
    """Return the piece of a map (I, J) that leads from the root on its first row to that on its last one, or None."""
    size = max(1, round(OPEN_MM / STEP_MM))
    opened = cv2.morphologyEx(_without_holes(welded), cv2.MORPH_OPEN, np.ones((size, size), np.uint8))
    count, labels = cv2.connectedComponents(np.asarray(opened, np.uint8), connectivity=4)
    # The roots themselves are known to a few tenths of a millimetre.
    rim, middle, near = 4, welded.shape[1] // 2, round(AT_ROOT_MM / STEP_MM)
    roots = slice(middle - near, middle + near + 1)
    for label in range(1, count):
        piece = np.asarray(labels == label)
        if piece[:rim, roots].any() and piece[-rim:, roots].any() and piece[rim:-rim].any(axis=1).all():
            return piece
    return None


def _without_holes(welded: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return a map with small islands in what is welded filled: pores and dark grains."""
    _, labels, stats, _ = cv2.connectedComponentsWithStats(np.asarray(1 - welded, np.uint8), connectivity=4)
    small = stats[:, cv2.CC_STAT_AREA] < LARGEST_HOLE_MM2 / STEP_MM**2
    small[0] = False
    rim = np.concatenate([labels[0], labels[-1], labels[:, 0], labels[:, -1]])
    small[np.unique(rim)] = False
    return np.asarray(welded | small[labels].astype(np.uint8), np.uint8)


@dataclass(frozen=True, slots=True)
class _End:
    row: int
    column: int
    std_mm: float


def _ends(band: NDArray[np.bool_], at: Floats) -> tuple[_End, _End] | None:
    """Return the two places where the borders of a band come nearest to each other."""
    rows = np.arange(math.ceil(0.15 * len(at)), math.floor(0.85 * len(at)))
    low = band[rows].argmax(axis=1)
    high = band.shape[1] - 1 - band[rows, ::-1].argmax(axis=1)
    place = at[rows] / STEP_MM
    off_middle = TOWARDS_MIDDLE * np.abs(place - 0.5 * at[-1] / STEP_MM)
    upper, lower = averaged(high.astype(float), 1.5) + off_middle, averaged(low.astype(float), 1.5) - off_middle
    waist = upper[:, None] - lower[None, :] + OBLIQUE * np.abs(place[:, None] - place[None, :])
    top, bottom = (int(index) for index in np.unravel_index(int(np.argmin(waist)), waist.shape))
    if low[bottom] == 0 or high[top] == band.shape[1] - 1:
        # No border: what has the tone of weld metal does not end there.
        return None
    if (high[top] - low[bottom]) * STEP_MM < LEAST_WAIST_MM:
        return None
    return (
        _End(int(rows[top]), int(high[top]), _flat_std(upper, top)),
        _End(int(rows[bottom]), int(low[bottom]), _flat_std(-lower, bottom)),
    )


def _flat_std(height: Floats, at: int) -> float:
    """Return how well the lowest place of a border is known along it, mm: by how far it stays as low."""
    near = height <= height[at] + FLAT_MM / STEP_MM
    first = at - int(np.argmin(np.append(near[at::-1], False)))
    last = at + int(np.argmin(np.append(near[at:], False)))
    return max(LEAST_STD_MM, STEP_MM * (last - first) / math.sqrt(12.0))


def plate_between(own: Section, other: Section) -> Literal["left", "right"]:
    """Return on which side of a fillet the plate lies that another one is welded to from behind."""
    if own.face is None or own.root is None or other.root is None:
        raise ValueError("two fillets are needed")
    way = other.root - own.root
    along = {side: float(plate.fit.line.direction @ way) for side, plate in
             (("left", own.face.left), ("right", own.face.right))}  # fmt: skip
    return "left" if along["left"] > along["right"] else "right"


def ending_at(frame: Frame, met: Meeting) -> Frame:
    """Return a frame whose line runs along a meeting line where that lies on its rays."""
    start, end = met.ends_mm
    step = end - start
    normal = np.array([-step[1], step[0]]) / met.length_mm
    first, last = frame.points[:, 0], frame.points[:, -1]
    before, behind = (first - start) @ normal, (last - start) @ normal
    with np.errstate(divide="ignore", invalid="ignore"):
        share = before / (before - behind)
    crossing = first + share[:, None] * (last - first)
    along = (crossing - start) @ step / met.length_mm**2
    hit = (share > 0) & (share < 1) & (along > 0) & (along < 1)
    forced = np.where(hit, share * (frame.points.shape[1] - 1), np.nan)
    return replace(frame, forced=forced)
