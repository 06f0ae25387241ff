"""Recognise joints on an outline: which pairs of straight runs are plates with a weld between them."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from core.geometry import Line, Points, diagonal, distance, intersection
from vision.facet_of_face import is_facet
from vision.lapped_edge import ALONG_DEG, edges_on_top, is_edge_of, lies_on, runs_along
from vision.runs import Run, goes_on, turn_deg

FILLET_TURN_DEG = (35.0, 145.0)
"""A joint angle of 35 to 145 degrees through the air."""
LEAST_PLATE = 0.7
"""Sum of both plates' visible lengths over the larger leg, below which a pair is not taken for plates."""
MOST_UNEQUAL, MOST_UNEQUAL_ACROSS = 4.0, 8.0
"""Longer leg over the shorter one; of a bevel that was welded, across its plate from another fillet, it may be more."""
MUCH_BETTER = 4.0
"""A pair within another whose plates are so much longer against its legs is the weld."""
FACET_DEG, FACET_POINTS = 20.0, 4
"""A run that goes over into the next one with less of a turn, within so many points, is a facet of a bent face."""

LONGEST_PLATE_SHARE = 0.12
"""The longer of two plates reaches over at least this share of the part."""
GOES_ON_POINTS = 8
"""A plate that ends at so few points from the border of the picture goes on beyond it."""

LEAST_BEYOND, LEAST_EDGE = 0.2, 0.06
"""Length of a plate beyond the weld over the leg, and that of the edge of a lapped plate."""
EDGE_SURFACE = 3.0
"""A short edge comes from a surface so many times longer."""
SPANNED_MM, SPANNED_SHARE, SPANNED_WITHIN_DEG = (5.0, 10.0), 0.3, 25.0
"""A surface between two plates is itself one when it is longer than each of these: mm, where the plates are square to
within the last angle and where they are not, and share of the chord of the legs."""
STEPPED_MM, STEP_MM = 4.0, 0.3
"""A straight stretch along a plate, so much below its surface, is longer than this where it is no undercut."""
LEAST_OPPOSITE = 0.1
"""The other side of a plate runs along at least this share of it; facets of a ragged cut end do not."""


@dataclass(frozen=True, slots=True, eq=False)
class FilletPair:
    """Two plate runs in outline order with a fillet between them."""

    first: Run
    second: Run
    root: Points
    leg_first: float
    leg_second: float
    score: float


def path_between(points: Points, first: Run, second: Run, *, closed: bool) -> NDArray[np.int64] | None:
    """Return outline indices from the end of one run to the start of the next, None if there is no way."""
    stop = second.start
    if stop < first.stop:
        if not closed:
            return None
        stop += len(points)
    return np.arange(first.stop, stop + 1) % len(points)


def fillet_pairs(
    points: Points, cut: NDArray[np.bool_], runs: list[Run], *, closed: bool, smallest_leg: float
) -> list[FilletPair]:
    """Return the fillets of an outline, none sharing a plate end, widest first."""
    extent = diagonal(points)
    found = []
    plates = [run for run in runs if not run.cut]
    least = LONGEST_PLATE_SHARE * extent
    # Most runs of a ragged outline are short.
    begun, ended = ([run.length >= least for run in plates] for _ in range(2))
    if cut.any():
        begun = [long or _goes_on(cut, run.start, -1) for long, run in zip(begun, plates, strict=True)]
        ended = [long or _goes_on(cut, run.stop, 1) for long, run in zip(ended, plates, strict=True)]
    # Of a lapped plate the edge may be as short; its surface tells it.
    behind, ahead = edges_on_top(plates, len(points), least)
    for first, long_first in zip(plates, begun, strict=True):
        for second, long_second in zip(plates, ended, strict=True):
            if first is second:
                continue
            if not (
                long_first
                or long_second
                or runs_along(behind.get(first), second)
                or runs_along(ahead.get(second), first)
            ):
                continue
            unequal = MOST_UNEQUAL_ACROSS if closed else MOST_UNEQUAL
            pair = fillet_between(points, cut, first, second, closed, smallest_leg, extent, unequal)
            if (
                pair is not None
                and _has_plates(pair, plates, len(points))
                and (closed or not (_spans_plate(pair, plates) or _has_facet(points, pair, plates)))
            ):
                found.append(pair)
    # A facet of the face beside one plate can pass for the other plate: of nested pairs the outer one
    # is the weld, unless it only skips a piece of the same plate or its plates are hardly there (a reflection and a
    # facet).
    found = [pair for pair in found if pair.score > LEAST_PLATE]
    uneven = [pair for pair in found if _leg_ratio(pair) > MOST_UNEQUAL]
    found = [pair for pair in found if _leg_ratio(pair) <= MOST_UNEQUAL]
    nearest = [pair for pair in found if not any(_skips(pair, other, len(points)) for other in found)]
    # Of one that was found without the pieces of its plates next to it too, that span counts against those nested.
    spans = {pair: _span(pair, len(points)) for pair in nearest}
    if not closed:
        wholes = [_with_whole_plates(points, pair, found) for pair in nearest]
        spans = dict(wholes)
    found = [
        pair
        for pair in spans
        if not any(
            other.score > MUCH_BETTER * pair.score
            and _inside(other, pair, len(points))
            and not _is_of_facets(other, pair, plates, len(points))
            for other in spans
        )
    ]
    found.sort(key=lambda pair: -spans[pair])
    chosen: list[FilletPair] = []
    for pair in found:
        if not any(_shares_plate(pair, other) or _overlap(pair, other, len(points)) for other in chosen):
            chosen.append(pair)
    across = [pair for pair in uneven if any(_is_across(points, pair, other) for other in chosen)]
    # Of those that share a plate with one that is nearer its root the latter is the weld.
    for pair in sorted(across, key=lambda pair: _span(pair, len(points))):
        if not any(_shares_plate(pair, other) or _overlap(pair, other, len(points)) for other in chosen):
            chosen.append(pair)
    return chosen


def _leg_ratio(pair: FilletPair) -> float:
    return max(pair.leg_first, pair.leg_second) / min(pair.leg_first, pair.leg_second)


def _overlap(pair: FilletPair, other: FilletPair, count: int) -> bool:
    return _inside(pair, other, count) or _inside(other, pair, count)


def _is_across(points: Points, pair: FilletPair, other: FilletPair) -> bool:
    """Tell whether two pairs lie on both sides of one plate: the surface of the other plate is seen beside both."""
    for one, two in ((pair.first, other.second), (pair.second, other.first)):
        middle = points[(one.start + one.stop) // 2 % len(points)]
        if goes_on(one.line, two.line, middle, distance(middle, two.line.point)):
            return True
    return False


def _goes_on(cut: NDArray[np.bool_], end: int, way: int) -> bool:
    """Tell whether the outline meets the border of the picture just beyond the end of a plate."""
    return bool(cut[(end + way * np.arange(1, GOES_ON_POINTS + 1)) % len(cut)].any())


def _span(pair: FilletPair, count: int) -> int:
    return (pair.second.start - pair.first.stop) % count


def _skips(outer: FilletPair, inner: FilletPair, count: int) -> bool:
    """Tell whether a pair leaves out a nearer piece of one of its plates that another pair has."""
    if outer is inner or _span(outer, count) <= _span(inner, count):
        return False
    same_first, same_second = outer.first is inner.first, outer.second is inner.second
    if same_first and not same_second:
        far, near = outer.second, inner.second
    elif same_second and not same_first:
        far, near = outer.first, inner.first
    else:
        return False
    off = abs(float(far.line.offset(near.line.point)))
    return abs(turn_deg(far.line, near.line)) < 2.0 and off < 0.02 * far.length + 0.1


def _with_whole_plates(points: Points, near: FilletPair, found: list[FilletPair]) -> tuple[FilletPair, int]:
    """Return a pair with the rest of a plate of which it has the piece beside the weld, and the widest span seen.

    Pairs that leave that piece out show the rest.
    """
    beyond = [pair for pair in found if _skips(pair, near, len(points))]
    if not beyond:
        return near, _span(near, len(points))
    far = max(beyond, key=lambda pair: pair.score)
    first = far.first if far.first is near.first else _joined(points, far.first, near.first, far.first.line)
    second = far.second if far.second is near.second else _joined(points, near.second, far.second, far.second.line)
    whole = replace(near, first=first, second=second, score=max(near.score, far.score))
    return whole, _span(far, len(points))


def _shares_plate(pair: FilletPair, other: FilletPair) -> bool:
    """Tell whether two pairs have the same run on one side, or one that has a piece of the other's."""
    return any(
        one.start < two.stop and two.start < one.stop
        for one, two in ((pair.first, other.first), (pair.second, other.second))
    )


def _joined(points: Points, before: Run, after: Run, line: Line) -> Run:
    return Run(before.start, after.stop, line, distance(points[after.stop], points[before.start]), False)


def _inside(inner: FilletPair, outer: FilletPair, count: int) -> bool:
    """Tell whether a run of one pair lies on the face of another."""
    start, stop = outer.first.stop, outer.second.start
    if stop < start:
        stop += count
    for run in (inner.first, inner.second):
        middle = (run.start + run.stop) // 2
        for shift in (-count, 0, count):
            if start < middle + shift < stop:
                return True
    return False


def _is_of_facets(inner: FilletPair, outer: FilletPair, runs: list[Run], count: int) -> bool:
    """Tell whether what passes for a plate of a pair goes on, bending gently, towards the same plate of an outer one.

    It is a facet of the outer one's face then: a plate ends at a corner, at a cut or at the border of the picture.
    """

    def ahead(run: Run, start: int) -> int:
        return (run.start - start) % count

    face = outer.first.stop
    span = _span(outer, count)
    within = [run for run in runs if ahead(run, face) + (run.stop - run.start) <= span]
    gentle = [
        (one, two)
        for one in within
        for two in within
        if one is not two
        and min((two.start - one.stop) % count, (one.stop - two.start) % count) <= FACET_POINTS
        and abs(turn_deg(one.line, two.line)) < FACET_DEG
    ]
    return any(inner.second is one for one, _ in gentle) or any(inner.first is two for _, two in gentle)


def fillet_between(
    points: Points,
    cut: NDArray[np.bool_],
    first: Run,
    second: Run,
    closed: bool,
    smallest_leg: float,
    extent: float,
    most_unequal: float = MOST_UNEQUAL,
) -> FilletPair | None:
    """Return the fillet between two runs of an outline whose size is ``extent``, None where there can be none."""
    turn = turn_deg(first.line, second.line)
    if not FILLET_TURN_DEG[0] <= turn <= FILLET_TURN_DEG[1]:
        return None
    path = path_between(points, first, second, closed=closed)
    if path is None or len(path) < 4 or cut[path].any():
        return None
    root = intersection(first.line, second.line)
    if root is None:
        return None
    end, start = points[path[0]], points[path[-1]]
    leg_first = float(first.line.along(root) - first.line.along(end))
    leg_second = float(second.line.along(start) - second.line.along(root))
    if min(leg_first, leg_second) < smallest_leg or max(leg_first, leg_second) > 0.45 * extent:
        return None
    if max(leg_first, leg_second) > most_unequal * min(leg_first, leg_second):
        return None
    face = points[path]
    bound = max(leg_first, leg_second)
    distance = np.hypot(*(face - root).T)
    if float(distance.max()) > 1.25 * bound:
        return None
    # Room for an undercut below either plate line.
    depth = min(0.25 * bound, 0.05 * bound + 1.2)
    if float(first.line.offset(face).min()) < -depth or float(second.line.offset(face).min()) < -depth:
        return None
    if float(distance.min()) < 0.1 * min(leg_first, leg_second) * math.cos(math.radians((180 - turn) / 2)):
        return None
    plates = min(first.length, 3 * bound) / bound + min(second.length, 3 * bound) / bound
    return FilletPair(first, second, root, leg_first, leg_second, plates + 0.2 * bound / extent)


def _has_plates(pair: FilletPair, runs: list[Run], count: int) -> bool:
    """Tell whether both plates are seen well beyond the weld: a facet of the face is no plate.

    Of a lapped plate's edge little may be left: the plate's own surface tells it then, which leaves it square and runs
    along the other plate.
    """
    for plate, other, leg in (
        (pair.first, pair.second, pair.leg_first),
        (pair.second, pair.first, pair.leg_second),
    ):
        if plate.length >= LEAST_BEYOND * leg:
            continue
        least = EDGE_SURFACE * plate.length
        if plate.length < LEAST_EDGE * leg or not _is_edge(plate, other, pair, runs, count, least):
            return False
    return True


def _is_edge(plate: Run, other: Run, pair: FilletPair, runs: list[Run], count: int, least: float) -> bool:
    long = (run for run in runs if run.length >= least)
    return any(is_edge_of(plate, run, other, edge_first=plate is pair.first, count=count) for run in long)


def _spans_plate(pair: FilletPair, runs: list[Run]) -> bool:
    """Tell whether a pair of an open outline has a surface between its plates that runs along one of them.

    No face does so over much of its width where plates stand about square: that is the plate of a lap between the bench
    and the upper plate. The face of a skewed joint may, over less.
    """
    plates = (pair.first, pair.second)
    square = abs(turn_deg(pair.first.line, pair.second.line) - 90.0) < SPANNED_WITHIN_DEG
    least = max(SPANNED_MM[0] if square else SPANNED_MM[1], SPANNED_SHARE * math.hypot(pair.leg_first, pair.leg_second))
    between = [run for run in runs if run.start >= pair.first.stop and run.stop <= pair.second.start]
    return any(
        abs(turn_deg(run.line, plate.line)) < ALONG_DEG
        and (run.length > least or (run.length > STEPPED_MM and _lies_below(run, plate)))
        for run in between
        for plate in plates
    )


def _lies_below(run: Run, plate: Run) -> bool:
    """Tell whether a run lies on the metal's side of a plate's surface: the plate steps down to the weld.

    What was taken for the plate is a clamp or another part upon it.
    """
    return float(plate.line.offset(run.line.point)) < -STEP_MM


def _has_facet(points: Points, pair: FilletPair, runs: list[Run]) -> bool:
    one, other = pair.first, pair.second
    return is_facet(points, one, other, pair.leg_first, runs, first=True) or is_facet(
        points, other, one, pair.leg_second, runs, first=False
    )


def opposite_run(points: Points, run: Run, runs: list[Run]) -> Run | None:
    """Return the run on the other side of a plate: antiparallel, behind the metal, overlapping, nearest."""
    candidates: list[tuple[float, float, Run]] = []
    ends = points[run.indices(len(points))[[0, -1]]]
    low, high = (float(value) for value in run.line.along(ends))
    for other in runs:
        if other is run or other.cut or abs(abs(turn_deg(run.line, other.line)) - 180.0) > 12.0:
            continue
        other_ends = points[other.indices(len(points))[[0, -1]]]
        along = run.line.along(other_ends)
        overlap = min(high, float(along.max())) - max(low, float(along.min()))
        distance = -float(run.line.offset(other_ends).mean())
        if distance > 0 and overlap > max(0.3 * min(run.length, other.length), LEAST_OPPOSITE * run.length):
            candidates.append((distance, overlap, other))
    if not candidates:
        return None
    # Of what lies about as near as the nearest, the one that runs along most of the plate, not a facet of a bead.
    nearest = min(distance for distance, _, _ in candidates)
    return max((c for c in candidates if c[0] < 1.4 * nearest), key=lambda c: c[1])[2]


def classify_fillet(points: Points, pair: FilletPair, runs: list[Run]) -> str:
    """Return ``"tee"`` or ``"lap"``.

    In a tee one plate goes through: its surface is seen again, on the same line with the metal on the same
    side, beyond the other plate. In a lap the upper plate's edge ends soon in a surface parallel to the lower.
    """
    legs = {pair.first: pair.leg_first, pair.second: pair.leg_second}
    ways = ((pair.first, pair.second), (pair.second, pair.first))
    lapped = [lies_on(points, plate, other, legs[other], runs) for plate, other in ways]
    # A short plate welded along both edges leaves the other plate's surface to be seen on both sides, too.
    if any(not lap and _goes_through(points, pair, plate, runs) for lap, (plate, _) in zip(lapped, ways, strict=True)):
        return "tee"
    return "lap" if any(lapped) else "tee"


def _goes_through(points: Points, pair: FilletPair, plate: Run, runs: list[Run]) -> bool:
    """Tell whether the surface of a plate is seen again beyond the other plate of a pair."""
    for run in runs:
        if run is pair.first or run is pair.second or run.cut:
            continue
        middle = points[run.indices(len(points))].mean(axis=0)
        beyond = float(plate.line.along(middle) - plate.line.along(pair.root))
        if plate is pair.second:
            beyond = -beyond
        if beyond > 0 and goes_on(run.line, plate.line, middle, beyond):
            return True
    return False
