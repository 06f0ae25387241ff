"""Which of several places without points is the gap between two square edges: surfaces tell, the dark does not.

Where light is only missing the surface goes on beyond as it came; two plates seldom lie so level. A place at which the
surface steps, among others where it does not, is the gap. Where it steps nowhere, any of them may be the gap: then the
gap's width cannot be told, while the plates on both sides are nearly the same whichever it is.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from core.fitting import total_least_squares
from core.geometry import Line, Points, distance
from core.medians import median

ON_SURFACE_MM = 0.12
"""Points between two places that lie so near the surface before or behind belong to it, and to no strip in the gap."""

LEAST_DEPTH_MM = 0.8
"""A strip in the gap, as a backing, lies at least so deep below both surfaces."""

FEWEST_POINTS = 3
SURFACE_MM, BESIDE_MM = 15.0, 3.0
"""Length of surface that gives its line, and of that beyond the place which is held against it."""

LEAST_STEP_MM, CLEARER = 0.06, 4.0
"""A surface that steps by so much, and so many times more than at any other place, does it at the gap."""

MAY_BE_ANY = "points are missing at {count} places of the surfaces, and each of them may be the gap"


@dataclass(frozen=True, slots=True)
class Place:
    """Indices of the last point before and of the first one behind a place without points."""

    first: int
    last: int

    def width(self, points: Points) -> float:
        """Return how far apart they are."""
        return distance(points[self.last], points[self.first])


@dataclass(frozen=True, slots=True)
class Chosen:
    """The place of the gap, the ``others`` that may be the gap as well, and how far surfaces step there (mm)."""

    place: Place
    others: tuple[Place, ...] = ()
    step_mm: float = 0.0

    @property
    def doubt(self) -> str | None:
        """Why the width of the gap cannot be told, None where it can."""
        return MAY_BE_ANY.format(count=1 + len(self.others)) if self.others else None

    def offset_doubt_mm(self, points: Points, left: Line, right: Line) -> float:
        """Return what the choice leaves unknown of the plates' offset, as a standard uncertainty.

        The offset is taken at the gap, and plates that are not in line have another one elsewhere.
        """
        turn = abs(left.dx * right.dy - left.dy * right.dx)
        away = max((distance(points[place.first], points[self.place.first]) for place in self.others), default=0.0)
        return math.hypot(self.step_mm, turn * away) / math.sqrt(3.0)


def gap_among(points: Points, wide: Sequence[int]) -> Chosen | None:
    """Return which place is the gap, of all steps along an open profile (N, 2) that are wide: at least one.

    None where surfaces step at several places: then not even the plates on both sides of the gap are known.
    """
    places = _places(points, _without_ends(points, wide))
    if places is None:
        return None
    if len(places) == 1:
        return Chosen(places[0])
    steps = [_step(points, before, place, behind) for before, place, behind in _with_neighbours(points, places)]
    order = sorted(range(len(places)), key=lambda at: -steps[at])
    if steps[order[0]] > max(LEAST_STEP_MM, CLEARER * steps[order[1]]):
        return Chosen(places[order[0]])
    if steps[order[0]] > LEAST_STEP_MM:
        return None
    widest = max(places, key=lambda place: place.width(points))
    return Chosen(widest, tuple(place for place in places if place is not widest), steps[order[0]])


def _without_ends(points: Points, wide: Sequence[int]) -> list[int]:
    """Return the wide steps but for those that part a surface from its end, a point or two that stand alone.

    Where the light of a line fades its points stray and are left out, and only its end is told behind them.
    """
    left = list(wide)
    for one, other in pairwise(wide):
        if other - one < FEWEST_POINTS:
            narrower = min(one, other, key=lambda at: distance(points[at + 1], points[at]))
            left = [at for at in left if at != narrower]
    return left


def _places(points: Points, wide: Sequence[int]) -> list[Place] | None:
    """Return the places without points; a strip deep between two wide steps is in the gap.

    None where what lies between is neither that nor one of the surfaces.
    """
    lines = (
        _line(points[: wide[0] + 1][-_count(points, SURFACE_MM) :]),
        _line(points[wide[-1] + 1 :][: _count(points, SURFACE_MM)]),
    )
    places = [Place(wide[0], wide[0] + 1)]
    for one, other in pairwise(wide):
        strip = points[one + 1 : other + 1]
        above = [median(_upwards(line).offset(strip)) for line in lines if line is not None]
        if min((abs(height) for height in above), default=math.inf) < ON_SURFACE_MM:
            places.append(Place(other, other + 1))
        elif max(above, default=0.0) < -LEAST_DEPTH_MM:
            places[-1] = Place(places[-1].first, other + 1)
        else:
            return None
    return places


def _with_neighbours(points: Points, places: Sequence[Place]) -> list[tuple[Points, Place, Points]]:
    """Return each place with the surface from the place before to it and from it to the next one."""
    starts = [0, *(place.last for place in places)]
    stops = [*(place.first + 1 for place in places), len(points)]
    pieces = [points[start:stop] for start, stop in zip(starts, stops, strict=True)]
    return list(zip(pieces, places, pieces[1:], strict=False))


def _step(points: Points, before: Points, place: Place, behind: Points) -> float:
    """Return by how much the surface steps at a place: how far the shorter side lies from the line of the longer."""
    long, short = before[::-1], behind
    if len(behind) > len(before):
        long, short = behind, before[::-1]
    line = _line(long[: _count(points, SURFACE_MM)])
    if line is None:
        return math.inf
    return abs(float(line.offset(short[: _count(points, BESIDE_MM)]).mean()))


def _upwards(line: Line) -> Line:
    """Return a line directed to the right: the air of a profile is above it."""
    return line if line.dx >= 0 else line.reversed()


def _line(surface: Points) -> Line | None:
    return total_least_squares(surface) if len(surface) >= FEWEST_POINTS else None


def _count(points: Points, length_mm: float) -> int:
    """Return how many points of a surface make up a length."""
    usual = median(np.abs(np.diff(points[:, 0])))
    return max(FEWEST_POINTS, round(length_mm / max(usual, 1e-9)))
