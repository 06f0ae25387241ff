"""Spatter that sticks to a weld: small bumps with steep feet, seen on a surface line and left out of it.

A drop of metal that froze on the surface stands on it with a sharp corner on both sides. On the face it passes for
convexity, at a toe for a part of the weld. What is left is a stretch without points, as where the surface is hidden.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from core.geometry import Points, step_lengths
from core.medians import median
from vision.profile import Gap, Profile, usual_std_mm
from vision.section import Flag, Section

WIDEST_MM = 2.2
"""Drops that froze on a plate are seldom wider (common practice, no source)."""

LONGEST_MM = 3.0 * WIDEST_MM
"""Along the surface of a drop as high as wide."""

LEAST_WIDTH_MM, LEAST_HEIGHT_MM, LEAST_SHARE, MOST_SHARE = 0.25, 0.1, 0.2, 1.2
"""Least width and middle height of a bump, and its height as a share of its width: a run of a weld lies flatter, and
what stands higher is no drop but a fault of the outline."""

OVER_NOISE = 5.0
FEWEST_INSIDE = 4
FOOT_DEG = 35.0
FOOT_MM = 0.2
"""The surface turns by so much, over so far on both sides, at the foot of a bump."""

BESIDE_SURFACE_MM, FEWEST_BESIDE = 1.5, 6
"""The surfaces beside a bump are seen over so much, in so many points at least."""

BESIDE_MM, ON_FACE_MM = 0.5, 0.05
MOST_OF_WELD = 0.45
"""A bump wider than this share of a weld may be the weld."""

OVERHANG_MM, HIGH_SHARE = 0.05, 0.3
"""A lobe that reaches over the plate by so much, and whose inner foot lies above it by so much of its height."""

LEFT_OUT, SUSPECTED = "spatter_left_out", "spatter_suspected"
COVERED = "a bump like spatter covers the surface"


@dataclass(frozen=True, slots=True)
class Bump:
    """Points ``start`` to ``stop``, its feet, between which a bump stands; its width and height in mm."""

    start: int
    stop: int
    width_mm: float
    height_mm: float


def bumps_of(profile: Profile) -> list[Bump]:
    """Return the bumps of a profile that stand on it like spatter; of a closed one none."""
    return [] if profile.closed else bumps(profile.points_mm, usual_std_mm(profile))


def bumps(points: Points, noise: float) -> list[Bump]:
    """Return the bumps that stand on a line like spatter, in order along it.

    Parameters
    ----------
    points
        (N, 2) mm with the metal on their right.
    noise
        Standard deviation of a point across the line, mm.
    """
    step = max(median(step_lengths(points)), 1e-6)
    reach = max(2, math.ceil(max(FOOT_MM, 5.0 * noise) / step))
    if len(points) < 4 * reach:
        return []
    feet = _feet(points, reach)
    longest = math.ceil(LONGEST_MM / step)
    seen = [
        bump
        for index, start in enumerate(feet)
        for stop in feet[index + 1 :]
        if stop - start <= longest and (bump := _bump(points, start, stop, noise)) is not None
    ]
    # Two corners of which one lies beyond the foot make a flatter bump.
    chosen: list[Bump] = []
    for bump in sorted(seen, key=lambda bump: -bump.height_mm / bump.width_mm):
        if all(bump.stop <= other.start or bump.start >= other.stop for other in chosen):
            chosen.append(bump)
    return sorted(chosen, key=lambda bump: bump.start)


def _feet(points: Points, reach: int) -> list[int]:
    """Return the points at which the surface turns most towards the air, each the sharpest within its reach."""
    before = points[reach:-reach] - points[: -2 * reach]
    after = points[2 * reach :] - points[reach:-reach]
    cross = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
    turn = np.arctan2(cross, np.sum(before * after, axis=1))
    sharp = np.flatnonzero(turn > math.radians(FOOT_DEG))
    if not len(sharp):
        return []
    feet = []
    for group in np.split(sharp, np.flatnonzero(np.diff(sharp) > 1) + 1):
        feet.append(int(group[np.argmax(turn[group])]) + reach)
    return feet


def _bump(points: Points, start: int, stop: int, noise: float) -> Bump | None:
    width = float(np.hypot(*(points[stop] - points[start])))
    if not LEAST_WIDTH_MM <= width <= WIDEST_MM or stop - start <= FEWEST_INSIDE:
        return None
    inner = points[start + 1 : stop]
    along = (points[stop] - points[start]) / width
    away = inner - points[start]
    height = along[0] * away[:, 1] - along[1] * away[:, 0]
    most = float(height.max())
    # The middle height tells a dome from points that scatter; these scatter about their neighbours, too.
    second = height[2:] - 2.0 * height[1:-1] + height[:-2]
    scatter = max(noise, 1.4826 * median(np.abs(second)) / math.sqrt(6.0))
    if not LEAST_SHARE * width <= most <= MOST_SHARE * width or median(height) < max(
        LEAST_HEIGHT_MM, OVER_NOISE * scatter
    ):
        return None
    roof = _roof(points, start, stop, along, away @ along)
    if roof is not None and median(height - roof) < max(LEAST_HEIGHT_MM, OVER_NOISE * scatter):
        return None
    return Bump(start, stop, width, most)


def _roof(points: Points, start: int, stop: int, along: Points, place: Points) -> Points | None:
    """Return how high over its feet the surfaces beside a bump meet, at places between them; None where it is not seen.

    A corner of the surface itself, between feet that are none but scatter, does not stand above them.
    """
    heights: list[Points] = []
    for side in (points[:start][::-1], points[stop + 1 :]):
        foot = points[start if len(heights) == 0 else stop]
        away = side[: np.searchsorted(np.hypot(*(side - foot).T), BESIDE_SURFACE_MM)] - points[start]
        if len(away) < FEWEST_BESIDE:
            return None
        x, y = away @ along, along[0] * away[:, 1] - along[1] * away[:, 0]
        slope = float(np.cov(x, y, bias=True)[0, 1] / max(float(x.var()), 1e-9))
        heights.append(y.mean() + slope * (place - x.mean()))
    return np.asarray(np.maximum(np.minimum(heights[0], heights[1]), 0.0))


def without(profile: Profile, left_out: list[Bump], reason: str = COVERED) -> Profile:
    """Return a profile without the points between the feet of bumps, each a gap with its reason."""
    keep = np.ones(len(profile.points_mm), bool)
    for bump in left_out:
        keep[bump.start + 1 : bump.stop] = False
    new = np.cumsum(keep) - 1
    covered = [Gap(int(new[bump.start]), bump.width_mm, reason) for bump in left_out]
    taken = {gap.after for gap in covered}
    rest = [
        replace(gap, after=int(new[gap.after]) if gap.after >= 0 else -1)
        for gap in profile.gaps
        if gap.after < 0 or _kept(gap.after, left_out)
    ]
    gaps = sorted([*covered, *(gap for gap in rest if gap.after not in taken)], key=lambda gap: gap.after)
    index = np.flatnonzero(keep)
    return replace(
        profile,
        points_mm=profile.points_mm[index],
        std_mm=profile.std_mm[index],
        cut=profile.cut[index],
        points_px=None if profile.points_px is None else profile.points_px[index],
        gaps=tuple(gaps),
        end_shifts_mm={int(new[at]): shifts for at, shifts in profile.end_shifts_mm.items() if keep[at]},
    )


def _kept(after: int, left_out: list[Bump]) -> bool:
    return not any(bump.start <= after < bump.stop for bump in left_out)


def sticks_to(bump: Bump, section: Section, points: Points) -> bool:
    """Tell whether a bump of points stands on a weld or a prepared edge, or beside it, and is no more than a part."""
    ends = _ends(section)
    if ends is None or bump.width_mm >= MOST_OF_WELD * float(np.hypot(*(ends[1] - ends[0]))):
        return False
    feet = [points[index] for index in (bump.start, bump.stop)]
    if min(float(np.hypot(*(foot - end))) for foot in feet for end in ends) < BESIDE_MM:
        return True
    if section.face is not None:
        return all(float(np.hypot(*(section.face.face - foot).T).min()) < ON_FACE_MM for foot in feet)
    left, right = (int(np.argmin(np.hypot(*(points - end).T))) for end in ends)
    return bump.start < right and bump.stop > left


def may_be_overlap(bump: Bump, section: Section, points: Points, *, least_mm: float = OVERHANG_MM) -> bool:
    """Tell whether a bump at a toe may be weld metal that ran over the plate: it overhangs and goes over into the face.

    A drop beside a weld comes down to the plate again before the weld begins. ``least_mm`` is by how much a lobe
    reaches over the plate at least.
    """
    if section.face is None:
        return False
    feet, dome = (points[bump.start], points[bump.stop]), points[bump.start + 1 : bump.stop]
    for toe, plate, (outer, inner) in (
        (section.face.toe_left, section.face.left, feet),
        (section.face.toe_right, section.face.right, feet[::-1]),
    ):
        line = plate.fit.line  # which leads away from the weld
        over = float(line.along(dome).max() - line.along(outer))
        height = abs(float(line.offset(inner)))
        if np.hypot(*(outer - toe)) < BESIDE_MM and over > least_mm and height > HIGH_SHARE * bump.height_mm:
            return True
    return False


def _ends(section: Section) -> tuple[Points, Points] | None:
    """Return the toes of a weld or the outer corners of a prepared joint, None where not both are there."""
    if section.face is not None:
        return section.face.toe_left, section.face.toe_right
    if section.edge_left is not None and section.edge_right is not None:
        return section.edge_left.outer_corner, section.edge_right.outer_corner
    return None


def left_out(bumps: list[Bump]) -> Flag:
    """Return what is told of bumps that were left out."""
    return Flag(
        LEFT_OUT, f"{_told(bumps)} on or beside the weld, like spatter, and was left out: see that it is none of it"
    )


def suspected(bumps: list[Bump]) -> Flag:
    """Return what is told of bumps without which no weld like the one with them is seen."""
    return Flag(
        SUSPECTED, f"{_told(bumps)} on or beside the weld, like spatter or overlap, and is measured as a part of it"
    )


def _told(bumps: list[Bump]) -> str:
    largest = max(bumps, key=lambda bump: bump.height_mm)
    more = f" (and {len(bumps) - 1} more)" if len(bumps) > 1 else ""
    return f"a bump {largest.width_mm:.1f} mm wide and {largest.height_mm:.1f} mm high{more} stands"
