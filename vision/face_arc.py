"""An arc through much of a face, and where it meets a plate's line.

Over a short stretch a parabola follows any face. Over most of a cap it does not: laid through one that surface tension
has bent to an arc it meets the plates 0.05 mm too far out on each side. An arc has as many parameters, and points that
scatter much hardly tell which of the two a face is: both count, by how likely each of them makes the points.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from core.geometry import Line, Points

ROUNDS, SETTLED_MM = 8, 1e-6
STEEPEST_RAD = 1.3
"""An arc that has turned farther off its chord is none that a face makes."""

FORM_SHARE = 0.5
"""Share of the way between where an arc and a parabola meet a plate that is doubt, whichever the points speak for: a
face may be neither (judged on caps drawn as arcs, as parabolas, askew and with flat tops)."""

TINY, MOST = 1e-18, 50.0
STEP = 1e-6
"""For derivatives, mm, radians and 1/mm."""


@dataclass(frozen=True, slots=True, eq=False)
class FaceArc:
    """An arc: at ``origin`` it leads along ``direction`` turned by ``turn_rad``, and bends by ``bend`` (1/mm).

    ``covariance`` (3, 3) is that of its height at the origin, its turn and its bend, each point taken on its own;
    ``likelier`` how much likelier than a parabola it makes them, as a natural logarithm.
    """

    origin: Points
    direction: Points
    height: float
    turn_rad: float
    bend: float
    covariance: NDArray[np.float64]
    likelier: float


def arc_through(points: Points) -> FaceArc | None:
    """Return the arc of least squares across itself through points (N, 2) in order; None where there is none."""
    chord = Line.through(points[0], points[-1])
    along, across = chord.along(points), chord.offset(points)
    middle = float(along.mean())
    x = along - middle
    powers = np.array([np.ones(len(x)), x, x * x])
    try:
        height, slope, half_bend = np.linalg.solve(powers @ powers.T, powers @ across).tolist()
        guess = np.array([height, math.atan(slope), 2.0 * half_bend])
        beside = (across - height - x * (slope + half_bend * x)) / np.hypot(1.0, slope + 2.0 * half_bend * x)
        for _ in range(ROUNDS):
            left, design = _misfit(x, across, guess)
            normal = design @ design.T
            step = np.linalg.solve(normal, design @ left)
            guess = guess + step
            if not np.isfinite(guess).all() or abs(guess[1]) > STEEPEST_RAD:
                return None
            if float(np.abs(step @ design).max()) < SETTLED_MM:
                break
        scatter = np.asarray(np.linalg.inv(normal), np.float64)
    except np.linalg.LinAlgError:
        return None
    left, _ = _misfit(x, across, guess)
    over, over_beside, free = float(left @ left), float(beside @ beside), max(1, len(x) - 3)
    likelier = (over_beside - over) / (2.0 * max(min(over, over_beside) / free, TINY))
    height, turn, bend = guess.tolist()
    return FaceArc(chord.at(middle), chord.direction, height, turn, bend, scatter * (over / free), likelier)


def where_met(arc: FaceArc, plate: Line, near: float, alike: float) -> tuple[float, float, float] | None:
    """Return where an arc meets a plate's line: place along it, slope there (degrees), standard uncertainty (mm).

    Parameters
    ----------
    near
        Place along the plate next to which it is sought.
    alike
        How many neighbouring points carry one independent piece of information.
    """
    found = np.array([arc.height, arc.turn_rad, arc.bend])
    here = _crossing(arc, found, plate, near)
    if here is None:
        return None
    gradient = []
    for at in range(3):
        moved = found.copy()
        moved[at] += STEP
        there = _crossing(arc, moved, plate, near)
        if there is None:
            return None
        gradient.append((there[0] - here[0]) / STEP)
    by = np.array(gradient)
    return here[0], here[1], math.sqrt(max(float(by @ arc.covariance @ by) * alike, 0.0))


def of_either(
    arc: tuple[float, float, float], parabola: tuple[float, float, float], likelier: float
) -> tuple[float, float, float]:
    """Return where a face meets its plate (place, slope, standard uncertainty) from where an arc and a parabola do.

    ``likelier`` is the natural logarithm of how much likelier the arc makes the points.
    """
    share = 1.0 / (1.0 + math.exp(-min(max(likelier, -MOST), MOST)))
    place, slope = (share * one + (1.0 - share) * other for one, other in zip(arc[:2], parabola[:2], strict=True))
    apart = arc[0] - parabola[0]
    scatter = share * arc[2] ** 2 + (1.0 - share) * parabola[2] ** 2
    return place, slope, math.sqrt(scatter + (share * (1.0 - share) + FORM_SHARE**2) * apart**2)


def _misfit(
    x: NDArray[np.float64], across: NDArray[np.float64], arc: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return how far points lie beside an arc, across it, (N,), and how they come nearer with its values, (3, N).

    Of the circle k (x² + v²) / 2 + x sin t = v cos t through the origin, the root that holds for k = 0, too; what
    it grows by with each value over what it shrinks by with v, which is the cosine of the slope.
    """
    height, turn, bend = arc.tolist()
    s, c = math.sin(turn), math.cos(turn)
    risen = bend * x * x + 2.0 * s * x
    lean = np.sqrt(np.maximum(c * c - bend * risen, 1e-9))
    v = risen / (c + lean)
    np.minimum(lean, 1.0, out=lean)
    return (across - height - v) * lean, np.array([lean, c * x + s * v, (x * x + v * v) / 2.0])


def _crossing(arc: FaceArc, values: NDArray[np.float64], plate: Line, near: float) -> tuple[float, float] | None:
    """Return the place along a plate at which an arc meets it, and its slope against it in degrees."""
    height, turn, bend = values.tolist()
    normal = np.array([-arc.direction[1], arc.direction[0]])
    start = plate.at(near) - arc.origin - height * normal
    u, v = float(start @ arc.direction), float(start @ normal)
    du, dv = float(plate.direction @ arc.direction), float(plate.direction @ normal)
    s, c = math.sin(turn), math.cos(turn)
    square, linear = bend / 2.0, bend * (u * du + v * dv) + du * s - dv * c
    constant = bend * (u * u + v * v) / 2.0 + u * s - v * c
    rest = linear * linear - 4.0 * square * constant
    if rest < 0 or linear == 0:
        return None
    way = -2.0 * constant / (linear + math.copysign(math.sqrt(rest), linear))
    u, v = u + way * du, v + way * dv
    tangent = (c - bend * v) * arc.direction + (s + bend * u) * normal
    slope = math.atan2(abs(float(tangent @ plate.normal)), float(tangent @ plate.direction))
    return near + way, math.degrees(slope)
