"""Toe angle, and overlap that follows from it.

Each toe is looked at in its own frame: origin at the toe, x along the plate into the weld, y out of the
metal. Both toes then look like a left toe with the air above, and the toe angle is 180° less the rise of the
face.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from core.fitting import LineFit
from core.geometry import Points, arc_length, distance
from core.quantity import Measured, NotMeasurable, Quantity
from measurement.peak import highest
from measurement.uncertainty import OPERATOR, Noise, quantity
from vision.overhang import nose_deg
from vision.section import WeldSurface

SPAN_MM = (0.5, 1.0)
"""Least and greatest length of face over which the tangent is fitted."""

CURVATURE_SPANS = (1.0, 1.5, 2.25, 3.4, 5.0)
"""Multiples of the tangent's span over which the face's curvature is tried."""


FARTHEST = 2.4
"""Points farther apart than so many correlation lengths have nothing in common (less than 1e-7)."""

BEYOND_ARC = 1.4
"""Times the scatter of a tangent that starts where an arc ends, for where that is."""

LONGER, OF_NOISE = 1.8, 4.0
"""A surface strays as one piece over so many times the length that is seen about fitted lines, which take up the
slowest part of it; neighbouring points that share their noise alone do not (judged on rendered pictures)."""

UNSURE_MM = 0.15
"""Where a toe is known no better along its plate (standard uncertainty), its tangent may be that of the face farther
on: the bend of the face at the toe tells nothing of a corner behind it."""

WEDGE_DOUBT = 0.25
"""Share of what a toe angle lacks to 90 degrees that is doubt (judged on rendered pictures).

Under a lobe the wedge of air closes in the blur, and the tangent is taken where the lobe comes out of it."""


@dataclass(frozen=True, slots=True, eq=False)
class Toe:
    """One toe in its own frame.

    Attributes
    ----------
    face
        (M, 2) from the toe on, the toe itself not included.
    plate
        (N, 2) from the toe outwards.
    std
        Standard uncertainty of the toe along the plate.
    fit
        The plate line in the section frame; ``along_plate`` is the toe's coordinate along it.
    source
        What the budget calls the doubt of the toe's place.
    """

    face: Points
    plate: Points
    std: float
    fit: LineFit
    along_plate: float
    source: str = "toe location"


def toes_of(surface: WeldSurface) -> dict[str, Toe]:
    """Return the left and the right toe of the face side."""
    left, right = surface.left.fit, surface.right.fit
    toes = {
        "left": _toe(
            surface.face, surface.left.points, surface.toe_left, left, -left.line.normal, surface.toe_std_left
        ),
        "right": _toe(
            surface.face[::-1], surface.right.points, surface.toe_right, right, right.line.normal, surface.toe_std_right
        ),
    }
    return {
        side: replace(toe, source=OPERATOR) if f"toe_{side}" in surface.marked else toe for side, toe in toes.items()
    }


def _toe(face: Points, plate: Points, at: Points, fit: LineFit, out: Points, std: float) -> Toe:
    axes = np.column_stack([-fit.line.direction, out])
    origin = fit.line.at(float(fit.line.along(at)))
    return Toe((face[1:] - origin) @ axes, (plate - origin) @ axes, std, fit, float(fit.line.along(at)))


def toe_angle(toe: Toe, noise: Noise, *, arc: tuple[Points, Points] | None = None) -> Measured:
    """Return the angle through the air between the plate and the tangent to the face at the toe.

    A straight line is fitted over up to 1 mm of the face and turned back to the toe by the face's curvature,
    which comes from the longest stretch that agrees with the shorter ones. What blur rounds is left out, and the
    arc of a toe of resolved radius: the toe is where the face beyond it, without the arc, meets the plate.

    Parameters
    ----------
    arc
        Where plate and face would meet without the rounded transition, and where that ends, (2,) each.
    """
    face, noise = _thinned(toe.face, noise)
    travel = arc_length(np.vstack([np.zeros(2), face]))[1:]
    rounded = 0.0
    if arc is not None and len(face) > 0:
        # A toe that was found where the arc begins is not where the face's tangent is asked for.
        rounded = float(travel[int(np.argmin(np.sum((face - arc[1]) ** 2, axis=1)))])
        face = face - arc[0]
    length = float(travel[-1]) if len(travel) else 0.0
    if length < SPAN_MM[0]:
        return NotMeasurable(f"the face is shorter than the {SPAN_MM[0]:g} mm that a tangent needs", "deg")
    span = min(SPAN_MM[1], max(SPAN_MM[0], length / 3))
    first = max(0.0, min(rounded, 0.5 * length - span))
    start, end = first + min(noise.rounded_mm, 0.5 * span), first + span
    base = int(np.searchsorted(travel, start))
    near = int(np.searchsorted(travel, end, side="right")) - base
    if near < 5:
        return NotMeasurable(
            f"fewer than 5 points on the first {span:g} mm of the face; take the picture closer", "deg"
        )
    tangent = _tangent(face[base:], near)
    found: list[tuple[float, float, float, float]] = []
    for multiple in CURVATURE_SPANS:
        reach = first + multiple * span
        if multiple > 1 and reach > 0.5 * length:
            break
        bent = int(np.searchsorted(travel, reach, side="right")) - base
        trial = _rise(tangent, bent, noise)
        if any(abs(trial[0] - shorter[0]) > 2.5 * shorter[1] for shorter in found):
            break
        found.append((*trial, reach))
    rise, std, bend, reach = found[max(len(found) - 2, 0)]
    # the longest stretch may bend otherwise than the toe; the step to it shows by how much
    std = math.hypot((BEYOND_ARC if first > 0 else 1.0) * std, found[-1][0] - rise)
    moved = abs(bend) * toe.std
    if toe.std > UNSURE_MM:
        moved = max(moved, _turn_farther_on(face, travel, start, span, toe.std))
    parts = {
        "edge": math.degrees(std),
        "plate fit": math.degrees(toe.fit.angle_std_rad),
        toe.source: math.degrees(moved),
        "blur": WEDGE_DOUBT * max(0.0, math.degrees(rise) - 90.0),
    }
    if rise > 0.5 * math.pi:
        # The nose of an overhang turns by much within the stretch that its tangent is taken over.
        nose = nose_deg(toe.face, noise.blur_mm, distance(toe.face[-1], toe.face[0]) / len(toe.face))
        if nose is not None:
            parts["blur"] = max(parts["blur"], 0.5 * abs(nose - math.degrees(rise)))
    note = f"tangent at the toe, fitted over {start:.2f} to {end:.2f} mm of the face, its bend up to {reach:.2f} mm"
    return quantity(180.0 - math.degrees(rise), "deg", parts, noise, note=note)


def _turn_farther_on(face: Points, travel: NDArray[np.float64], start: float, span: float, toe_std: float) -> float:
    """Return by how much, in radians for one standard uncertainty of the toe, the face turns within two of them."""
    shift = min(2.0 * toe_std, 0.5 * float(travel[-1]) - span)
    return 0.0 if shift <= 0 else _turn(face, travel, (start, start + shift), span) * toe_std / shift


def _turn(face: Points, travel: NDArray[np.float64], starts: tuple[float, float], span: float) -> float:
    """Return the angle between two stretches of the face, in radians.

    The main axis of each stretch's points, which hardly differs from a line fitted to them.
    """
    ways = []
    for start in starts:
        first, last = np.searchsorted(travel, [start, start + span])
        x, y = (face[first : last + 1] - face[first : last + 1].mean(axis=0)).T
        ways.append(0.5 * math.atan2(2.0 * float(x @ y), float(x @ x - y @ y)))
    turn = abs(ways[1] - ways[0]) % math.pi
    return min(turn, math.pi - turn)


def _thinned(face: Points, noise: Noise) -> tuple[Points, Noise]:
    """Average points to be no denser than three noise widths, else steps of noise add up to a false length."""
    if len(face) < 3:
        return face, noise
    spacing = distance(face[-1], face[0]) / (len(face) - 1)
    size = max(1, min(round(3 * noise.point_std_mm / max(spacing, 1e-9)), len(face) // 40))
    count = len(face) // size
    averaged = np.asarray(face[: count * size].reshape(count, size, 2).mean(axis=1))
    fewer = replace(
        noise,
        point_std_mm=noise.of_mean(1 / size),
        correlation_points=max(1.0, noise.correlation_points / size),
    )
    return averaged, fewer


@dataclass(frozen=True, slots=True, eq=False)
class _Tangent:
    """The face from where its tangent begins, (N,) each in a frame turned with it, and the weights of a line's slope.

    The slope of a line through the first points is ``weights`` times their heights; ``bent`` is what a curve x² gives.
    """

    turn: float
    x: NDArray[np.float64]
    y: NDArray[np.float64]
    weights: NDArray[np.float64]
    bent: float


def _tangent(face: Points, near: int) -> _Tangent:
    tip_x, tip_y = face[near - 3 : near].mean(axis=0).tolist()
    turn = math.atan2(tip_y, tip_x)
    axes = np.array([[math.cos(turn), math.sin(turn)], [-math.sin(turn), math.cos(turn)]])
    x, y = axes @ face.T
    weights = _fit_weights(x[:near], 1)
    return _Tangent(turn, x, y, weights, float(weights @ (x[:near] * x[:near])))


def _rise(tangent: _Tangent, bent: int, noise: Noise) -> tuple[float, float, float]:
    """Return the rise of the tangent at the toe, its standard uncertainty, and the face's curvature.

    The first ``bent`` points tell its bend.
    Both fits are linear in the heights, so that their covariance is exact: the slope at the toe is w·height.
    """
    x, y = tangent.x[:bent], tangent.y[:bent]
    w = _fit_weights(x, 2)
    bend = float(w @ y)
    w *= -tangent.bent
    w[: len(tangent.weights)] += tangent.weights
    correlation = max(noise.correlation_points, LONGER * (noise.correlation_points - OF_NOISE))
    std = noise.point_std_mm * math.sqrt(_correlated_square(w, correlation))
    return tangent.turn + math.atan(float(w @ y)), std, 2 * bend


def _fit_weights(x: NDArray[np.float64], degree: int) -> NDArray[np.float64]:
    """Return the weights by which heights at ``x`` give the highest coefficient of a least-squares polynomial.

    Degree 1 or 2. The highest power less what the lower ones take up of it, scaled to answer itself with 1.
    """
    first = x - float(np.add.reduce(x)) / len(x)
    power = first
    if degree == 2:
        square = first * first
        power = (
            square
            - float(np.add.reduce(square)) / len(x)
            - first * (float(square @ first) / max(float(first @ first), 1e-30))
        )
    return np.asarray(power / max(float(power @ power), 1e-30))


def _correlated_square(weights: NDArray[np.float64], correlation_points: float) -> float:
    """Return the variance of a weighted sum of points of unit variance that follow each other smoothly.

    A surface that wanders slowly shifts a short stretch as a whole and hardly turns it: taking its points for
    a few independent blocks would make far too much of a slope's uncertainty. The correlation is Gaussian with
    the stated integral, and a twentieth of the variance is left to noise from point to point.
    """
    used = np.flatnonzero(weights)
    if len(used) == 0:
        return 0.0
    w = weights[used[0] : used[-1] + 1]
    if len(w) > 600:
        # Sum neighbouring weights: the correlation is far longer than that.
        size = math.ceil(len(w) / 600)
        w = np.add.reduceat(w, np.arange(0, len(w), size))
        correlation_points = max(1.0, correlation_points / size)
    reach = min(len(w) - 1, math.ceil(FARTHEST * correlation_points))
    spread = np.convolve(w, _alike(reach, correlation_points))[reach : reach + len(w)]
    return float(0.95 * (w @ spread) + 0.05 * 2.0 * (w @ w))


@lru_cache(maxsize=8)
def _alike(reach: int, correlation_points: float) -> NDArray[np.float64]:
    """Return how much points so many steps apart have in common, from ``reach`` before to ``reach`` behind."""
    steps = np.arange(-reach, reach + 1)
    return np.asarray(np.exp(-0.5 * (steps * math.sqrt(2 * math.pi) / correlation_points) ** 2))


def overlap(toe: Toe, angle: Measured, noise: Noise) -> Measured:
    """Return how far weld metal runs over the plate outside the toe.

    Without a look below the overhang the toe, where the face meets the plate, stands for the point of fusion.
    """
    if not isinstance(angle, Quantity):
        return NotMeasurable(f"the toe angle that shows an overlap is missing: {angle.reason}")
    if angle.value - (angle.expanded_uncertainty or 0.0) >= 90.0:
        return quantity(0.0, "mm", {"edge": noise.of_mean(0.2)}, noise)
    length = arc_length(toe.face)
    over = toe.face[length < 0.5 * float(length[-1])]
    peak = highest(arc_length(over), -over[:, 0], noise)
    parts = {"edge": peak.std or noise.of_mean(0.2), toe.source: toe.std}
    return quantity(max(peak.height, 0.0), "mm", parts, noise)
