"""Out to where the surfaces of a cloud's section end: means over stretches stop short of that, their points do not.

The line of a surface before its end is that of all the points that lie straight before it, and the place of its end on
that line is told by how many of them stray beyond. A few means before the end know its line twice as poorly, and places
along a surface that was followed from column to column zigzag with it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from core.fitting import total_least_squares
from core.geometry import Line, Points
from vision.cloud_rim import rim_of

RIM_MEANS, FEWEST_RIM_MEANS = 8, 4
"""Means before a rim that show whether it is straight, and fewest of them."""

LONGER, STRAIGHT, BENT = 1.5, 3.5, 2.5
"""A straight end is sought over so many times as many means as before, while each lies within so many of its standard
deviations of the line, and a bend is seen by fewer than so many."""

MOST_LEFT_OUT = 3
"""So many of the last means may lie off the line of the others, if all of them together do not."""

BAND = 3.5
"""Points within so many standard deviations of the line of a surface belong to it."""

FEW_BETWEEN = 0.1
"""So many points, as a share of those on the surfaces beside, may lie in a gap."""

LEAST_END_MM = 1.0
"""Where no more than this is without points, they are few there, and no surface ends."""


@dataclass(frozen=True, slots=True, eq=False)
class Scattered:
    """The points of a section.

    Attributes
    ----------
    points
        (N, 2) those of the surfaces seen, and those too few to tell what they belong to: strays, and the last ones
        before an end.
    meant, stretch
        (M,) places along the surface of those that were averaged, rising, and which mean each of them is part of.
    noise_mm
        Scatter of a point across the surface.
    alone
        Each point scatters on its own.
    """

    points: Points
    meant: NDArray[np.float64]
    stretch: NDArray[np.int64]
    noise_mm: float
    alone: bool


@dataclass(frozen=True, slots=True, eq=False)
class _End:
    """Where a surface ends (2,), what is not known of that (2, 2), and its line, which leads out there.

    ``left_out`` are means that lie off the line each by itself; ``per_mm`` is how densely points lie on it.
    """

    point: Points
    shifts: Points
    line: Line
    left_out: NDArray[np.int64]
    per_mm: float


def out_to_the_rims(
    means: Points,
    std_mm: NDArray[np.float64],
    wide: NDArray[np.bool_],
    narrow: NDArray[np.bool_],
    scattered: Scattered,
) -> tuple[Points, dict[int, Points]]:
    """Move the means beside missing points out to where the surface ends: half a stretch is not lost there.

    With the means come, for those that the points before them tell, what is not known of that: (2, 2) mm, one standard
    uncertainty along the surface and one across it. ``wide`` tells after which means points are missing, ``narrow``
    after which they may be: steps there are longer than others, and the points must tell an end on both sides.
    """
    parted = wide.copy()
    for at in np.flatnonzero(narrow & ~wide).tolist():
        parted[at] = _is_gap(means, std_mm, at, wide, scattered)
    moved, shifts = means.copy(), dict[int, Points]()
    starts = [0, *(np.flatnonzero(parted) + 1).tolist(), len(means)]
    for number, (first, stop) in enumerate(pairwise(starts)):
        surface = np.arange(first, stop)
        for order, beside in ((surface[::-1], stop < len(means)), (surface, number > 0)):
            if not beside or len(order) < 2:
                continue
            clear = _missing_mm(means, order) > LEAST_END_MM
            end = _clear_end(means, std_mm, order, scattered) if clear or not wide[_step(order)] else None
            if end is None:
                moved[order[0]] = _half_a_stretch_on(means, order, scattered)
                continue
            # All together they lie on the line: what each of them strays is no bend before the end.
            off = end.line.offset(means[end.left_out])
            moved[end.left_out] = means[end.left_out] - off[:, None] * end.line.normal
            moved[order[0]], shifts[int(order[0])] = end.point, end.shifts
    return moved, shifts


def _missing_mm(means: Points, order: NDArray[np.int64]) -> float:
    """Return how far the first of the means that lead away from a step lies from the one beyond it."""
    return math.dist(means[order[0]], means[2 * order[0] - order[1]])


def _step(order: NDArray[np.int64]) -> int:
    """Return the number of the step beyond the first of the means that lead away from it."""
    return int(min(order[0], 2 * order[0] - order[1]))


def _is_gap(means: Points, std_mm: NDArray[np.float64], at: int, wide: NDArray[np.bool_], scattered: Scattered) -> bool:
    """Tell whether the surfaces on both sides of a step end, far apart and with nothing between."""
    others = np.flatnonzero(wide)
    first = int(max(others[others < at], default=-1)) + 1
    stop = int(min(others[others > at], default=len(means) - 1)) + 1
    sides = (np.arange(first, at + 1)[::-1], np.arange(at + 1, stop))
    if min(len(side) for side in sides) < 2:
        return False
    one, other = (_clear_end(means, std_mm, side, scattered) for side in sides)
    if one is None or other is None:
        return False
    between = Line.through(one.point, other.point)
    across = other.point - one.point
    length = float(np.hypot(*across))
    beyond = (float(across @ one.line.direction), -float(across @ other.line.direction))
    clear = length - 2 * BAND * scattered.noise_mm
    if length <= LEAST_END_MM or min(beyond) < 0 or clear <= 0:
        return False
    along = between.along(scattered.points) - float(between.along(one.point))
    inside = np.abs(along - length / 2) < clear / 2
    inside &= np.abs(between.offset(scattered.points)) < BAND * scattered.noise_mm
    return bool(np.count_nonzero(inside) <= FEW_BETWEEN * clear * min(one.per_mm, other.per_mm) + 1)


def _clear_end(
    means: Points, std_mm: NDArray[np.float64], order: NDArray[np.int64], scattered: Scattered
) -> _End | None:
    """Return where a surface ends; None where its points do not tell. ``order`` holds its means, the last one first."""
    if not scattered.alone:
        return None
    tail = _straight_tail(means[order], std_mm[order])
    if tail is None:
        return None
    on_line, left_out = order[tail], order[: tail.start]
    line = total_least_squares(means[on_line], std_mm[on_line] ** -2.0)
    line = _leading(line, means[on_line[0]] - means[on_line[-1]])
    # A point that strayed far beyond the end may have been taken for one of the next surface; the line parts them.
    places, off = line.along(scattered.points), line.offset(scattered.points)
    start = float(line.along(means[on_line[-1]]))
    farthest = float(line.along(means[order[0]])) + min(_missing_mm(means, order) / 2, LEAST_END_MM)
    near = scattered.points[(np.abs(off) < BAND * scattered.noise_mm) & (places > start) & (places < farthest)]
    if len(near) < FEWEST_RIM_MEANS:
        return None
    # The means weigh each place of the surface alike, the points tell its line best.
    line = _leading(total_least_squares(near), line.direction)
    told = rim_of(line.along(near), scattered.noise_mm, abs(line.dx))  # the air is above
    if told is None:
        return None
    across = 2.0 * scattered.noise_mm / math.sqrt(len(near))
    shifts = np.array([told[1] * line.direction, across * line.normal])
    per_mm = len(near) / (told[0] - float(line.along(near).min()))
    return _End(line.at(told[0]), shifts, line, left_out, per_mm)


def _straight_tail(means: Points, std_mm: NDArray[np.float64]) -> slice | None:
    """Return which means lie on one line to the end before the first of them, None where not even a few do.

    The last few hold points that strayed out to one side of the line that the surface was followed on: each may lie
    off, all of them together do not. As many are left out as let the line reach farthest.
    """
    best: slice | None = None
    for left_out in range(MOST_LEFT_OUT + 1):
        own, std = means[left_out:], std_mm[left_out:]
        count = min(RIM_MEANS, len(own))
        if count < FEWEST_RIM_MEANS or not _on_a_line(own[:count], std[:count]):
            continue
        while count < len(own):
            longer = min(math.ceil(LONGER * count), len(own))
            if not _on_a_line(own[:longer], std[:longer]):
                break
            count = longer
        weight = std_mm[:left_out] ** -2.0
        line = total_least_squares(own[:count], std[:count] ** -2.0)
        off = float(weight @ line.offset(means[:left_out]))
        farther = best is None or left_out + count > best.stop
        if farther and abs(off) <= STRAIGHT * math.sqrt(float(weight.sum())):
            best = slice(left_out, left_out + count)
    return best


def _on_a_line(means: Points, std_mm: NDArray[np.float64]) -> bool:
    line = total_least_squares(means, std_mm**-2.0)
    off = line.offset(means) / std_mm
    if float(np.abs(off).max()) >= STRAIGHT:
        return False
    # What a parabola has beyond a straight line (Gram-Schmidt), and how much of that the means show.
    along = line.along(means)
    level = 1.0 / std_mm
    level = level / math.sqrt(float(level @ level))
    slope = along / std_mm
    slope = slope - (level @ slope) * level
    slope = slope / max(math.sqrt(float(slope @ slope)), 1e-12)
    bend = along**2 / std_mm
    bend = bend - (level @ bend) * level - (slope @ bend) * slope
    return abs(float(bend @ off)) < BENT * math.sqrt(float(bend @ bend))


def _leading(line: Line, towards: Points) -> Line:
    return line if float(line.direction @ towards) > 0 else line.reversed()


def _half_a_stretch_on(means: Points, order: NDArray[np.int64], scattered: Scattered) -> Points:
    """Return the end of a surface that its points do not tell: its last stretch is as long as its points spread."""
    at = int(order[0])
    direction = means[at] - means[order[1]]
    size = float(np.hypot(*direction))
    own = scattered.meant[scattered.stretch == at]
    half = math.sqrt(3.0 * max(float(own.var()) - scattered.noise_mm**2, 0.0))
    on = min(half, float(np.abs(own - own.mean()).max()))
    return np.asarray(means[at] + on * direction / size if size > 0 else means[at])
