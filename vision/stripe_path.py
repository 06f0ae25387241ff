"""Where a laser line runs, to a few pixels: candidates in a reduced frame, linked by continuity.

Everything here works on columns; a line that runs along the columns of a picture is given as the transpose.
Reflections, sparks and second lines give candidates too: dynamic programming takes the chain that is long,
bright and unbroken, and a stretch where two chains are as good as each other is given up.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import accumulate, pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from core.medians import median
from vision.stripe_reduced import LOCAL_SHARE, Reduced, across_only, lit_rows

JUMP = 8.0
"""Columns of good line that a jump to another place must gain."""

JUMP_AFTER_GAP = 3.0
TOUCHING, SWITCH = 2, 3.0
"""Runs no farther apart than the first are the same light; columns of good line that a change from light that goes on,
or into light that comes from elsewhere, must gain."""

LOOK_BACK = 3
OPEN_COLUMNS = 80
STEEP = 3
"""A step of more than this many rows from column to column is looked at along the rows."""

ALIKE = 0.6
"""A second line of this share of the brightness, along this share of a stretch, makes it ambiguous."""

DIMMER = 0.8
"""A second line that is no brighter than this along the most of its length is told from the first."""

MOST_RUNS_A_COLUMN = 12


@dataclass(frozen=True, slots=True, eq=False)
class Steep:
    """A place where the line goes on along the rows: from a column to a column, by way of rows."""

    before: int
    after: int
    rows: NDArray[np.int64]
    columns: NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Path:
    """The course of a line over the columns of a reduced frame.

    Attributes
    ----------
    rows
        (w,) float, NaN where no line was found.
    ambiguous
        (w,) bool, columns given up because two lines are alike.
    other
        (w,) bool, columns with light that was not taken for the line.
    starts
        (w,) bool, columns where the line begins anew after a jump.
    width
        Median extent of the line across, reduced pixels.
    steep
        Where it runs along the rows.
    second
        Brightness of another line beside the one taken, as a share of its own; 0 where there is none near it.
    """

    rows: NDArray[np.float64]
    ambiguous: NDArray[np.bool_]
    other: NDArray[np.bool_]
    starts: NDArray[np.bool_]
    width: float
    steep: tuple[Steep, ...]
    second: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class _Runs:
    """Stretches of light in columns, sorted by column and then by row."""

    column: NDArray[np.int64]
    start: NDArray[np.int64]
    stop: NDArray[np.int64]
    centre: NDArray[np.float64]
    peak: NDArray[np.float64]
    mass: NDArray[np.float64]


def trace(reduced: Reduced) -> Path | None:
    """Return the course of the line over the columns, None where there is none."""
    columnwise = across_only(reduced)
    runs = _runs(columnwise.light, columnwise.mask)
    width = reduced.mask.shape[1]
    if len(runs.column) < 8 or len(runs.column) > MOST_RUNS_A_COLUMN * width:
        return None
    chain = _best_chain(runs, width)
    if len(chain) < 8:
        return None
    rows = np.full(width, np.nan)
    rows[runs.column[chain]] = runs.centre[chain]
    other = np.bincount(runs.column, minlength=width) > np.isfinite(rows)
    segments = _segments(runs, chain)
    ambiguous, second = _ambiguous(runs, chain, segments, columnwise.mask)
    extent = (runs.stop - runs.start)[chain]
    thick = median(extent)
    steep = _steep_places(reduced, runs, chain, thick)
    starts = np.zeros(width, bool)
    for first, _ in segments:
        starts[runs.column[chain[first]]] = True
    return Path(rows, ambiguous, other, starts, thick, steep, second)


def _runs(light: NDArray[np.float32], mask: NDArray[np.bool_]) -> _Runs:
    within = lit_rows(mask)
    rows = within.stop - within.start
    if not rows:
        none, empty = np.zeros(0, np.int64), np.zeros(0)
        return _Runs(none, none, none, empty, empty, empty)
    lit = np.flatnonzero(cv2.transpose(mask[within].view(np.uint8)).view(np.bool_))
    column, row = np.divmod(lit, rows)
    row += within.start
    level = light[row, column]
    first = np.flatnonzero(np.concatenate([[True], (np.diff(lit) != 1) | (np.diff(column) != 0)]))
    last = np.append(first[1:], len(lit)) - 1
    mass = np.add.reduceat(level, first)
    moment = np.add.reduceat(level * row, first)
    peak = np.maximum.reduceat(level, first)
    centre = (moment / mass).astype(float)
    return _Runs(column[first], row[first], row[last] + 1, centre, peak.astype(float), mass.astype(float))


def _onward(runs: _Runs, quality: NDArray[np.float64], width: int) -> tuple[list[float], list[int]]:
    """Return what going on from the run before gains each run, and for each column where going on ends.

    From one column to the next the light goes on where each has one run, the two touch, and it gains something; a
    column's number is that of the first column to the right where that is no longer so.
    """
    gain = quality.copy()
    gain[1:] -= 0.02 * np.abs(np.diff(runs.centre))
    single = np.bincount(runs.column, minlength=width) == 1
    touch = (runs.start[1:] - runs.stop[:-1] <= 2) & (runs.start[:-1] - runs.stop[1:] <= 2) & (gain[1:] > 0)
    goes_on = np.zeros(width, bool)
    goes_on[runs.column[1:][touch]] = True
    goes_on[1:] &= single[1:] & single[:-1]
    goes_on[0] = False
    stops = np.append(np.flatnonzero(~goes_on), width)
    return gain.tolist(), stops[np.searchsorted(stops, np.arange(width))].tolist()


def _best_chain(runs: _Runs, width: int) -> NDArray[np.int64]:
    """Return indices of the runs of the best chain, left to right (Viterbi over columns)."""
    begins = np.flatnonzero(np.diff(runs.column, prepend=-1))
    reference = median(np.maximum.reduceat(runs.peak, begins))
    extent = runs.stop - runs.start
    usual = max(3.0, median(extent))
    # Twice as thick as usual is a slope or a glow: it counts less.
    quality = np.minimum(1.0, runs.peak / reference) * np.minimum(1.0, 2.5 * usual / extent)
    score = quality.tolist()
    centre, column = runs.centre.tolist(), runs.column.tolist()
    first_of = np.searchsorted(runs.column, np.arange(width + 1)).tolist()
    total = [0.0] * len(score)
    back = [-1] * len(score)
    far_best, far_index = 0.0, -1
    continued = [False] * len(score)
    ends: list[int] = []
    low, high = runs.start.tolist(), runs.stop.tolist()
    gain, until = _onward(runs, quality, width)
    i = passed = 0
    while i < len(score):
        c = column[i]
        # What nothing went on from when it fell out of the look-back is an end.
        left = range(passed, first_of[max(0, c - LOOK_BACK)])
        ends = [j for j in (*ends, *(j for j in left if not continued[j])) if c - column[j] <= OPEN_COLUMNS][-24:]
        passed = left.stop
        if until[c] > c and total[i - 1] >= far_best:
            # The usual case, written out: one run goes on from one run, and nothing better lies behind.
            last = i + until[c] - c
            total[i:last] = list(accumulate(gain[i:last], initial=total[i - 1]))[1:]
            back[i:last] = range(i - 1, last - 1)
            continued[i - 1 : last - 1] = [True] * (last - i)
            far_best, far_index = total[last - 1], last - 1
            i = last
            continue
        here = range(i, first_of[c + 1])
        behind = range(first_of[max(0, c - LOOK_BACK)], here.start)
        # A run that touches is the same light, however far apart the middles are.
        apart = {(i, j): max(0, low[i] - high[j], low[j] - high[i]) for i in here for j in behind}
        touching = [pair for pair, rows in apart.items() if rows <= TOUCHING]
        joined = {i for i, _ in touching}
        for _, j in touching:
            continued[j] = True
        for i in here:
            value, origin, near = 0.0, -1, i in joined
            for j in behind:
                cost = 0.15 * apart[i, j] + 0.02 * abs(centre[i] - centre[j]) + 0.1 * (c - column[j] - 1)
                if apart[i, j] > TOUCHING:
                    # Light that goes on is not left for other light beside it, nor entered from there, for little.
                    cost += SWITCH * (near + continued[j])
                if cost < JUMP and total[j] - cost > value:
                    value, origin = total[j] - cost, j
            if not near:
                for j in ends:
                    cost = min(JUMP, JUMP_AFTER_GAP + 0.1 * abs(centre[i] - centre[j]))
                    if total[j] - cost > value:
                        value, origin = total[j] - cost, j
            if far_index >= 0 and far_best - JUMP > value:
                value, origin = far_best - JUMP, far_index
            total[i], back[i] = value + score[i], origin
        # Jumps leave from what lies behind the look-back, so that a step within it pays its own cost.
        for j in here:
            if total[j] > far_best:
                far_best, far_index = total[j], j
        i = here.stop
    index = int(np.argmax(total)) if total else -1
    chain: list[int] = []
    while index >= 0:
        chain.append(index)
        index = back[index]
    return np.array(chain[::-1], np.int64)


def _segments(runs: _Runs, chain: NDArray[np.int64]) -> list[tuple[int, int]]:
    """Return (first, last) positions in the chain between jumps and gaps."""
    column, start, stop = runs.column[chain], runs.start[chain], runs.stop[chain]
    apart = np.maximum(start[1:] - stop[:-1], start[:-1] - stop[1:])
    breaks = np.flatnonzero((np.diff(column) > LOOK_BACK) | (apart > STEEP)) + 1
    bounds = [0, *breaks.tolist(), len(chain)]
    return [(a, b - 1) for a, b in pairwise(bounds)]


def _ambiguous(
    runs: _Runs, chain: NDArray[np.int64], segments: list[tuple[int, int]], mask: NDArray[np.bool_]
) -> tuple[NDArray[np.bool_], float]:
    """Mark the stretches along which another line is as good as the one taken, and tell how bright a dimmer one is."""
    width = mask.shape[1]
    result = np.zeros(width, bool)
    chosen = np.zeros(len(runs.column), bool)
    chosen[chain] = True
    peak = np.zeros(width)
    peak[runs.column[chain]] = runs.peak[chain]
    mass = np.zeros(width)
    mass[runs.column[chain]] = runs.mass[chain]
    rival = ~chosen & (runs.peak > ALIKE * peak[runs.column]) & (peak[runs.column] > 0)
    if not rival.any():
        return result, 0.0
    # Pieces of light that hang together: several short ones beside a long line are no second line.
    _, labels = cv2.connectedComponents(mask.astype(np.uint8), connectivity=8)
    label = labels[runs.start, runs.column]
    second = 0.0
    for first, last in segments:
        low, high = int(runs.column[chain[first]]), int(runs.column[chain[last]]) + 1
        within = rival & (runs.column >= low) & (runs.column < high)
        if not within.any():
            continue
        pieces = np.bincount(label[within])
        if int(pieces.max()) <= ALIKE * (high - low):
            continue
        longest = within & (label == int(np.argmax(pieces)))
        # The brightest of a few reduced pixels depends on where the line lies between them, their sum does not.
        share = median(runs.mass[longest] / mass[runs.column[longest]])
        if share > DIMMER:
            result[low:high] = True
        else:
            second = max(second, share)
    return result, second


def _steep_places(reduced: Reduced, runs: _Runs, chain: NDArray[np.int64], thick: float) -> tuple[Steep, ...]:
    """Find where the line turns steep and follow it there along the rows."""
    column, start, stop = runs.column[chain], runs.start[chain], runs.stop[chain]
    centre = runs.centre[chain]
    is_tall = stop - start > max(2.2 * thick, thick + 4)
    is_near = np.diff(column) <= LOOK_BACK
    is_jump = is_near & (np.abs(np.diff(centre)) > STEEP + thick)
    if not (is_tall.any() or is_jump.any()):
        return ()
    tall, near, jump = is_tall.tolist(), is_near.tolist(), [*is_jump.tolist(), False]
    places: list[Steep] = []
    position = 0
    while position < len(chain):
        if not (tall[position] or jump[position]):
            position += 1
            continue
        first = last = position
        while last < len(chain) - 1 and near[last] and (tall[last + 1] or (jump[last] and not tall[last])):
            last += 1
            if not tall[last] and not jump[last]:
                break
        position = last + 1
        before = first if not tall[first] else first - 1 if first and near[first - 1] else None
        after = last if not tall[last] else last + 1 if last < len(chain) - 1 and near[last] else None
        anchors = [centre[i] for i in (before, after) if i is not None]
        # The rim of a stretch of line is part of the steep place: it ends there.
        if before is not None and (before == 0 or not near[before - 1]):
            first, before = before, None
        if after is not None and (after == len(chain) - 1 or not near[after]):
            last, after = after, None
        if before is None and after is None:
            continue
        down = centre[last if after is None else after] > centre[first if before is None else before]
        if len(anchors) == 2 and abs(anchors[0] - anchors[1]) < STEEP:
            continue
        row_a = float(centre[before]) if before is not None else float(start[first] if down else stop[first] - 1)
        row_b = float(centre[after]) if after is not None else float(stop[last] - 1 if down else start[last])
        column_a = int(column[before]) if before is not None else int(column[first]) - 1
        column_b = int(column[after]) if after is not None else int(column[last]) + 1
        place = _follow_rows(reduced, (column_a, row_a), (column_b, row_b))
        if place is not None and not _goes_back(place, column, start, stop):
            places.append(place)
    return tuple(places)


def _goes_back(place: Steep, column: NDArray[np.int64], start: NDArray[np.int64], stop: NDArray[np.int64]) -> bool:
    """Tell whether a steep stretch is only the line met again: beside a jump its own end is the nearest light."""
    at = np.rint(place.columns).astype(int)
    index = np.clip(np.searchsorted(column, at), 0, len(column) - 1)
    same = (column[index] == at) & (place.rows >= start[index] - 1) & (place.rows <= stop[index])
    outside = (at <= place.before) | (at >= place.after)
    return float(np.mean(same & outside)) > 0.3


def _follow_rows(reduced: Reduced, begin: tuple[int, float], end: tuple[int, float]) -> Steep | None:
    """Follow the light from one place (column, row) to another row by row."""
    (column_a, row_a), (column_b, row_b) = begin, end
    down = 1 if row_b > row_a else -1
    rows = np.arange(round(row_a), round(row_b) + down, down)
    reach = 6 + abs(column_b - column_a) + len(rows) // 2
    low, high = max(0, column_a - reach), min(reduced.mask.shape[1], column_b + reach + 1)
    found_rows, found_columns = [], []
    expected = float(column_a)
    for row in rows.tolist():
        light = reduced.light[row, low:high]
        lit = reduced.mask[row, low:high] & (light > LOCAL_SHARE * float(light.max()))
        edges = np.flatnonzero(np.diff(np.concatenate([[0], lit.astype(np.int8), [0]])))
        best: float | None = None
        for first, stop in edges.reshape(-1, 2).tolist():
            weight = light[first:stop]
            middle = low + float((weight * np.arange(first, stop)).sum() / weight.sum())
            if best is None or abs(middle - expected) < abs(best - expected):
                best = middle
        if best is None or abs(best - expected) > 4 + 0.5 * abs(column_b - column_a):
            continue
        expected = best
        found_rows.append(row)
        found_columns.append(best)
    if len(found_rows) < 2:
        return None
    return Steep(column_a, column_b, np.array(found_rows), np.array(found_columns))
