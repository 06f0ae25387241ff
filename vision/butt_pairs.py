"""Recognise butt welds on an outline: pairs of straight runs nearly in line, with a bead or a hollow between them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from core.fitting import robust_line
from core.geometry import Points, diagonal, step_lengths
from core.medians import median
from vision.joints import FilletPair, opposite_run, path_between
from vision.runs import Run, turn_deg

MOST_RISE, MOST_RISE_MM = 0.3, 1.0
"""Height of a butt weld's face above its chord: ISO 5817 allows 1 mm + 0.25 of its width at its lowest level D."""
LEAST_DEPARTURE_MM = 0.03
"""A plate that wanders less than this about its line has not been left."""
ENOUGH_POINTS = 200
"""Points that tell the line of a run."""
LEAST_BUTT = 2.0
"""Score of a pair that is taken for the plates of a butt weld; each twelfth of the part that the shorter
plate is long counts one, a bead one more."""
WIDEST_BUTT, SHORTEST_PLATE = 0.6, 0.35
"""A bead is no wider than this share of the part, its plates no shorter than this share of its width."""
SHORT_PLATE, FACET_DEG = 0.5, 5.0
"""What is no longer than this share of a bead beside it, and leans by more than this against the surface on its plate's
other side, is a facet of the bead."""
FREE_EDGE_MM, FREE_EDGE_STEEP = 2.0, 2.5
"""A step from point to point of an open outline, and its height over its width, that is the free edge of a plate."""
NEAR_ENOUGH, TRIMMED_TURN_DEG = 0.9, 15.0
"""A plate that is cut where the face comes off it is no longer than before, but for how straight it is, and its line
turns by less than this."""
LEAST_STEP_MM, IN_LINE = 1.5, 0.4
"""Plates are offset by less than this, or by less than this share of the step to another part."""
BUTT_TURN_DEG = 28.0
"""Plates of a butt weld may peak by up to this angle."""


@dataclass(frozen=True, slots=True, eq=False)
class ButtPair:
    """Two plate runs in outline order, nearly in line, with a bead (or a hollow) between them.

    ``rise`` is the greatest signed departure of the face from the chord between the runs' ends. ``beyond_first`` and
    ``beyond_second`` are the surfaces of plates whose tapers towards the weld are ``first`` and ``second``; with
    ``doubt_first`` or ``doubt_second`` a taper may be hidden in the face beside that plate.
    """

    first: Run
    second: Run
    width: float
    rise: float
    score: float
    beyond_first: Run | None = None
    beyond_second: Run | None = None
    doubt_first: bool = False
    doubt_second: bool = False

    @property
    def surface_first(self) -> Run:
        """The surface of the first plate, beyond its taper where it has one."""
        return self.beyond_first or self.first

    @property
    def surface_second(self) -> Run:
        """The surface of the second plate, beyond its taper where it has one."""
        return self.beyond_second or self.second


def butt_pairs(
    points: Points, cut: NDArray[np.bool_], runs: list[Run], *, closed: bool, smallest_rise: float, trim: bool
) -> list[ButtPair]:
    """Return pairs of nearly aligned plate runs with a bead or hollow between them, best first.

    Only those whose shorter plate is long enough for a score over `LEAST_BUTT`.
    """
    found = []
    plates = [run for run in runs if not run.cut]
    extent = diagonal(points)
    # Of the many short runs of a ragged outline none is the plate of a pair that is kept.
    long = [i for i, run in enumerate(plates) if 12.0 * run.length > (LEAST_BUTT - 1.0) * NEAR_ENOUGH * extent]
    # A face that comes off its plate gently shares a run with it; only the plate's own stretch is kept. On an open
    # outline nothing follows the last run and nothing comes before the first: they keep the ends that none meets.
    last = len(plates) if closed else len(plates) - 1
    before = cache(lambda i: trimmed_run(points, plates[i], at_stop=True) if trim and i < last else plates[i])
    after = cache(lambda i: trimmed_run(points, plates[i], at_stop=False) if trim and (i or closed) else plates[i])
    for i in long:
        for j in long:
            if i == j or (j < i and not closed) or not _may_be_butt(points, plates[i], plates[j], extent):
                continue
            first, second = before(i), after(j)
            if abs(turn_deg(first.line, second.line)) > BUTT_TURN_DEG:
                continue
            pair = butt_between(points, cut, first, second, closed, smallest_rise, extent)
            if pair is not None and pair.score > LEAST_BUTT:
                found.append(pair)
    if not closed:
        found = [pair for pair in found if not any(_steps_to(points, pair, other) for other in found)]
    found.sort(key=lambda pair: -pair.score)
    chosen: list[ButtPair] = []
    for pair in found:
        if all(pair.first is not other.first and pair.second is not other.second for other in chosen):
            chosen.append(pair)
    return chosen


def _steps_to(points: Points, outer: ButtPair, inner: ButtPair) -> bool:
    """Tell whether a pair leaves out a plate that is in line with its other plate, for one that a step parts from it.

    What is left out is the plate, and what was taken for it a bench or a part upon the plate.
    """
    if outer.first is inner.first:
        within = inner.second.stop <= outer.second.start
        steps = [abs(float(outer.first.line.offset(points[pair.second.start]))) for pair in (outer, inner)]
    elif outer.second is inner.second:
        within = inner.first.start >= outer.first.stop
        steps = [abs(float(outer.second.line.offset(points[pair.first.stop]))) for pair in (outer, inner)]
    else:
        return False
    return within and steps[0] > LEAST_STEP_MM and steps[1] < IN_LINE * steps[0]


def _may_be_butt(points: Points, first: Run, second: Run, extent: float) -> bool:
    """Tell whether two runs may be plates once they are trimmed: they are no longer then, and no nearer."""
    if abs(turn_deg(first.line, second.line)) > BUTT_TURN_DEG + TRIMMED_TURN_DEG:
        return False
    width = NEAR_ENOUGH * math.dist(points[second.start % len(points)], points[first.stop % len(points)])
    return width <= WIDEST_BUTT * extent and min(first.length, second.length) >= SHORTEST_PLATE * width * NEAR_ENOUGH


def trimmed_run(points: Points, run: Run, *, at_stop: bool) -> Run:
    """Return the run without the part at one end that leaves the line of the rest."""
    index = run.indices(len(points))
    along = points[index] if at_stop else points[index][::-1]
    outer = along[len(along) // 20 : round(0.6 * len(along))]
    if len(outer) < 30:
        return run
    # Where a stretch that is straight already begins to bend shows in some of its points.
    outer = outer[:: max(1, len(outer) // ENOUGH_POINTS)]
    noise = max(median(np.abs(run.line.offset(outer))), 1e-4)
    fit = robust_line(outer, noise, hypotheses=50, near=run.line)
    line = fit.line if fit.line.direction @ run.line.direction > 0 else fit.line.reversed()
    beyond = np.abs(line.offset(along)) > max(8.0 * fit.residual_std, LEAST_DEPARTURE_MM)
    on_line = np.flatnonzero(~beyond)
    lost = len(along) - 1 - int(on_line[-1]) if len(on_line) else 0
    if lost < 4:
        return run
    start, stop = (run.start, run.stop - lost) if at_stop else (run.start + lost, run.stop)
    length = float(np.hypot(*(points[stop % len(points)] - points[start % len(points)])))
    return Run(start, stop, line, length, run.cut)


def butt_between(
    points: Points,
    cut: NDArray[np.bool_],
    first: Run,
    second: Run,
    closed: bool,
    smallest_rise: float,
    extent: float,
    *,
    shortest_plate: float = SHORTEST_PLATE,
) -> ButtPair | None:
    """Return the pair of two runs of an outline whose size is ``extent``, None where no weld can be between them."""
    # What the ends tell comes first: most pairs are no weld, and a face has many points.
    chord = points[second.start % len(points)] - points[first.stop % len(points)]
    width = math.hypot(*chord)
    if width < 1e-6 or width > WIDEST_BUTT * extent or min(first.length, second.length) < shortest_plate * width:
        return None
    direction = chord / width
    if direction @ first.line.direction < 0.5 or direction @ second.line.direction < 0.5:
        return None
    path = path_between(points, first, second, closed=closed)
    if path is None or len(path) < 4 or cut[path].any():
        return None
    face = points[path]
    normal = np.array([-direction[1], direction[0]])
    offset = (face - face[0]) @ normal
    rise = float(offset[np.argmax(np.abs(offset))])
    if not closed and _has_free_edge(face @ direction, offset):
        return None
    step = abs(float(first.line.offset(points[path[-1]])))
    if abs(rise) < smallest_rise and step < 2 * smallest_rise:
        return None
    if abs(rise) > 0.7 * width or width < 4 * smallest_rise:
        return None
    length = float(step_lengths(face).sum())
    if length > 2.2 * width:
        return None
    # Plates offset by more than this are not a butt joint; a hollow deeper than that is a notch.
    if step > 0.4 * width or rise < -0.3 * width:
        return None
    # The shorter plate decides: a facet of the face beside one plate must not pass for the other.
    shorter = min(first.length, second.length)
    return ButtPair(first, second, width, rise, min(12.0 * shorter / extent, 5.0) + (1.0 if rise > 0 else 0.0))


def _has_free_edge(along: NDArray[np.float64], offset: NDArray[np.float64]) -> bool:
    """Tell whether a face rises or falls at once as no weld does: it is a part that lies on a bench."""
    jump = np.abs(np.diff(offset))
    return bool(np.any((jump > FREE_EDGE_MM) & (jump > FREE_EDGE_STEEP * np.abs(np.diff(along)))))


def root_pair(
    points: Points, cut: NDArray[np.bool_], runs: list[Run], face: ButtPair, *, closed: bool
) -> ButtPair | None:
    """Return the pair on the other side of a butt weld's plates, None where they are one run or cut away."""
    first = opposite_run(points, face.surface_second, runs)
    second = opposite_run(points, face.surface_first, runs)
    if first is None or second is None or first is second:
        return None
    first, second = trimmed_run(points, first, at_stop=True), trimmed_run(points, second, at_stop=False)
    bead = bead_between(points, cut, first, second, closed=closed)
    if bead is None:
        return None
    _, width, rise = bead
    if width > 2.0 * face.width:
        return None
    if is_facet(first, face.surface_second, width) or is_facet(second, face.surface_first, width):
        return None
    return ButtPair(first, second, width, rise, 0.0)


def bead_between(
    points: Points, cut: NDArray[np.bool_], first: Run, second: Run, *, closed: bool
) -> tuple[Points, float, float] | None:
    """Return the outline between two runs, the width of its chord and its greatest signed departure from that.

    None where it is cut away, or leads back.
    """
    path = path_between(points, first, second, closed=closed)
    if path is None or len(path) < 4 or cut[path].any():
        return None
    bead = points[path]
    chord = bead[-1] - bead[0]
    width = float(np.hypot(*chord))
    if width < 1e-6 or chord @ first.line.direction < 0:
        return None
    offset = (bead - bead[0]) @ np.array([-chord[1], chord[0]]) / width
    return bead, width, float(offset[np.argmax(np.abs(offset))])


def is_facet(plate: Run, behind: Run | None, width: float) -> bool:
    """Tell whether a short run beside a bead of this width leans against the surface on its plate's other side."""
    if behind is None or plate.length > SHORT_PLATE * width:
        return False
    return abs(abs(turn_deg(plate.line, behind.line)) - 180.0) > FACET_DEG


def encloses(outer: ButtPair, inner: FilletPair, count: int) -> bool:
    """Tell whether a fillet lies between the plates of a butt pair that is no higher than the face of a weld.

    What is higher is a plate that stands between them, with a fillet on both of its sides.
    """
    if outer.rise > MOST_RISE_MM + MOST_RISE * outer.width:
        return False
    before, behind = outer.surface_first, outer.surface_second
    start, length = before.stop, (behind.start - before.stop) % count
    first, second = (inner.first.stop - start + 2) % count, (inner.second.start - start - 2) % count
    return first <= second <= length
