"""Pictures without the lines of a ruled ground: squared and lined paper, cutting mats.

Where a line ends at a section, or runs along it, an outline follows the line instead of the metal. Lines are thinner
than any section: a grey-scale closing (or opening, where lines are lighter than their ground) fills them with what lies
beside them (J. Serra, Image Analysis and Mathematical Morphology, 1982) and leaves the edge of what is wide in place.
A line that touches the edge it runs along is not thin there: the outline is bridged from where they meet to where they
part. An edge that a line can run along is as straight as the line.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from core.medians import median
from vision.outline import Outline

Gray = NDArray[np.uint8]

WIDEST_SHARE, LEAST_WIDTH_PX = 0.003, 5
"""Width a line may have, as a share of the picture's long side."""

STRIPS, STRIP_WIDTHS = 4, 9
"""Strips of the picture that are looked at for lines across them, each way, and their breadth in widths of a line."""

LEAST_LINES, LEAST_LENGTH = 3, 0.4
"""Lines that have to cross most of the strips of one way, and the picture, and the length of one over the breadth of a
strip: a line the other way cuts it in two."""

LEAST_LEVELS, GRAINS = 8.0, 5.0
"""What a line differs by from its ground, in grey levels and in what grain gives."""

BESIDE_PX, GAP_PX = 2.0, 3.0
"""How far beyond a line its blur reaches, and what is left between two stretches that are bridged as one."""

SHORTEST_PIECE = 4
"""Length of a piece of a line that tells where the line lies, in widths of a line."""

SPREAD, ASKEW, APART_PX = 0.06, 0.02, 3.0
"""Slopes of one ruling seen askew lie within so much of each other; pieces belong to it if theirs differ by less from
what the others lead to, and to one line if they lie so near."""

NEAR_BORDER = 0.2
"""A line leads to a border if it is seen within this share of the picture from it."""


@dataclass(frozen=True, slots=True, eq=False)
class Ruling:
    """The lines of a ruled ground.

    Attributes
    ----------
    gray
        (H, W), the picture without them.
    lines_px
        (N, 5): a point of each line, the unit vector along it and its width.
    """

    gray: Gray
    lines_px: NDArray[np.float64]


def find_ruling(gray: Gray) -> Ruling | None:
    """Return the thin lines that cross all of a picture, None where there are none."""
    width_px = max(LEAST_WIDTH_PX, round(WIDEST_SHARE * max(gray.shape))) // 2 * 2 + 1
    for fill, residue in ((cv2.MORPH_CLOSE, cv2.MORPH_BLACKHAT), (cv2.MORPH_OPEN, cv2.MORPH_TOPHAT)):
        level = _line_level(gray, width_px, residue)
        lines = np.empty((0, 5)) if level is None else _lines(gray, width_px, residue, level)
        if level is not None and len(lines) >= LEAST_LINES:
            disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (width_px, width_px))
            filled = cv2.morphologyEx(gray, fill, disc)
            # Beyond the lines the picture stays as it is: the operation shifts what is only grain.
            line = cv2.dilate(_above(cv2.absdiff(filled, gray), level), np.ones((3, 3), np.uint8))
            return Ruling(np.asarray(np.where(line > 0, filled, gray), np.uint8), lines)
    return None


def bridged(outline: Outline, ruling: Ruling | None) -> Outline:
    """Return an outline with chords in place of what runs along the lines of the ground."""
    if ruling is None:
        return outline
    points = outline.points_px
    over = np.zeros(len(points), bool)
    for x, y, dx, dy, width in ruling.lines_px:
        over |= np.abs((points[:, 0] - x) * dy - (points[:, 1] - y) * dx) < 0.5 * width + BESIDE_PX
    return with_chords(outline, over)


def with_chords(outline: Outline, over: NDArray[np.bool_]) -> Outline:
    """Return an outline with a chord in place of each stretch that is marked in ``over``, (N,)."""
    points = outline.points_px
    moved, lengths = points.copy(), np.zeros(len(points))
    for start, stop in _stretches(over & ~outline.cut, round(GAP_PX / outline.step_px)):
        index = np.arange(start - 1, stop + 2) % len(points)
        share = np.linspace(0.0, 1.0, len(index))[:, None]
        moved[index] = points[index[0]] * (1 - share) + points[index[-1]] * share
        lengths[index] = np.hypot(*(points[index[-1]] - points[index[0]]))
    return replace(outline, points_px=moved, bridged_px=lengths)


def _stretches(marked: NDArray[np.bool_], gap: int) -> list[tuple[int, int]]:
    """Return the first and the last place of each stretch of a ring, short gaps closed; the last may lie beyond it."""
    if marked.all() or not marked.any():
        return []
    count = len(marked)
    first = int(np.flatnonzero(~marked & np.roll(~marked, 1))[0]) if (~marked & np.roll(~marked, 1)).any() else 0
    places = np.flatnonzero(np.roll(marked, -first))
    ends = np.flatnonzero(np.diff(places) > max(gap, 1))
    starts = places[np.concatenate([[0], ends + 1])]
    stops = places[np.concatenate([ends, [len(places) - 1]])]
    return [(int(a) + first, int(b) + first) for a, b in zip(starts, stops, strict=True) if b - a < count - 2]


def _line_level(gray: Gray, width_px: int, residue: int) -> float | None:
    """Return how far lines differ from what is beside them, None where no lines cross the picture."""
    breadth = STRIP_WIDTHS * width_px
    counts: list[float] = []
    levels: list[float] = []
    if min(gray.shape) < 2 * breadth:
        return None
    for turned in (False, True):
        tops = np.linspace(0, gray.shape[1 if turned else 0] - breadth, STRIPS).astype(int)
        found: list[tuple[int, float]] = []
        # From the middle on: where two strips show no line most do not.
        for top in sorted(tops.tolist(), key=lambda top: abs(top - float(tops.mean()))):
            strip = cv2.transpose(gray[:, top : top + breadth]) if turned else gray[top : top + breadth]
            found.append(_lines_across(np.asarray(strip, np.uint8), width_px, residue))
            if len(found) == 2 and not any(count for count, _ in found):
                break
        counts.append(median([count for count, _ in found]))
        levels.extend(level for count, level in found if count)
    return min(levels) if max(counts) >= LEAST_LINES else None


def _lines_across(strip: Gray, width_px: int, residue: int) -> tuple[int, float]:
    """Return how many thin lines cross a strip from top to bottom, and by what they are told from grain."""
    thin = cv2.morphologyEx(strip, residue, np.ones((1, width_px), np.uint8))
    level = max(LEAST_LEVELS, GRAINS * median(thin[::6, ::6]))
    lit = _above(thin, level)
    least = LEAST_LENGTH * len(strip)
    if cv2.countNonZero(lit) < LEAST_LINES * least or cv2.countNonZero(_in_columns(lit)) < LEAST_LINES * least:
        return 0, level
    _, _, stats, _ = cv2.connectedComponentsWithStats(lit)
    height, area = stats[1:, cv2.CC_STAT_HEIGHT], stats[1:, cv2.CC_STAT_AREA]
    return int(np.count_nonzero((height >= least) & (area <= width_px * height))), level


def _in_columns(lit: Gray) -> Gray:
    """Return what goes on above and below, straight on or one place aside: grain, dear to take apart, does not."""
    beside = np.asarray(cv2.dilate(lit, np.ones((1, 3), np.uint8), borderType=cv2.BORDER_REPLICATE), np.uint8)
    kept = lit.copy()
    kept[1:] &= beside[:-1]
    kept[:-1] &= beside[1:]
    return np.asarray(kept, np.uint8)


def _lines(gray: Gray, width_px: int, residue: int, level: float) -> NDArray[np.float64]:
    """Return the lines that cross the picture from border to border, (N, 5): one shut in by metal is a gap in it."""
    down = _lines_down(gray, width_px, residue, level)
    right = _lines_down(np.ascontiguousarray(gray.T), width_px, residue, level)
    return np.vstack([down, right[:, [1, 0, 3, 2, 4]]])


def _lines_down(gray: Gray, width_px: int, residue: int, level: float) -> NDArray[np.float64]:
    """Return the lines that lead from the top of a picture to its bottom, (N, 5)."""
    thin = cv2.morphologyEx(gray, residue, np.ones((1, width_px), np.uint8))
    _, pieces, stats, _ = cv2.connectedComponentsWithStats(_above(thin, level))
    height, area = stats[:, cv2.CC_STAT_HEIGHT], stats[:, cv2.CC_STAT_AREA]
    slender = (height >= SHORTEST_PIECE * width_px) & (area <= 1.5 * width_px * height)
    slender[0] = False
    found = [_piece(np.asarray(pieces, np.int32), stats[number], int(number)) for number in np.flatnonzero(slender)]
    # Of each: middle across and down, slope, length, width.
    piece = np.array(found).reshape(-1, 5)
    slope = _slopes(piece) if found else np.empty(0)
    alike = np.abs(piece[:, 2] - slope) < ASKEW
    piece, slope = piece[alike], slope[alike]
    if len(piece) == 0:
        return np.empty((0, 5))
    foot = piece[:, 0] - slope * (piece[:, 1] - 0.5 * len(gray))
    order = np.argsort(foot)
    groups = np.split(order, np.flatnonzero(np.diff(foot[order]) > APART_PX) + 1)
    feet = np.array([np.average(foot[group], weights=piece[group, 3]) for group in groups])
    crossing = np.array([_crosses(piece[group], len(gray)) for group in groups])
    crossing |= _in_step(feet, feet[crossing])
    chosen = [(piece[group], float(slope[group].mean())) for group, led in zip(groups, crossing, strict=True) if led]
    return np.array([_line_through(same, near) for same, near in chosen]).reshape(-1, 5)


def _crosses(same: NDArray[np.float64], height: int) -> bool:
    """Tell whether pieces of one line lead from the top of a picture to its bottom."""
    top, bottom = (same[:, 1] - 0.5 * same[:, 3]).min(), (same[:, 1] + 0.5 * same[:, 3]).max()
    return bool(top <= NEAR_BORDER * height and bottom >= (1 - NEAR_BORDER) * height)


def _in_step(feet: NDArray[np.float64], known: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Tell which lines lie where an even ruling has one: metal that is cut by the border hides an end of them."""
    if len(known) < LEAST_LINES:
        return np.zeros(len(feet), bool)
    step = float(np.median(np.diff(np.sort(known))))
    nearest = known[np.abs(feet[:, None] - known[None]).argmin(axis=1)]
    off = (feet - nearest + 0.5 * step) % step - 0.5 * step
    return np.asarray(np.abs(off) < APART_PX)


def _line_through(same: NDArray[np.float64], near: float) -> tuple[float, ...]:
    """Return the line through its pieces; ``near`` is its slope where a single piece tells none."""
    x, y = np.average(same[:, :2], axis=0, weights=same[:, 3])
    far = same[:, 1] - y
    spread = float(np.sum(same[:, 3] * far**2))
    slope = float(np.sum(same[:, 3] * far * (same[:, 0] - x))) / spread if spread > 0 else near
    length = float(np.hypot(slope, 1.0))
    return float(x), float(y), slope / length, 1.0 / length, float(np.median(same[:, 4]))


def _slopes(piece: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the slope a line of the ruling has where each piece lies: seen askew, lines meet in a far point."""
    weights = piece[:, 3] ** 1.5
    design = np.column_stack([np.ones(len(piece)), piece[:, 0] - piece[:, 0].mean()])
    model = np.full(len(piece), np.median(piece[:, 2]))
    for _ in range(3):
        near = weights * (np.abs(piece[:, 2] - model) < SPREAD)
        if np.count_nonzero(near) < LEAST_LINES:
            break
        model = design @ np.linalg.lstsq(design * near[:, None], piece[:, 2] * near, rcond=None)[0]
    return np.asarray(model)


def _piece(pieces: NDArray[np.int32], stats: NDArray[Any], number: int) -> tuple[float, ...]:
    left, top, width, height, area = stats.tolist()
    rows, columns = np.nonzero(pieces[top : top + height, left : left + width] == number)
    middle = rows.mean()
    slope, across = np.polyfit(rows - middle, columns, 1)
    return left + float(across), top + float(middle), float(slope), height, area / height


def _above(values: NDArray[Any], level: float) -> Gray:
    return np.asarray(cv2.threshold(values, level, 255, cv2.THRESH_BINARY)[1], np.uint8)
