"""A lapped plate seen from above: its upright edge shows as a jump, from the rim of its surface down to the weld.

Nothing, or a handful of points, is seen of the edge itself. Where the upper surface ends and where the face begins say
where it stands; that a plate is cut about square says how it leads on down to the root.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from core.fitting import LineFit
from core.geometry import Line, Points
from vision.runs import Run, turn_deg

PARALLEL_DEG = 6.0
"""Lapped plates lie on each other: their surfaces turn by no more than this."""

LEAST_STEP_MM, SHORTEST_MM, SHORTEST_SHARE = 1.5, 5.0, 0.6
"""The upper surface stands so far above the lower; both are seen over so much, in mm and in steps."""

STEEP = 2.5
"""An upright edge, seen or not, falls by more than so much per mm across."""

LEAST_DROP_MM, DROP_STEPS, DROP_NOISE = 0.7, 3.0, 6.0
"""An edge is as high as each of these at least: mm, usual steps, times the scatter."""

LARGEST_CORNER_MM = 1.5
"""The rim of the upper surface is rounded or broken over no more than this."""

WIDEST_MM = 1.0
"""More than so much between rim and face, along the surface, is no upright edge, or much of the face lies hidden."""

SQUARE_STD_DEG = 2.5
"""Cut edges are square to their surface to within twice this (common practice of shears and thermal cuts)."""

FEWEST_OF_FACE, OF_FACE_MM = 6, 1.5
"""Points, and length, of the face next to the edge that tell where it meets the edge."""

BESIDE_ENDS = 0.15
"""Points of an edge so near its rim or its foot, as a share of its height, may be means over two surfaces."""

SEEN_SHARE, SEEN_STEPS, LARGEST_STEP = 0.6, 6.0, 0.4
"""An edge is seen that has so many points against those of its way across, which is so many steps at least, and of
whose height none of them leaves out a larger share than the last."""

NEAR_RIM = 3
"""A run along an edge begins and ends so many points off rim and face, at most."""


@dataclass(frozen=True, slots=True, eq=False)
class UnseenEdge:
    """An edge as it is inferred, in outline order.

    Attributes
    ----------
    upper, lower
        The surfaces of the upper and of the lower plate.
    upper_first
        The upper plate comes first on the outline: its edge is the left plate surface of the weld.
    rim, begin
        Index of the last point of the upper plate before the jump, and of the first one of the face behind it.
    fit
        The edge, leading up; its point stands for all that is seen of it.
    meets
        (2,) where the face, led straight on, meets the edge.
    toe_std_mm, width_std_mm
        Standard uncertainty of that along the edge, and by how much more that of the face's width is: a toe that moves
        along the edge with it moves along the face.
    seen
        So many points lie on it that it is seen after all.
    """

    upper: Run
    lower: Run
    upper_first: bool
    rim: int
    begin: int
    fit: LineFit
    meets: Points
    toe_std_mm: float
    width_std_mm: float
    seen: bool


def unseen_edges(
    points: Points, runs: list[Run], std_mm: NDArray[np.float64], noise_mm: float, step_mm: float
) -> list[UnseenEdge]:
    """Return the lapped plates of an open outline whose edge shows as a jump, from left to right.

    Parameters
    ----------
    points
        (N, 2) from left to right with the air above.
    runs
        Its straight stretches.
    std_mm
        (N,) scatter of each point: one of them may be the mean of many, and scatters less.
    noise_mm, step_mm
        Scatter of a point across the outline, and distance of neighbours.
    """
    found = []
    for seen, upper, lower, upper_first in lapped_plates(points, runs):
        many = (noise_mm / (std_mm if upper_first else std_mm[::-1])) ** 2
        edge = _edge_between(seen, upper, lower, many, noise_mm, step_mm)
        if edge is not None:
            found.append(edge if upper_first else _mirrored_edge(edge, len(points)))
    return sorted(found, key=lambda edge: edge.rim)


def lapped_plates(points: Points, runs: list[Run]) -> Iterator[tuple[Points, Run, Run, bool]]:
    """Yield the surfaces of which one lies above the other, the upper one first, and whether it comes first.

    Where it does not, points and runs are those of the mirrored outline, so that one piece of code serves both.
    """
    whole = [run for run in runs if not run.cut and run.length >= SHORTEST_MM]
    yield from ((points, *pair, True) for pair in _lapped(points, whole))
    seen = points[::-1] * np.array([-1.0, 1.0])
    plates = [mirrored(run, len(points)) for run in whole[::-1]]
    yield from ((seen, *pair, False) for pair in _lapped(seen, plates))


def is_edge(run: Run, edge: UnseenEdge) -> bool:
    """Tell whether a run is what is seen of an edge, from the rim to the face."""
    first, last = sorted((edge.rim, edge.begin))
    return first - NEAR_RIM <= run.start and run.stop <= last + NEAR_RIM


def _lapped(points: Points, plates: list[Run]) -> list[tuple[Run, Run]]:
    """Return the pairs of surfaces of which the first lies above the second, each with the nearest that does."""
    pairs: list[tuple[Run, Run]] = []
    for at, upper in enumerate(plates):
        for lower in plates[at + 1 :]:
            if abs(turn_deg(upper.line, lower.line)) > PARALLEL_DEG:
                continue
            step = float(lower.line.offset(points[upper.stop]))
            if step < LEAST_STEP_MM:
                break
            if min(upper.length, lower.length) >= SHORTEST_SHARE * step:
                # Of several pieces of one upper surface the last one ends at its edge.
                pairs = [pair for pair in pairs if pair[1] is not lower]
                pairs.append((upper, lower))
            break
    return pairs


def _edge_between(
    points: Points, upper: Run, lower: Run, many: NDArray[np.float64], noise_mm: float, step_mm: float
) -> UnseenEdge | None:
    """Return the edge between two surfaces; each point stands for ``many`` usual ones, (N,)."""
    line = upper.line
    along, above = line.along(points), line.offset(points)
    jump = jump_between(along, above, upper, lower)
    if jump is None:
        return None
    rim, begin = jump
    drop, aside = float(above[rim] - above[begin]), float(along[begin] - along[rim])
    # A jump farther down is that of another edge: a bevel ends in one.
    if above[rim] < -min(LARGEST_CORNER_MM, 0.6 * drop + 3.0 * noise_mm):
        return None
    if drop < least_drop_mm(noise_mm, step_mm) or aside > WIDEST_MM:
        return None
    face = _first_of_face(points, begin, lower.start)
    if len(face) < FEWEST_OF_FACE:
        return None
    fallen = (above[rim] - above[rim : begin + 1]) / drop
    inner = rim + np.flatnonzero((fallen > BESIDE_ENDS) & (fallen < 1.0 - BESIDE_ENDS))
    std = math.hypot(step_mm / math.sqrt(12.0), noise_mm)
    # An edge that is seen has as many points as the way across it; those of a jump, between two surfaces, are few.
    wanted = (1.0 - 2.0 * BESIDE_ENDS) * SEEN_SHARE * max(aside / step_mm, SEEN_STEPS)
    seen = float(many[inner].sum()) > wanted and float(np.diff(fallen).max()) < LARGEST_STEP
    if seen:
        pivot, centre, offset_std, slope, slope_std = _upright(above[inner], along[inner], std)
    else:
        pivot, offset_std = float(above[rim]), std
        centre = float(along[rim]) + 0.5 * min(max(aside, 0.0), step_mm)
        slope, slope_std = _leaning((max(aside - step_mm, 0.0) + 0.5 * step_mm) / drop)
    direction = line.normal + slope * line.direction
    point = line.point + centre * line.direction + pivot * line.normal
    edge = Line.through(point, point + direction)
    fit = LineFit(edge, noise_mm, offset_std, slope_std, np.ones(0, bool))
    met = _met(edge, face)
    if met is None:
        return None
    meets, rise = met
    aside_std = fit.std_at(float(edge.along(meets)))
    width_std = math.sqrt(2.0) * math.sin(math.atan(rise)) * aside_std
    return UnseenEdge(upper, lower, True, rim, begin, fit, meets, rise * aside_std, width_std, seen)


def jump_between(
    along: NDArray[np.float64], above: NDArray[np.float64], upper: Run, lower: Run
) -> tuple[int, int] | None:
    """Return the indices between which the outline falls most beyond what a slope does.

    The stretch whose steps add up to the most, each counted by how far it falls less what it may across: scatter adds
    up to nothing, and a few points on the way stay in it.
    """
    first = max(upper.start, upper.stop - max(8, (upper.stop - upper.start) // 4))
    index = np.arange(first, lower.start + 1)
    if len(index) < FEWEST_OF_FACE:
        return None
    gain = -np.diff(above[index]) - STEEP * np.abs(np.diff(along[index]))
    total = np.concatenate([[0.0], np.cumsum(gain)])
    lowest = np.minimum.accumulate(total)
    stop = int(np.argmax(total - lowest))
    start = int(np.argmin(total[: stop + 1]))
    return (int(index[start]), int(index[stop])) if stop > start else None


def least_drop_mm(noise_mm: float, step_mm: float) -> float:
    """Return the height of a jump that is an edge, and no scatter."""
    return max(LEAST_DROP_MM, DROP_STEPS * step_mm, DROP_NOISE * noise_mm)


def _first_of_face(points: Points, begin: int, end: int) -> Points:
    away = np.hypot(*(points[begin : end + 1] - points[begin]).T)
    count = max(FEWEST_OF_FACE, int(np.searchsorted(np.maximum.accumulate(away), OF_FACE_MM)))
    return np.asarray(points[begin : min(begin + count, end)])


def _upright(
    height: NDArray[np.float64], place: NDArray[np.float64], std: float
) -> tuple[float, float, float, float, float]:
    """Fit an edge that is about square: places across at heights, each with the same standard uncertainty.

    Returns the height at which place and slope are known apart, the place there, its standard uncertainty, the slope
    (place by height) and its own.
    """
    pivot, centre = float(height.mean()), float(place.mean())
    square = (std / math.tan(math.radians(SQUARE_STD_DEG))) ** 2
    information = float(np.sum((height - pivot) ** 2)) + square
    slope = float(np.sum((height - pivot) * (place - centre))) / information
    return pivot, centre, std / math.sqrt(len(height)), slope, std / math.sqrt(information)


def _leaning(most: float) -> tuple[float, float]:
    """Return how an edge leans of which nothing is seen, and the standard uncertainty of that: place across by height.

    The jump from the rim to the face is a line of sight. An edge that came out below the rim by more than the face
    does would be seen, so that it leans in (its foot below the surface) more often than out: a normal distribution cut
    off where the edge came out by ``most``.
    """
    spread = math.tan(math.radians(SQUARE_STD_DEG))
    at = -most / spread
    density = math.exp(-0.5 * at**2) / math.sqrt(2.0 * math.pi)
    ratio = density / (0.5 * math.erfc(at / math.sqrt(2.0)))
    return spread * ratio, spread * math.sqrt(max(1.0 + at * ratio - ratio**2, 0.0))


def _met(edge: Line, face: Points) -> tuple[Points, float] | None:
    """Return where the first stretch of a face meets the edge, and how much it rises along the edge per mm across."""
    away, up = -edge.offset(face), edge.along(face)
    if float(np.ptp(away)) < 1e-3:
        return None
    slope, height = np.polyfit(away, up, 1)
    if slope >= 0:
        return None
    return edge.at(float(height)), float(-slope)


def mirrored(run: Run, count: int) -> Run:
    """Return a run on the mirrored outline of so many points."""
    line = run.line
    return Run(
        count - 1 - run.stop, count - 1 - run.start, Line(-line.x, line.y, line.dx, -line.dy), run.length, run.cut
    )


def _mirrored_edge(edge: UnseenEdge, count: int) -> UnseenEdge:
    line = edge.fit.line
    upright = Line(-line.x, line.y, -line.dx, line.dy)
    return replace(
        edge,
        upper=mirrored(edge.upper, count),
        lower=mirrored(edge.lower, count),
        upper_first=False,
        rim=count - 1 - edge.rim,
        begin=count - 1 - edge.begin,
        fit=replace(edge.fit, line=upright),
        meets=edge.meets * np.array([-1.0, 1.0]),
    )
