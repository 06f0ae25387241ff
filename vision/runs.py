"""Straight runs of an outline: the stretches that may be a plate surface, an edge or a bevel.

An outline runs with the metal on its right (clockwise when closed, x right and y up), so that air is to
the left of every run's direction and ``Line.offset`` is positive in the air.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from core.fitting import total_least_squares
from core.geometry import Line, Points, distance, step_lengths
from core.medians import median

STRAY_POINTS = 5
EMPTY_SHARE = 0.7
WIDE_STEPS = 5.0
"""Neighbours of a profile farther apart than this many usual steps have a gap between them."""

ON_ONE_LINE_DEG, HIGHEST_GRAIN, MOST_GRAIN, LEAST_BESIDE, ON_GRAIN = 1.5, 4.0, 0.03, 0.15, 2
"""Two long stretches of a closed outline (one over the other more than the fourth number) at less than
this angle are one surface where hardly a point lies off their common line, and none by more tolerances;
on the grain that parts them lie so many runs at most."""

IN_LINE_DEG, OFF_LINE, OFF_LINE_MM = 3.0, 0.04, 0.15
"""What is seen of one plate on both sides of another lies on one line: within an angle, a share of the way, and mm."""

FEWEST_OF_PART = 24
"""Steps of a part of a run that tell its line."""

MOST_CORNERS = 250
"""An outline with more corners than this is grain or foliage; there is no plate to look for."""


@dataclass(frozen=True, slots=True, eq=False)
class Run:
    """One straight stretch of an outline.

    ``start`` and ``stop`` index the outline, both included; on a closed outline ``stop`` may pass its end.
    """

    start: int
    stop: int
    line: Line
    length: float
    cut: bool

    def indices(self, count: int) -> NDArray[np.int64]:
        """Return the outline indices of the run in order."""
        return np.arange(self.start, self.stop + 1) % count


def turn_deg(first: Line, second: Line) -> float:
    """Return the turn from one direction to another, counter-clockwise positive, -180 to 180."""
    cross = first.dx * second.dy - first.dy * second.dx
    return math.degrees(math.atan2(cross, first.dx * second.dx + first.dy * second.dy))


ELSEWHERE = 10.0
"""A piece whose middle lies so many tolerances off a line is no end of that, however short."""


def goes_on(line: Line, other: Line, at: Points, away_mm: float) -> bool:
    """Tell whether a line goes on as another one, as far as a point (2,) of the first tells that lies so far away."""
    off = abs(float(other.offset(at)))
    return abs(turn_deg(line, other)) < IN_LINE_DEG and off < OFF_LINE * away_mm + OFF_LINE_MM


def straight_runs(
    points: Points, cut: NDArray[np.bool_], *, closed: bool, tolerance: float, shortest: float
) -> list[Run]:
    """Return the straight runs of an outline in order along it.

    Parameters
    ----------
    points
        (N, 2) in mm.
    cut
        (N,) bool, outline points on the border of the picture; no run crosses from cut to not cut.
    tolerance
        Largest distance of a point from the straight line, mm.
    shortest
        Runs below this length are left out, mm.
    """
    corners = _corners(points, closed, tolerance)
    if len(corners) > MOST_CORNERS:
        return []
    spans = list(pairwise(corners))
    if closed:
        spans.append((corners[-1], corners[0] + len(points)))
    pieces = [piece for start, stop in spans for piece in _split_at_cut(start, stop, cut)]
    runs = [_run(points, start, stop, is_cut) for start, stop, is_cut in pieces if stop - start >= 3]
    runs = _merge_collinear(points, runs, closed, tolerance, shortest)
    runs = [run for run in runs if run.length >= shortest]
    return _across_grains(points, runs, tolerance) if closed else runs


def _corners(points: Points, closed: bool, tolerance: float) -> list[int]:
    """Return indices of the corners of a simplified polyline (Ramer, Douglas and Peucker)."""
    work = points
    roll = 0
    if closed:
        # Start at the point farthest from the centre: certainly a corner.
        roll = int(np.argmax(np.sum((points - points.mean(axis=0)) ** 2, axis=1)))
        work = np.roll(points, -roll, axis=0)
    kept = cv2.approxPolyDP(np.ascontiguousarray(work).astype(np.float32).reshape(-1, 1, 2), tolerance, closed).reshape(
        -1, 2
    )
    # The simplified polyline keeps points as they are: find them again by value.
    # Two numbers of 32 bits are compared as one of 64.
    as_one, kept_as_one = (np.ascontiguousarray(part, np.float32).view(np.int64).ravel() for part in (work, kept))
    found = np.flatnonzero(np.isin(as_one, kept_as_one, kind="sort"))
    return sorted({int(index) for index in (found + roll) % len(points)})


def _split_at_cut(start: int, stop: int, cut: NDArray[np.bool_]) -> list[tuple[int, int, bool]]:
    flags = cut[start : stop + 1] if stop < len(cut) else cut[np.arange(start, stop + 1) % len(cut)]
    if not flags.any():
        return [(start, stop, False)]
    changes = np.flatnonzero(np.diff(flags.astype(np.int8))) + 1
    bounds = [0, *changes.tolist(), len(flags)]
    return [(start + low, start + high - 1, bool(flags[low])) for low, high in pairwise(bounds)]


def _run(points: Points, start: int, stop: int, is_cut: bool) -> Run:
    along = _along(points, start, stop)
    trim = len(along) // 20 if len(along) > 40 else 0
    line = total_least_squares(along[trim : len(along) - trim])
    (x0, y0), (x1, y1) = along[0].tolist(), along[-1].tolist()
    if (x1 - x0) * line.dx + (y1 - y0) * line.dy < 0:
        line = line.reversed()
    return Run(start, stop, line, math.hypot(x1 - x0, y1 - y0), is_cut)


def _along(points: Points, start: int, stop: int) -> Points:
    """Return the points of a stretch, ``stop`` included: of a ragged outline hundreds, and most do not pass its end."""
    return points[start : stop + 1] if stop < len(points) else points[np.arange(start, stop + 1) % len(points)]


def _merge_collinear(points: Points, runs: list[Run], closed: bool, tolerance: float, shortest: float) -> list[Run]:
    """Join neighbours that lie on one line, over nothing more than a speck between them."""
    merged = True
    apart: set[tuple[Run, Run]] = set()
    while merged and len(runs) > 1:
        merged = False
        for i in range(len(runs) if closed else len(runs) - 1):
            first, second = runs[i], runs[(i + 1) % len(runs)]
            if first.cut != second.cut or first is second or (first, second) in apart:
                continue
            # What does not join now will not join the next time around.
            apart.add((first, second))
            offset_index = second.start if second.start >= first.stop - 1 else second.start + len(points)
            shift = offset_index - second.start
            if offset_index - first.stop > 3 or abs(turn_deg(first.line, second.line)) >= 12:
                continue
            joined = _run(points, first.start, second.stop + shift, first.cut)
            along = _along(points, joined.start, joined.stop)
            trim = max(1, len(along) // 50)
            worst = np.abs(joined.line.offset(along[trim:-trim]))
            longer = max(first.length, second.length)
            allowed = 1.3 * tolerance if min(first.length, second.length) > 0.15 * longer else tolerance
            # What is trimmed off for a rounded end may be the whole of a short neighbour, which lies beyond a gap.
            shorter = first if first.length < second.length else second
            away = abs(float(joined.line.offset(shorter.line.point)))
            if float(worst.max()) <= allowed and away <= ELSEWHERE * tolerance:
                runs = [run for run in runs if run is not first and run is not second]
                runs.append(joined if joined.start < len(points) else _rebased(joined, len(points)))
                runs.sort(key=lambda run: run.start)
                merged = True
                break
    return runs


def _across_grains(points: Points, runs: list[Run], tolerance: float) -> list[Run]:
    """Join what lies on one line on both sides of a grain of the ground that joined the metal, on a closed outline."""
    count = len(points)
    for first, second in _near_neighbours(runs):
        shift = 0 if second.start >= first.stop else count
        gap, many = second.start + shift - first.stop, second.stop + shift - first.start + 1
        if first.cut or second.cut or not 0 <= gap <= MOST_GRAIN * many or many > count:
            continue
        shorter, longer = sorted((first.length, second.length))
        if shorter < LEAST_BESIDE * longer or abs(turn_deg(first.line, second.line)) >= ON_ONE_LINE_DEG:
            continue
        joined = _run(points, first.start, second.stop + shift, False)
        off = np.abs(joined.line.offset(_along(points, joined.start, joined.stop)))
        if np.mean(off > tolerance) < MOST_GRAIN and float(off.max()) <= HIGHEST_GRAIN * tolerance:
            joined = joined if joined.start < count else _rebased(joined, count)
            rest = [run for run in runs if (run.start - joined.start) % count >= joined.stop - joined.start]
            return _across_grains(points, sorted([*rest, joined], key=lambda run: run.start), tolerance)
    return runs


def _near_neighbours(runs: list[Run]) -> Iterator[tuple[Run, Run]]:
    """Yield each run with those that follow it around the outline: on a grain lie few."""
    for at, first in enumerate(runs):
        for step in range(1, min(ON_GRAIN + 2, len(runs))):
            yield first, runs[(at + step) % len(runs)]


def _rebased(run: Run, count: int) -> Run:
    return Run(run.start - count, run.stop - count, run.line, run.length, run.cut)


def _empty(between: Points, width: float) -> bool:
    """Tell whether one step makes up nearly all of a stretch."""
    return float(step_lengths(between).max()) > EMPTY_SHARE * width


def without_stray_ends(points: Points, steps: NDArray[np.float64], run: Run) -> Run:
    """Return the run of an open profile without the few points at its ends that lie beyond a gap.

    ``steps`` is the distance from each point of the profile to the next.
    """
    steps = steps[run.start : run.stop]
    if len(steps) < 4 * STRAY_POINTS:
        return run
    # No step is wide among those that are all alike: the least is no more than the usual one.
    if max(steps[:STRAY_POINTS].max(), steps[-STRAY_POINTS:].max()) <= WIDE_STEPS * steps.min():
        return run
    wide = steps > WIDE_STEPS * median(steps)
    first = int(np.flatnonzero(wide[:STRAY_POINTS])[-1]) + 1 if wide[:STRAY_POINTS].any() else 0
    last = STRAY_POINTS - int(np.argmax(wide[-STRAY_POINTS:])) if wide[-STRAY_POINTS:].any() else 0
    if not first and not last:
        return run
    return _run(points, run.start + first, run.stop - last, run.cut)


def part_of(points: Points, run: Run, first: int, last: int) -> Run | None:
    """Return the part of a run from one of its points to another, both counted from its start and included.

    None where it is no more than a guess.
    """
    if last - first < FEWEST_OF_PART:
        return None
    return _run(points, run.start + first, run.start + last, run.cut)


def bridged_runs(
    points: Points, runs: list[Run], *, closed: bool, gap: float, height: float, level: float
) -> list[Run]:
    """Join runs on one line across a gap no wider than ``gap`` and no higher than ``height`` (spatter, a pit).

    On an open profile runs are joined across any stretch without points, too: nothing there tells them apart.

    They are on one line when no end of one lies farther than ``level`` from the other: plates offset by hi-lo
    are two plates.
    """
    result = list(runs)
    changed = True
    while changed:
        changed = False
        for first in result:
            for second in result:
                if first is second or first.cut or second.cut:
                    continue
                shift = 0 if second.start > first.stop else (len(points) if closed else 0)
                start, stop = first.stop, second.start + shift
                if stop <= start or abs(turn_deg(first.line, second.line)) > 1.5:
                    continue
                between = np.arange(start, stop + 1) % len(points)
                width = distance(points[between[-1]], points[between[0]])
                too_wide = width > gap and (closed or not _empty(points[between], width))
                if too_wide or np.abs(first.line.offset(points[between])).max() > height:
                    continue
                joined = _run(points, first.start, second.stop + shift, False)
                longest, shorter = (first, second) if first.length > second.length else (second, first)
                ends = points[shorter.indices(len(points))[[0, -1]]]
                if float(np.abs(longest.line.offset(ends)).max()) > level:
                    continue
                line = longest.line
                result = [run for run in result if run is not first and run is not second]
                result.append(Run(joined.start, joined.stop, line, joined.length, False))
                result.sort(key=lambda run: run.start)
                changed = True
                break
            if changed:
                break
    return result
