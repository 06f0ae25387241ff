"""Parent metal that is a pipe's outside: an arc takes the place of the straight plate line.

Where the surface on both sides of a weld bends towards the metal alike and by more than its noise, the profile is
unrolled: each point goes to (length along the arc, height above the arc). On the unrolled profile the pipe is a
straight plate, and everything that is measured from plate lines holds: widths are taken along the pipe's surface,
heights and depths square to it. Two pieces of pipe that do not lie on one circle (offset, peaked) keep their offset
and their angle.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from core.fitting import LineFit, correlation_points, total_least_squares
from core.geometry import Points, arc_length
from core.medians import median
from vision.profile import Profile, usual_std_mm
from vision.section import Section

END_SHARE = 0.28
"""Share of the profile at each end that is taken for parent metal."""

LEAST_POINTS = 25
SETTLED = 1e-3
"""A parabola that moves by less than this share of the scatter has been found."""

POWERS = np.add.outer(np.arange(3), np.arange(3))
"""Power of the place in each entry of the normal equations of a parabola."""

SURE = 5.0
"""A bend counts when it is so many times its standard uncertainty."""

LEAST_SAGITTA_MM = 0.04
"""A stretch that leaves its chord by less is straight as far as welds go."""

STRAIGHT_SHARE = 0.1
"""Half of the points of a bent stretch lie farther from any line than this share of its sagitta: 0.26 where all of them
are on it, 0.15 where a quarter is not."""

ALIKE_AT_LEAST = 2.0
"""Neighbouring points may share half of their noise."""

ALIKE = 0.3
"""Both sides belong to one pipe when their bends differ by no more than this share (and their uncertainty)."""

RADII_MM = (5.0, 3000.0)
DIAMETER_STD = 0.0058
"""Relative standard uncertainty of a given diameter: 1 % as the half width of a rectangular distribution, a common
tolerance of pipe (an assumption, without a source of its own)."""


@dataclass(frozen=True, slots=True)
class Bend:
    """Curvature of a stretch, 1/mm (above 0: hollow towards the air), its standard uncertainty, and the scatter, mm.

    ``residual`` holds how far each of its points lies off the bent line, mm.
    """

    curvature: float
    std: float
    scatter: float
    residual: NDArray[np.float64]

    @property
    def is_pipe(self) -> bool:
        """Whether the stretch bends towards the metal by more than what its points have in common may bend it."""
        if -self.curvature < SURE * self.std:
            return False
        # Asked last: points of a smoothed surface lie off it together over millimetres, and bend it as a pipe would.
        alike = max(correlation_points(self.residual) / ALIKE_AT_LEAST, 1.0)
        return -self.curvature >= SURE * self.std * math.sqrt(alike)


@dataclass(frozen=True, slots=True, eq=False)
class Arc:
    """A pipe's outside in the plane of the section.

    Attributes
    ----------
    centre
        (2,) mm, on the metal's side.
    radius_mm, radius_std_mm
        Radius and its standard uncertainty.
    given
        Whether a person gave the diameter.
    start_rad
        Direction from the centre to the middle of the profile.
    """

    centre: Points
    radius_mm: float
    radius_std_mm: float
    given: bool
    start_rad: float

    @property
    def curvature_std(self) -> float:
        """Standard uncertainty of 1 / radius, 1/mm."""
        return self.radius_std_mm / self.radius_mm**2

    def unrolled(self, points: Points) -> Points:
        """Return (length along the arc, height above it) of points (N, 2), left to right, air above."""
        offset = points - self.centre
        angle = self.start_rad - np.arctan2(offset[:, 1], offset[:, 0])
        angle = (angle + math.pi) % (2 * math.pi) - math.pi
        return np.column_stack([self.radius_mm * angle, np.hypot(offset[:, 0], offset[:, 1]) - self.radius_mm])

    def rolled(self, points: Points) -> Points:
        """Return unrolled points (N, 2) where they lie in the section."""
        angle = self.start_rad - points[:, 0] / self.radius_mm
        reach = self.radius_mm + points[:, 1]
        return np.asarray(self.centre + np.column_stack([reach * np.cos(angle), reach * np.sin(angle)]))

    def doubted(self, section: Section) -> Section:
        """Add what is not known of the radius to what is not known of both plate lines."""
        face = section.face
        if face is None:
            return section
        width = float(np.hypot(*(face.toe_right - face.toe_left)))
        middle = (face.toe_left + face.toe_right) / 2
        # Plates that are offset are not of one radius: each is off by half of the offset from what both were taken for.
        offset = abs(float(face.left.fit.line.offset(middle)) + float(face.right.fit.line.offset(middle)))
        own = offset / 2 / self.radius_mm**2
        left, right = (
            replace(plate, fit=widened(fit, plate.points, self.curvature_std, width, both_sides=True))
            for plate in (face.left, face.right)
            for fit in (widened(plate.fit, plate.points, own, width),)
        )
        return replace(section, face=replace(face, left=left, right=right))


def arc_of(profile: Profile, outside_diameter_mm: float | None = None) -> Arc | None:
    """Return the arc beside the weld of an open profile, None where the surfaces are straight or not one pipe.

    Parameters
    ----------
    outside_diameter_mm
        The pipe's, where it is known; the arc is then of this size, if the profile bends like that at all.
    """
    if profile.closed:
        return None
    ends = ends_of(profile.points_mm)
    if ends is None:
        return None
    if outside_diameter_mm is None and any(is_straight(end, LEAST_SAGITTA_MM) for end in ends):
        return None
    noise = usual_std_mm(profile)
    bends = [bend_of(end) for end in ends]
    if any(bend.scatter > max(3.0 * noise, 0.03) for bend in bends):
        return None
    known = None if outside_diameter_mm is None else -2.0 / outside_diameter_mm
    if not _one_pipe(bends, [float(np.hypot(*(end[-1] - end[0]))) for end in ends], known):
        return None
    weights = np.array([1.0 / bend.std**2 for bend in bends])
    curvature = known if known is not None else float(weights @ [bend.curvature for bend in bends] / weights.sum())
    std = DIAMETER_STD * abs(curvature) if known is not None else float(1.0 / math.sqrt(weights.sum()))
    arc = _through(profile.points_mm, ends, curvature, std, known is not None)
    for _ in range(0 if known is not None else 3):
        # What is left of the bend on the unrolled ends: a parabola is not quite a circle.
        left = [bend_of(arc.unrolled(end)).curvature for end in ends]
        curvature += float(weights @ left / weights.sum())
        if not RADII_MM[0] < -1.0 / curvature < RADII_MM[1]:
            return None
        arc = _through(profile.points_mm, ends, curvature, std, False)
    return arc


def ends_of(points: Points) -> tuple[Points, Points] | None:
    """Return the points at both ends of a profile that are taken for parent metal, None when there are too few."""
    length = arc_length(points)
    share = length / length[-1] if length[-1] > 0 else length
    left, right = points[share < END_SHARE], points[share > 1 - END_SHARE]
    return (left, right) if min(len(left), len(right)) >= LEAST_POINTS else None


def is_straight(points: Points, sagitta_mm: float) -> bool:
    """Tell whether half of the points lie so near a straight line that they do not bend by a sagitta."""
    return median(np.abs(total_least_squares(points).offset(points))) < STRAIGHT_SHARE * sagitta_mm


def bend_of(points: Points) -> Bend:
    """Return how a stretch bends, by a robust parabola."""
    line = total_least_squares(points)
    if line.direction @ (points[-1] - points[0]) < 0:
        line = line.reversed()
    x, y = line.along(points), line.offset(points)
    scale = float(np.abs(x).max())
    # What the normal equations add up: powers of the place, and the first three times the height.
    terms = np.empty((8, len(x)))
    design = terms[:3]
    terms[0] = 1.0
    np.divide(x, scale, out=terms[1])
    for power in (2, 3, 4):
        np.multiply(terms[power - 1], terms[1], out=terms[power])
    np.multiply(design, y, out=terms[5:])
    weights = np.ones(len(x))
    solution = np.zeros(3)
    for _ in range(12):
        sums = terms @ (weights * weights)
        before, solution = solution, _solved(sums.take(POWERS), sums[5:])
        residual = y - solution @ design
        spread = max(1.4826 * median(np.abs(residual)), 1e-6)
        # Spatter and a toe at the inner end are no part of the surface (Tukey's biweight).
        weights = np.maximum(1 - (residual / (4.685 * spread)) ** 2, 0.0)
        if float(np.abs(solution - before).max()) < SETTLED * spread:
            break
    inverse = np.linalg.inv((terms[:5] @ (weights > 0)).take(POWERS))
    std = 2.0 * spread * math.sqrt(ALIKE_AT_LEAST * float(inverse[2, 2])) / scale**2
    slope = float(solution[1]) / scale
    return Bend(float(2 * solution[2] / scale**2 / (1 + slope**2) ** 1.5), std, spread, residual)


def _solved(normal: NDArray[np.float64], right: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the solution of normal equations, that of least length where they leave some of it open."""
    solved, solution = cv2.solve(normal, right[:, None], flags=cv2.DECOMP_LU)
    if solved:
        return np.asarray(solution, float).ravel()
    return np.asarray(np.linalg.lstsq(normal, right, rcond=None)[0], float)


def _one_pipe(bends: list[Bend], lengths: list[float], known: float | None) -> bool:
    """Tell whether both ends bend away from the air alike: as one pipe does, or as the given one."""
    left, right = bends
    if known is not None:
        return all(abs(bend.curvature - known) < ALIKE * abs(known) + 4 * bend.std for bend in bends)
    if not all(bend.is_pipe for bend in bends):
        return False
    if any(-b.curvature * length**2 / 8 < LEAST_SAGITTA_MM for b, length in zip(bends, lengths, strict=True)):
        return False
    mean = -(left.curvature + right.curvature) / 2
    if abs(left.curvature - right.curvature) > ALIKE * mean + 4 * math.hypot(left.std, right.std):
        return False
    return RADII_MM[0] < 1.0 / mean < RADII_MM[1]


def _through(points: Points, ends: tuple[Points, Points], curvature: float, std: float, given: bool) -> Arc:
    """Return the arc of one curvature that lies nearest to both ends."""
    radius = -1.0 / curvature
    centre = centre_near(np.vstack(ends), radius)
    middle = points.mean(axis=0) - centre
    return Arc(centre, radius, std * radius**2, given, math.atan2(middle[1], middle[0]))


def centre_near(points: Points, radius: float) -> Points:
    """Return the centre of the circle of one radius nearest to points in order, on their right (Gauss and Newton)."""
    chord = points[-1] - points[0]
    along = chord / np.hypot(*chord)
    into_metal = np.array([along[1], -along[0]])
    # The points lie about so far below the crown of the arc as their place across the chord says.
    across = (points - points.mean(axis=0)) @ along
    drop = float(np.mean(radius - np.sqrt(np.maximum(radius**2 - across**2, 0.0))))
    centre = points.mean(axis=0) + into_metal * (radius - drop)
    for _ in range(20):
        offset = points - centre
        reach = np.hypot(offset[:, 0], offset[:, 1])
        step = np.linalg.lstsq(-offset / reach[:, None], radius - reach, rcond=None)[0]
        centre = centre + step
        if float(np.hypot(*step)) < 1e-9:
            break
    return np.asarray(centre)


def widened(
    fit: LineFit, points: Points, curvature_std: float, beyond_mm: float, *, both_sides: bool = False
) -> LineFit:
    """Return a plate line with the doubt of a bend: it is used from its points to half of ``beyond_mm`` before them.

    A line through a stretch of length L of a surface that still bends by k is off by k L²/24 at its middle, and at a
    distance d from there it misses the surface by k (d² - L²/12) / 2.

    Parameters
    ----------
    both_sides
        The plate on the other side lies on the same surface: what its bend does to the directions they share, and from
        the middle between them each leans by k times the way to its own.
    """
    length = float(np.ptp(fit.line.along(points)))
    fit = replace(fit, offset_std=math.hypot(fit.offset_std, curvature_std * length**2 / 24.0))
    if both_sides:
        return replace(fit, bend_std_rad=curvature_std * (length + beyond_mm) / 2.0)
    return replace(fit, angle_std_rad=math.hypot(fit.angle_std_rad, curvature_std * (length + beyond_mm) / 4.0))
