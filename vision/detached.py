"""Pieces of an open profile that no surface of a prepared joint can be: they hang in the air above both plates.

A reflection or a second line is followed in the place of a surface that is not seen, between two gaps.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from core.fitting import total_least_squares
from core.geometry import Line, Points, distance, step_lengths
from core.medians import median
from vision.member_ends import least_gap_mm
from vision.profile import Profile, usual_std_mm
from vision.section import Flag
from vision.spatter import Bump

PLATE_SHARE, FEWEST_POINTS = 0.2, 24
"""So much of the points at either rim of the frame lies on that side's plate, but for a few that stray."""

STRAY_STDS, ROUNDS = 4.0, 3

ABOVE_MM, ABOVE_NOISE = 0.15, 6.0
"""So far above both plates, in mm and in standard uncertainties of a point, a piece lies in the air."""

OVERHEAD_MM, MOST_PIECES = 2.0, 3
"""So far above the chord between its neighbours all of a piece hangs overhead; parted into so many pieces at most. Of a
cap even the crest is seldom as high (ISO 5817 allows 1 mm + 0.25 of its width at level D)."""


def in_air(profile: Profile) -> list[Bump]:
    """Return the pieces of an open profile, each between two gaps, that lie above the plates at both of its rims."""
    points = profile.points_mm
    if profile.closed or len(points) < FEWEST_POINTS / PLATE_SHARE:
        return []
    steps = step_lengths(points)
    breaks = np.flatnonzero(steps > least_gap_mm(median(steps))).tolist()
    count = round(PLATE_SHARE * len(points))
    plates = (_plate(points[:count]), _plate(points[-count:]))
    above = np.min([line.offset(points) for line in plates], axis=0)
    least = max(ABOVE_MM, ABOVE_NOISE * usual_std_mm(profile))
    found: list[tuple[int, int]] = []
    for before, last in pairwise(breaks):
        if bool((above[before + 1 : last + 1] > least).all()):
            first = found.pop()[0] if found and found[-1][1] == before + 1 else before
            found.append((first, last + 1))
    return [
        Bump(first, behind, distance(points[behind], points[first]), float(above[first + 1 : behind].max()))
        for first, behind in found
    ]


def overhead(profile: Profile) -> list[Bump]:
    """Return the pieces of a laser line, each between two gaps, that hang above the surface on both of their sides.

    A spark or a reflection is followed in the place of a stretch that gives no light. Every point of it lies far above
    the chord from where the line breaks off to where it goes on; a face or a plate comes down to that at one end.
    """
    points = profile.points_mm
    if profile.closed or not profile.points_alone or len(points) < FEWEST_POINTS:
        return []
    steps = step_lengths(points)
    breaks = np.flatnonzero(steps > OVERHEAD_MM).tolist()
    found = []
    last = -1
    for at, first in enumerate(breaks):
        if first < last:
            continue
        for behind in (after + 1 for after in breaks[at + 1 : at + 1 + MOST_PIECES]):
            chord = Line.through(points[first], points[behind])
            above = chord.offset(points[first + 1 : behind])
            if float(above.min()) > OVERHEAD_MM:
                found.append(Bump(first, behind, distance(points[behind], points[first]), float(above.max())))
                last = behind
                break
    return found


def told(pieces: list[Bump]) -> Flag:
    """Return what is told of pieces that were left out."""
    count = f"{len(pieces)} pieces" if len(pieces) > 1 else "a piece"
    verb = "were" if len(pieces) > 1 else "was"
    return Flag(
        "stray_points",
        f"{count} of the line in the air above the plates, as of a reflection, {verb} left out: see in the overlay "
        "what was taken",
    )


def _plate(surface: Points) -> Line:
    """Return the line of a surface on which a few points stray, the air above it."""
    line = total_least_squares(surface)
    for _ in range(ROUNDS):
        off = np.abs(line.offset(surface))
        line = total_least_squares(surface[off <= STRAY_STDS * 1.4826 * median(off) + 1e-9])
    return line if line.dx >= 0 else line.reversed()
