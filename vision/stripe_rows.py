"""Where a laser line turns steep it is followed along the rows of the reduced frame."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.stripe_chain import LOOK_BACK, STEEP, Runs
from vision.stripe_reduced import LOCAL_SHARE, Reduced

TALL, TALL_STEEP = 4, 2
"""Light that reaches over so many rows more than the line usually does is a steep stretch of it, or, where the line
steps as far from column to column, over so many."""


@dataclass(frozen=True, slots=True, eq=False)
class Steep:
    """A place where the line goes on along the rows: from a column to a column, by way of rows."""

    before: int
    after: int
    rows: NDArray[np.int64]
    columns: NDArray[np.float64]


def steep_places(reduced: Reduced, runs: Runs, chain: NDArray[np.int64], thick: float) -> tuple[Steep, ...]:
    """Find where the line turns steep and follow it there along the rows."""
    column, start, stop = runs.column[chain], runs.start[chain], runs.stop[chain]
    centre = runs.centre[chain]
    is_near = np.diff(column) <= LOOK_BACK
    step = np.where(is_near, np.abs(np.diff(centre)), 0.0)
    is_jump = step > STEEP + thick
    # A thin line is tall where it is steep: a glint is tall, too, and leads nowhere.
    leads = np.maximum(np.append(step, 0.0), np.append(0.0, step)) > STEEP
    is_tall = stop - start > np.maximum(2.2 * thick, thick + np.where(leads, TALL_STEEP, TALL))
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
