"""The toe below weld metal that overhangs its plate.

Blur fills the notch between the plate and the metal above it, so that the outline turns round before it reaches the
toe. What is told lies higher: the round nose of the overhang. A circle is laid through it where the notch is wide
enough to be seen, and followed down to the plate.
"""

from __future__ import annotations

import math

import numpy as np

from core.geometry import Line, Points, arc_length
from vision.plate_line import Detail

SEEN_BLURS, SEEN_STEPS = 2.2, 1.5
"""A notch is seen where it is higher than so many standard deviations of the blur and steps of the outline."""

LONGEST_MM = 4.0
"""Length of face, from where it leaves the plate, in which a nose is looked for."""

FEWEST = 6
NO_CIRCLE = 0.1
"""Share of the unseen way to the plate by which a nose that is no circle may lead elsewhere (judged on rendered
pictures)."""

STEEPEST_DEG = 165.0
"""A nose that would meet its plate at more than this touches it along a way that is not told."""


def toe_below(
    path: Points, towards: Line, leave: int, detail: Detail, alike: float
) -> tuple[float, float, float] | None:
    """Return where the nose of an overhang meets the plate, the angle of the face there, and how sure the place is.

    Parameters
    ----------
    path, leave
        (N, 2), from the plate up the face, and the last of its points on the plate.
    towards
        The plate line directed to the weld, air on its left.
    alike
        Neighbouring points that carry one independent piece of information.

    Returns
    -------
    The coordinate along the plate, the angle through the metal in degrees, and the standard uncertainty of the
    coordinate; None where no nose is seen.
    """
    face = path[leave:]
    face = face[: int(np.searchsorted(arc_length(face), LONGEST_MM)) + 1]
    x, y = towards.along(face), towards.offset(face)
    nose = _nose(x, y, seen_height(detail))
    if nose is None:
        return None
    low, stop = nose
    met = _circle_meets(x[low : stop + 1], y[low : stop + 1], alike)
    if met is None:
        return None
    along, angle_deg, std = met
    unseen = math.hypot(float(x[low]) - along, float(y[low]))
    return along, angle_deg, math.hypot(std, NO_CIRCLE * unseen)


def seen_height(detail: Detail) -> float:
    """Return how high above a plate a notch is seen, in mm: below, blur fills it."""
    return SEEN_BLURS * detail.blur_mm + SEEN_STEPS * detail.step_mm


def nose_deg(face: Points, blur_mm: float, step_mm: float) -> float | None:
    """Return the angle of the face, through the metal, where the nose of an overhang meets the plate.

    Parameters
    ----------
    face
        (N, 2) from the toe on: x along the plate into the weld, y out of the metal.

    Returns
    -------
    The angle in degrees; None where no nose is seen.
    """
    face = face[: int(np.searchsorted(arc_length(face), LONGEST_MM)) + 1]
    x, y = face.T
    nose = _nose(x, y, SEEN_BLURS * blur_mm + SEEN_STEPS * step_mm)
    met = None if nose is None else _circle_meets(x[nose[0] : nose[1] + 1], y[nose[0] : nose[1] + 1], 1.0)
    return None if met is None else met[1]


def _nose(x: Points, y: Points, least: float) -> tuple[int, int] | None:
    """Return the first and the last point of a nose that is seen above a height, as much of it above as below."""
    seen = np.flatnonzero(y > least)
    if len(seen) == 0:
        return None
    low = int(seen[0])
    nose = low + int(np.argmin(x[low:]))
    # As much of the nose above its foremost point as is seen below it.
    above = np.flatnonzero(y[nose:] > 2.0 * y[nose] - y[low])
    stop = nose + (int(above[0]) if len(above) else len(y) - 1 - nose)
    return None if nose - low < 3 or stop - low < FEWEST else (low, stop)


def _circle_meets(x: Points, y: Points, alike: float) -> tuple[float, float, float] | None:
    """Return where a circle through points (N,) crosses y = 0 before its middle (I. Kåsa, IEEE Trans. IM-25, 1976)."""
    middle = float(x.mean())
    design = np.column_stack([x - middle, y, np.ones(len(x))])
    squares = design[:, 0] ** 2 + y**2
    normal = np.linalg.inv(design.T @ design)
    solution = normal @ (design.T @ squares)
    found = _crossing(solution)
    if found is None:
        return None
    along, angle_deg, radius = found
    off = np.hypot(design[:, 0] - solution[0] / 2, y - solution[1] / 2) - radius
    variance = float(off @ off) / max(1, len(x) - 3) * alike
    gradient = np.zeros(3)
    for at in range(3):
        step = 1e-4 * max(abs(float(solution[at])), radius, radius**2)
        moved = solution.copy()
        moved[at] += step
        other = _crossing(moved)
        if other is None:
            return None
        gradient[at] = (other[0] - along) / step
    # An algebraic distance is a geometric one times the diameter.
    std = 2.0 * radius * math.sqrt(max(float(gradient @ normal @ gradient) * variance, 0.0))
    return along + middle, angle_deg, std


def _crossing(solution: Points) -> tuple[float, float, float] | None:
    across, up = float(solution[0]) / 2, float(solution[1]) / 2
    square = float(solution[2]) + across**2 + up**2
    if square <= 0.0 or up <= 0.0:
        return None
    radius = math.sqrt(square)
    if up >= radius * math.sin(math.radians(STEEPEST_DEG - 90.0)):
        return None
    return across - math.sqrt(square - up**2), 90.0 + math.degrees(math.asin(up / radius)), radius
