"""Light in the columns of a reduced frame, and the chain of it that is a laser line.

Reflections, sparks and second lines give light, too: dynamic programming takes the chain that is long, bright and
unbroken.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import accumulate, pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from core.medians import median
from vision.stripe_reduced import lit_rows

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


@dataclass(frozen=True, slots=True, eq=False)
class Runs:
    """Stretches of light in columns, sorted by column and then by row."""

    column: NDArray[np.int64]
    start: NDArray[np.int64]
    stop: NDArray[np.int64]
    centre: NDArray[np.float64]
    peak: NDArray[np.float64]
    mass: NDArray[np.float64]

    def only(self, kept: NDArray[np.bool_]) -> Runs:
        """Return those that are marked (N,)."""
        return Runs(*(getattr(self, name)[kept] for name in ("column", "start", "stop", "centre", "peak", "mass")))


def runs_of(light: NDArray[np.float32], mask: NDArray[np.bool_]) -> Runs:
    """Return the stretches of light (h, w) in the columns of a mask (h, w)."""
    within = lit_rows(mask)
    rows = within.stop - within.start
    if not rows:
        none, empty = np.zeros(0, np.int64), np.zeros(0)
        return Runs(none, none, none, empty, empty, empty)
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
    return Runs(column[first], row[first], row[last] + 1, centre, peak.astype(float), mass.astype(float))


def onward(runs: Runs, quality: NDArray[np.float64], width: int) -> tuple[list[float], list[int]]:
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


def best_chain(runs: Runs, width: int) -> NDArray[np.int64]:
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
    gain, until = onward(runs, quality, width)
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


def segments_of(runs: Runs, chain: NDArray[np.int64]) -> list[tuple[int, int]]:
    """Return (first, last) positions in the chain between jumps and gaps."""
    column, start, stop = runs.column[chain], runs.start[chain], runs.stop[chain]
    apart = np.maximum(start[1:] - stop[:-1], start[:-1] - stop[1:])
    breaks = np.flatnonzero((np.diff(column) > LOOK_BACK) | (apart > STEEP)) + 1
    bounds = [0, *breaks.tolist(), len(chain)]
    return [(a, b - 1) for a, b in pairwise(bounds)]
