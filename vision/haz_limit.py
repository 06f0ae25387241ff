"""The outer limit of a heat-affected zone: where, going out from a fusion line, the tone has become that of the plate.

Streaks, bands and stains of the plate stand out more than many a zone does. So the zone's end is first read off the
median tone over the whole length, at each distance from the line: the first place from where on that is the plate's.
The limit is then followed there. A zone of several tones goes on beyond its strongest limit.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from core.geometry import Points
from core.medians import median
from vision.fusion_line import Found
from vision.fusion_path import Strip, best_paths, contrast, strip, support

Floats = NDArray[np.float64]
Rows = NDArray[np.float32]

FIRST_MM = 0.2
NARROW_MM = 0.45
"""A zone narrower than about this is not told from the fusion line."""
LEAST_SCORE, LEAST_SEEN, LEAST_PLACES = 9.0, 0.7, 50
MOST_SCATTER_MM = 0.15
"""A limit that wanders by more than this about the zone's width is no limit of the zone."""
NEXT_TO_MM = 1.2
"""Up to where the zone's tone is looked for; what the plate's is lies beyond."""
MOST_STEP = 2.0
"""The step at the limit is no more than so many times the zone's tone: streaks of a plate are where a zone is faint."""
RETURNED, FOR_MM, LEAST_LEVELS = 0.35, 0.3, 3.0
"""The zone has ended where less than this share of its tone is left over so much; a zone has so many grey levels."""
WHOLLY, GRADUAL = 0.12, 0.5
"""A zone that fades ends anywhere up to where this share is left: so much of that way is a standard uncertainty."""
FLAT = 0.4
"""The plate's tone changes by no more than this share of the zone's over half of what is seen of it."""
BEFORE_MM, BEHIND_MM = 0.7, 0.5
"""The limit lies no farther than this before the end that the median tone shows, or behind it."""
CLEAR_MM, BEYOND_MM, LASTING = 0.1, 1.0, 0.4
"""What lies within a limit and what lies beyond it, so far off and over so much, differ by at least this share of the
step at the limit: at a streak of the plate the tone comes back."""
FARTHER_SHARE, APART_MM = 0.25, 0.35
"""A zone goes on beyond a limit where what follows differs from the plate by so much of the step; the next limit lies
at least so much farther out."""
STEEP = 2.5
"""A step beyond another one is this many times what the tone changes over the same distance before it."""
BLOCKED = np.float32(-12.0)


@dataclass(frozen=True, slots=True, eq=False)
class Beside:
    """What lies beside one part of a fusion line: rows lead away from it.

    Attributes
    ----------
    shown
        Tones and metal on the rows.
    places_mm
        (I, J, 2).
    line_mm
        (N, 2) the fusion line.
    length_mm
        Of the part.
    """

    shown: Strip
    places_mm: Floats
    line_mm: Points
    length_mm: float

    def stations(self, length_mm: float) -> int:
        """Return how many stations a length is, at least one."""
        return max(1, round(length_mm / self.shown.step_mm))


@dataclass(frozen=True, slots=True, eq=False)
class Limit:
    """Stations of a limit (I,), its points (I, 2) mm, the width up to it, the step of tone at it."""

    path: NDArray[np.int64]
    points_mm: Points
    width: Found
    step: float


def find_limit(beside: Beside) -> Limit | None:
    """Return the outer limit of the zone, None where none stands clear."""
    found = _end(beside)
    if found is None:
        return None
    end, faded, tone, parent = found
    station = np.arange(beside.shown.stations)
    far = (station < end - beside.stations(BEFORE_MM)) | (station > end + beside.stations(BEHIND_MM))
    limit = _clear(beside, np.where(far, BLOCKED, _scores(beside.shown)), 0)
    if limit is None or not 0 > limit.step * np.sign(tone) >= -MOST_STEP * abs(tone):
        return None
    if _goes_on(beside, limit, parent):
        limit = _farther(beside, limit, parent) or limit
    fades = max(0.0, (faded - median(limit.path)) * beside.shown.step_mm - 0.5 * FOR_MM)
    std = float(np.hypot(limit.width.std_mm, GRADUAL * fades))
    return replace(limit, width=Found(limit.width.value_mm, std))


def _farther(beside: Beside, limit: Limit, parent: float) -> Limit | None:
    """Return the next limit beyond one, None where none stands clear beyond which the plate's tone begins."""
    # The first one itself must not show any more.
    clear = limit.path + beside.stations(CLEAR_MM)
    beyond = replace(beside, shown=_beyond(beside.shown, clear))
    before = np.arange(beside.shown.stations) < (limit.path + beside.stations(APART_MM))[:, None]
    farther = _clear(beyond, np.where(before, BLOCKED, _scores(beyond.shown)), clear)
    if farther is None or abs(farther.step) < FARTHER_SHARE * abs(limit.step):
        return None
    # Far from the line most of what is seen is plate: a band of it has a limit, too, but another tone beyond.
    inner, outer = _both_sides(beside, farther.path, clear)
    return None if inner is None or outer is None or abs(outer - parent) > abs(inner - parent) else farther


def _scores(shown: Strip) -> Rows:
    """Return the contrast over noise at each station, towards brighter and towards darker, (2, I, J)."""
    found = contrast(shown)
    usable = np.abs(found[found != 0])
    if len(usable) <= LEAST_PLACES:
        return np.full((2, *found.shape), BLOCKED)
    found /= 1.4826 * median(usable) + 1e-3
    # However clear a limit is, the clearest place of each row stays the best one.
    found /= 1 + np.abs(found) / -BLOCKED
    scores = np.stack([found, -found])
    scores[..., : max(1, round((0.25 + NARROW_MM) / shown.step_mm))] = BLOCKED
    return np.asarray(scores, np.float32)


def _beyond(shown: Strip, first: NDArray[np.int64]) -> Strip:
    """Return a strip with nothing before a station of each row, (I,)."""
    inner = slice(shown.reach, shown.reach + shown.stations + 1)
    total, metal = np.diff(shown.sums[:, :, inner], axis=2)
    kept = np.where(np.arange(shown.stations) >= first[:, None], metal, 0.0).astype(np.float32)
    return strip(np.asarray(total / np.maximum(metal, 1e-6), np.float32), kept, shown.step_mm)


def _end(beside: Beside) -> tuple[int, int, float, float] | None:
    """Return where the zone's tone ends, and where nothing is left of it; what it differs from the plate's; that.

    Both are stations. None where no zone shows.
    """
    sums = beside.shown.sums[:, :, beside.shown.reach : beside.shown.reach + beside.shown.stations + 1]
    wide = beside.stations(0.5 * FOR_MM)
    total, count = sums[:, :, wide:] - sums[:, :, :-wide]
    enough = count > 0.5 * wide
    levels = np.where(enough, total / np.maximum(count, 1), np.nan)
    known = np.flatnonzero(enough.mean(axis=0) > 0.5)
    if len(known) < beside.stations(NEXT_TO_MM + NARROW_MM):
        return None
    profile = np.array([median(levels[enough[:, at], at]) for at in known])
    parent, span = _usual(profile[known > known[0] + beside.stations(NEXT_TO_MM)])
    off = profile - parent
    next_to = off[known < known[0] + beside.stations(NEXT_TO_MM)]
    tone = float(next_to[np.argmax(np.abs(next_to))])
    if abs(tone) < LEAST_LEVELS or span > FLAT * abs(tone):
        return None
    ends = [_returned(off * np.sign(tone) > share * abs(tone), beside.stations(FOR_MM)) for share in (RETURNED, WHOLLY)]
    if ends[0] is None:
        return None
    return int(known[ends[0]]), int(known[ends[0] if ends[1] is None else ends[1]]), tone, parent


def _returned(left: NDArray[np.bool_], least: int) -> int | None:
    """Return the first place from which on nothing is left for so many, None where there is none."""
    for at in range(int(np.argmax(left)), len(left) - least):
        if not left[at : at + least].any():
            return at
    return None


def _usual(levels: Floats) -> tuple[float, float]:
    """Return the middle of the shortest span of levels that holds half of them, and it: bands do not pull it."""
    ordered = np.sort(levels)
    half = (len(ordered) + 1) // 2
    first = int(np.argmin(ordered[half - 1 :] - ordered[: len(ordered) - half + 1]))
    return median(ordered[first : first + half]), float(ordered[first + half - 1] - ordered[first])


def _clear(beside: Beside, scores: Rows, first: NDArray[np.int64] | int) -> Limit | None:
    """Return the likelier of two limits that the picture supports, None where it supports neither.

    ``first`` is the station from which on there is one tone up to the limit.
    """
    if not (scores > 0).any():
        return None
    paths = best_paths(np.asarray(scores, np.float32), bend=0.4)
    for number in np.argsort(-paths.totals):
        path = paths.path(int(number))
        tested = support(beside.shown, path, beside.length_mm)
        steep = abs(tested.step) >= STEEP * tested.drift or isinstance(first, int)
        if steep and tested.score > LEAST_SCORE and tested.seen >= LEAST_SEEN:
            points = beside.places_mm[np.arange(len(path)), path]
            width = _width(points, beside)
            if width is not None and _lasting(beside, path, tested.step, first):
                return Limit(path, points, width, tested.step)
    return None


def _lasting(beside: Beside, path: NDArray[np.int64], step: float, first: NDArray[np.int64] | int) -> bool:
    """Tell whether the step of tone at a limit is one between what lies within it and what lies beyond."""
    within, beyond = _both_sides(beside, path, first)
    if within is None or beyond is None:
        return True
    return bool((beyond - within) * np.sign(step) >= LASTING * abs(step))


def _both_sides(
    beside: Beside, path: NDArray[np.int64], first: NDArray[np.int64] | int
) -> tuple[float | None, float | None]:
    """Return the tone from a first station up to a limit, and beyond that; None where too little is metal."""
    clear = beside.stations(CLEAR_MM)
    within = _mean(beside.shown, np.zeros_like(path) + first, path - clear)
    return within, _mean(beside.shown, path + clear, path + clear + beside.stations(BEYOND_MM))


def _goes_on(beside: Beside, limit: Limit, parent: float) -> bool:
    """Tell whether what follows a limit has another tone than the plate: then that is no parent metal yet."""
    clear = limit.path + beside.stations(CLEAR_MM)
    next_to = _mean(beside.shown, clear, clear + beside.stations(APART_MM))
    return next_to is not None and abs(parent - next_to) > max(FARTHER_SHARE * abs(limit.step), LEAST_LEVELS)


def _mean(shown: Strip, first: NDArray[np.int64], end: NDArray[np.int64]) -> float | None:
    """Return the median over the rows of the mean from one station up to another, None where too little is metal."""
    rows = np.arange(len(first))
    at = shown.reach + np.clip(np.stack([first, end]), 0, shown.stations)
    total, count = shown.sums[:, rows, at[1]] - shown.sums[:, rows, at[0]]
    enough = count >= 2
    if np.count_nonzero(enough) < 0.5 * len(rows):
        return None
    return median(total[enough] / count[enough])


def _width(points_mm: Points, beside: Beside) -> Found | None:
    """Return the width of a zone from the distance of its limit to the line, None where that wanders too much."""
    away = np.hypot(*np.moveaxis(points_mm[:, None] - beside.line_mm[None], 2, 0)).min(axis=1)
    middle = median(away)
    scatter = 1.4826 * median(np.abs(away - middle))
    if scatter > max(MOST_SCATTER_MM, 0.15 * middle):
        return None
    of_mean = scatter / np.sqrt(max(3.0, beside.length_mm / 0.7))
    return Found(middle, float(np.hypot(0.5 * beside.shown.step_mm, of_mean)) + 0.02)
