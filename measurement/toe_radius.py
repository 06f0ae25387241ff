"""Toe radius by a template of straight plate, arc and slightly bent face.

All points near the toe carry the fit, so that a radius is found whose arc alone departs too little from the
corner for a circle fit. What the points cannot tell comes out in the covariance of the fit.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from core.geometry import Points
from core.quantity import Measured, NotMeasurable
from measurement.toe import Toe
from measurement.uncertainty import Noise, quantity

REACH_MM = 2.0
LEAST_FACE_MM = 0.9
"""Face that must lie beyond the arc and within reach."""

LEAST_POINTS = 5
UNLIKELY, LIKELY = 1.0, 2.0
"""Standard uncertainties of a radius up to which there may as well be none, and from which on its arc is left out
of the tangent to the face (in between the angle beyond it is the better one about as often: rendered pictures)."""

_MOST_POINTS = 200
_LEAST_RADIUS_MM = 0.01

STARTS_MM = (0.2, 0.3, 0.5, 0.8, 1.2, 2.0, 3.0, 5.0)
OTHER_STARTS_MM = (0.3, 3.0)
"""Radii from which one is sought. The start that is nearest to the points led to the best fit in all but one of 111
toes of rendered frames and pictures; where it leaves more than the points' own scatter, the others are tried as well.
From less than 0.2 mm none is sought: an arc on which no point lies does not grow."""

POOR = 1.3
"""Share of the points' own variance from which on a fit leaves too much."""

SETTLED = 1e-5
"""A fit ends where a step lowers its sum of squares by a smaller share: of a hundred points a thousandth of one."""

Values = NDArray[np.float64]
Complex = NDArray[np.complex128]

# A face that bends more than a real bead (2.5 mm outwards, 10 mm inwards) would stand in for the arc.
_LOW = np.array([-2.0, -0.5, 0.02, math.log(_LEAST_RADIUS_MM), -0.4])
_HIGH = np.array([2.0, 0.5, 3.0, math.log(20.0), 0.1])
_AS_COMPLEX = np.array([1.0, 1.0j])


@dataclass(frozen=True, slots=True, eq=False)
class Transition:
    """A fitted toe: radius, turn of the face against the plate, points on the arc, scatter about the fit.

    ``corner`` is where plate and face would meet without the arc, ``end`` where arc and face do, in the toe's frame,
    (2,) each. ``resolved`` is False where the points do not tell the arc from a sharp corner.
    """

    radius_mm: float
    radius_std_mm: float
    turn_rad: float
    points_on_arc: int
    residual_mm: float
    corner: Points
    end: Points
    resolved: bool

    @property
    def likely(self) -> float:
        """How much speaks for an arc, from 0 to 1.

        A few points round a toe whose radius they hardly tell, or do not tell from a sharp corner, turn a tangent that
        runs through them by as many degrees: they are left out of it as well.
        """
        if self.radius_mm >= LIKELY * self.radius_std_mm:
            return 1.0
        return max(0.0, (self.radius_mm / self.radius_std_mm - UNLIKELY) / (LIKELY - UNLIKELY))


def fit_transition(toe: Toe, noise: Noise) -> Transition | str:
    """Return the fitted transition from plate to face, or why there is none.

    Where an arc takes up nearly all of the face within reach, what follows it is not seen, and the fit is
    repeated over a longer reach.
    """
    found = _fit(toe, REACH_MM, noise)
    if isinstance(found, str) or float(np.hypot(*found.end)) < REACH_MM - LEAST_FACE_MM:
        return found
    wider = _fit(toe, min(2 * REACH_MM, float(np.hypot(*found.end)) + 1.3 * LEAST_FACE_MM), noise)
    return found if isinstance(wider, str) else wider


def _fit(toe: Toe, reach_mm: float, noise: Noise) -> Transition | str:
    points = _near(toe, reach_mm)
    step = max(1, len(points) // _MOST_POINTS)
    correlation = max(1.0, noise.correlation_points / step)
    points = points[::step]
    face = points[points[:, 0] > 0]
    if len(points) < 12 or len(face) < LEAST_POINTS:
        return "fewer than 12 points within 2 mm of the toe; take the picture closer"
    turn = _far_turn(face)
    if not math.radians(5) < turn < math.radians(150):
        return "the face leaves the plate nearly flush, there is no transition to fit a circle to"
    places = points @ _AS_COMPLEX
    fitted = _levenberg_marquardt(_nearest_start(turn, places), places)
    if fitted[1] > POOR * len(points) * noise.point_std_mm**2:
        others = [_levenberg_marquardt(_start(turn, radius, radius > 0.5), places) for radius in OTHER_STARTS_MM]
        fitted = min(fitted, *others, key=lambda found: found[1])
    seen = fitted[0]
    parameters = seen.parameters
    residual = math.sqrt(fitted[1] / max(len(points) - 5, 1))
    turn, radius = float(parameters[2]), math.exp(float(parameters[3]))
    if not math.radians(5) < turn < math.radians(170):
        return "the face leaves the plate nearly flush, there is no transition to fit a circle to"
    # below a twentieth of a pixel it is the template that does not fit, not the points that scatter
    scatter = max(residual, 0.5 * noise.point_std_mm, 0.05 * noise.resolution_mm) * math.sqrt(correlation)
    if radius <= 1.5 * _LEAST_RADIUS_MM:
        radius, std = _unresolved(parameters, places, scatter)
    else:
        std = radius * scatter * _log_radius_std(seen)
    on_arc = int(np.count_nonzero(~(seen.on_plate | seen.on_face))) * step
    cut = radius * math.tan(turn / 2)
    end = parameters[:2] + cut * np.array([math.cos(turn), math.sin(turn)])
    resolved = radius >= 2 * std
    if resolved and radius < 6 * std:
        sharp = parameters.copy()
        sharp[3] = math.log(_LEAST_RADIUS_MM)
        # two standard uncertainties away from a sharp corner, by what the fit loses there
        lost = fitted[1] + 4 * scatter**2
        resolved = _levenberg_marquardt(sharp, places, enough=lost)[1] > lost
    return Transition(radius, std, turn, on_arc, residual, parameters[:2].copy(), end, resolved)


def toe_radius(toe: Toe, transition: Transition | str, noise: Noise) -> Measured:
    """Return the radius of the circle that fits the transition, or why the picture does not give it."""
    if isinstance(transition, str):
        return NotMeasurable(transition)
    radius, std = transition.radius_mm, transition.radius_std_mm
    if transition.residual_mm > max(3 * noise.point_std_mm, 0.03):
        return NotMeasurable("the transition at the toe is not a plain arc; look at it in the picture")
    bound = radius + 2 * std
    if not transition.resolved:
        return NotMeasurable(f"the toe radius is below what the points resolve, it is no more than {bound:.2f} mm")
    if transition.points_on_arc < LEAST_POINTS:
        return NotMeasurable(
            f"fewer than {LEAST_POINTS} points lie on the arc at the toe, its radius is no more than {bound:.2f} mm; "
            "take the picture closer"
        )
    rounded2 = 12 * (noise.blur_mm / transition.turn_rad) ** 2
    if rounded2 > 0.75 * radius**2:
        return NotMeasurable(f"blur rounds the toe, its radius is no more than {bound:.2f} mm; focus or move closer")
    parts = {
        "edge": std,
        **noise.all_edges,
        "blur": radius - math.sqrt(radius**2 - rounded2),
    }
    turn = math.degrees(transition.turn_rad)
    note = f"plate, arc and face fitted within {REACH_MM:g} mm of the toe, the face turning {turn:.1f}°"
    return quantity(radius, "mm", parts, noise, note=note)


def _far_turn(face: Points) -> float:
    """Direction of the outer half of the face within reach."""
    distance = np.hypot(face[:, 0], face[:, 1])
    far = face[distance > 0.5 * float(distance.max())]
    size = max(1, len(far) // 4)
    step = far[-size:].mean(axis=0) - far[:size].mean(axis=0)
    return math.atan2(float(step[1]), float(step[0]))


def _near(toe: Toe, reach_mm: float) -> Points:
    reach = min(reach_mm, 0.4 * float(np.hypot(*toe.face[-1]))) if len(toe.face) else 0.0
    plate = toe.plate[(toe.plate[:, 0] < 0) & (toe.plate[:, 0] > -REACH_MM)][::-1]
    distance = np.hypot(toe.face[:, 0], toe.face[:, 1])
    beyond = np.flatnonzero(distance > reach)
    face = toe.face[: beyond[0]] if len(beyond) else toe.face
    return np.vstack([plate, face])


class _Seen(NamedTuple):
    """Points as a template with some parameters sees them: no dataclass, for of each fit dozens are made.

    Parameters: corner x and y, turn, log radius, curvature of the face beyond the arc. Points are complex numbers, for
    which a turn is one product: ``arm`` leads from the centre of the arc, ``beyond`` is the way along the face from the
    end of the arc and the height above it.
    """

    parameters: Values
    radius: float
    cut: float
    arm: Complex
    distance: Values
    beyond: Complex
    on_plate: NDArray[np.bool_]
    on_face: NDArray[np.bool_]
    residuals: Values


def _seen(parameters: Values, points: Complex) -> _Seen:
    """Look at points, (N,), with a template; its residuals are positive in the air."""
    x0, y0, turn, log_radius, bend = parameters.tolist()
    radius = math.exp(log_radius)
    cut = radius * math.tan(turn / 2)
    from_corner = points - complex(x0, y0)
    beyond = from_corner * complex(math.cos(turn), -math.sin(turn))
    beyond -= cut
    arm = from_corner + complex(cut, -radius)
    distance = np.abs(arm)
    along = beyond.real
    on_plate, on_face = from_corner.real < -cut, along > 0
    on_face_by = beyond.imag - 0.5 * bend * (along * along)
    residuals = np.where(on_face, on_face_by, radius - distance)
    np.copyto(residuals, from_corner.imag, where=on_plate)
    return _Seen(parameters, radius, cut, arm, distance, beyond, on_plate, on_face, residuals)


def _jacobian(seen: _Seen) -> Values:
    """Derivative of each point's distance by each parameter, (5, N).

    On each piece of the template it is a sum of the same few terms, with weights that are the same for all points.
    """
    _, _, turn, _, bend = seen.parameters.tolist()
    radius, cut = seen.radius, seen.cut
    cut_by_turn = radius / (2 * math.cos(turn / 2) ** 2)
    c, s = math.cos(turn), math.sin(turn)
    on_face = seen.on_face & ~seen.on_plate
    on_arc = ~(on_face | seen.on_plate)
    terms = np.empty((8, len(on_arc)))
    terms[0], terms[1], terms[4] = seen.on_plate, on_arc, on_face
    inwards = terms[1] / np.maximum(seen.distance, 1e-12)
    np.multiply(seen.arm.real, inwards, out=terms[2])
    np.multiply(seen.arm.imag, inwards, out=terms[3])
    np.multiply(seen.beyond.real, terms[4], out=terms[5])
    np.multiply(seen.beyond.real, terms[5], out=terms[6])
    np.multiply(seen.beyond.imag, terms[5], out=terms[7])
    # plate; arc, and the unit arm's x and y; face, and along, along² and along times aside
    weights = (
        0.0, 0.0, 1.0, 0.0, s, bend * c, 0.0, 0.0,
        -1.0, 0.0, 0.0, 1.0, -c, bend * s, 0.0, 0.0,
        0.0, 0.0, -cut_by_turn, 0.0, -cut, bend * cut_by_turn - 1, 0.0, -bend,
        0.0, radius, -cut, radius, 0.0, bend * cut, 0.0, 0.0,
        0.0, 0.0, 0.0, 0.0, 0.0, 0.0, -0.5, 0.0,
    )  # fmt: skip
    return np.asarray(np.array(weights).reshape(5, 8) @ terms)


def _start(turn: float, radius: float, moved: bool) -> Values:
    """With a small radius the toe lies at the corner, with a large one where the arc begins."""
    return np.array([radius * math.tan(turn / 2) * moved, 0.0, turn, math.log(radius), 0.0])


def _nearest_start(turn: float, points: Complex) -> Values:
    """Return the start that is nearest to the points by the squares, (N,): all are looked at in one go."""
    radius = np.repeat(STARTS_MM, 2)[:, None]
    moved = np.tile([False, True], len(STARTS_MM))[:, None]
    cut = radius * math.tan(turn / 2)
    from_corner = points - cut * moved
    beyond = from_corner * complex(math.cos(turn), -math.sin(turn)) - cut
    off = np.where(beyond.real > 0, beyond.imag, radius - np.abs(from_corner + (cut - 1j * radius)))
    np.copyto(off, from_corner.imag, where=from_corner.real < -cut)
    least = int(np.argmin(np.einsum("ij,ij->i", off, off)))
    return _start(turn, float(radius[least, 0]), bool(moved[least, 0]))


def _levenberg_marquardt(start: Values, points: Complex, *, enough: float = 0.0) -> tuple[_Seen, float]:
    """Return the template of least squared distance and that sum (Marquardt 1963, damping by the diagonal).

    A sum of no more than ``enough`` is not made smaller.
    """
    damping = 1e-3
    seen = _seen(start, points)
    cost = float(seen.residuals @ seen.residuals)
    for _ in range(25):
        jacobian = _jacobian(seen)
        normal, gradient = jacobian @ jacobian.T, (jacobian @ seen.residuals)[:, None]
        improved = False
        diagonal = normal.diagonal() + 1e-9
        for _ in range(6):
            damped = normal.copy()
            damped.ravel()[:: len(damped) + 1] += damping * diagonal
            # numpy's own takes longer over the call than over so few numbers
            step = cv2.solve(damped, gradient, flags=cv2.DECOMP_CHOLESKY)[1].ravel()
            trial = _seen(_bounded(seen.parameters - step), points)
            trial_cost = float(trial.residuals @ trial.residuals)
            if trial_cost < cost:
                improved = True
                break
            damping *= 5
        if not improved:
            break
        gain = (cost - trial_cost) / max(cost, 1e-30)
        seen, cost, damping = trial, trial_cost, damping / 5
        if gain < SETTLED or cost <= enough:
            break
    return seen, cost


def _bounded(parameters: Values) -> Values:
    return np.asarray(np.minimum(np.maximum(parameters, _LOW), _HIGH))


def _log_radius_std(seen: _Seen) -> float:
    """Return the standard uncertainty of the log radius for points that scatter by one mm."""
    jacobian = _jacobian(seen)
    normal = jacobian @ jacobian.T
    # a parameter to which no point answers has no information at all, not perfect information
    if float(normal[3, 3]) < 1e-12:
        return math.inf
    try:
        variance = float(np.linalg.inv(normal)[3, 3])
    except np.linalg.LinAlgError:  # another parameter is told by no point
        variance = float(np.linalg.pinv(normal)[3, 3])
    return math.sqrt(max(variance, 0.0))


def _unresolved(parameters: Values, points: Complex, scatter: float) -> tuple[float, float]:
    """Return half of the least radius that these points would tell from a sharp corner, and half of it as doubt."""
    trial = parameters.copy()
    for radius in np.geomspace(0.02, 10.0, 26):
        trial[3] = math.log(radius)
        if scatter * _log_radius_std(_seen(trial, points)) < 0.5:
            return float(radius) / 3, float(radius) / 3
    return 5.0, 5.0
