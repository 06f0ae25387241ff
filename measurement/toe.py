"""Toe angle, and overlap that follows from it.

Each toe is looked at in its own frame: origin at the toe, x along the plate into the weld, y out of the
metal. Both toes then look like a left toe with the air above, and the toe angle is 180° less the rise of the
face.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from core.fitting import LineFit
from core.geometry import Points, arc_length, distance
from core.quantity import Component, Measured, NotMeasurable, Quantity
from measurement.peak import highest
from measurement.tangent import averaged, heights_of, rise_of, tangent_of
from measurement.uncertainty import OPERATOR, Noise, quantity
from vision.overhang import nose_deg
from vision.section import WeldSurface

SPAN_MM = (0.5, 1.0)
"""Least and greatest length of face over which the tangent is fitted."""

CURVATURE_SPANS = (1.0, 1.5, 2.25, 3.4, 5.0)
"""Multiples of the tangent's span over which the face's curvature is tried."""


BEYOND_ARC = 1.4
"""Times the scatter of a tangent that starts where an arc ends, for where that is."""

TO_LONGER, LEFT_OPEN = 0.7, 0.4
"""Where the second stretch of a face disagrees with the first, how much of the way to it the tangent lies, and how much
of that is doubt: of 15 such toes of rendered pictures all lay to that side, most of them near the second."""

UNSURE_MM = 0.15
"""Where a toe is known no better along its plate (standard uncertainty), its tangent may be that of the face farther
on: the bend of the face at the toe tells nothing of a corner behind it."""

MOST_TURN_DEG = 15.0
"""A face that turns by so much more within four standard uncertainties of such a toe than within two, which its
interval holds, has its corner there and not at the toe."""

WEDGE_DOUBT = 0.25
"""Share of what a toe angle lacks to 90 degrees that is doubt (judged on rendered pictures).

Under a lobe the wedge of air closes in the blur, and the tangent is taken where the lobe comes out of it."""


_Told = tuple[float, float, float, float]
"""The rise of a tangent, its standard uncertainty (radians), the face's bend, and how far along the face it is told."""


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


def toe_angle(toe: Toe, noise: Noise, *, arc: tuple[Points, Points] | None = None, arc_share: float = 1.0) -> Measured:
    """Return the angle through the air between the plate and the tangent to the face at the toe.

    Parameters
    ----------
    arc
        Where plate and face would meet without the rounded transition, and where that ends, (2,) each.
    arc_share
        How likely there is an arc, 0 to 1: in between, the angle lies as much of the way from that of a face that
        begins at the toe to that of one beyond the arc, and which of them it is adds to its doubt.
    """
    if arc is None or arc_share >= 1.0:
        return _angle(toe, noise, arc)
    sharp = _angle(toe, noise, None)
    beyond = _angle(toe, noise, arc) if arc_share > 0.0 else sharp
    if not isinstance(sharp, Quantity) or not isinstance(beyond, Quantity):
        return sharp
    apart = abs(beyond.value - sharp.value)
    parts = {component.source: 0.0 for found in (sharp, beyond) for component in found.budget}
    for weight, found in ((1.0 - arc_share, sharp), (arc_share, beyond)):
        for component in found.budget:
            parts[component.source] += weight * component.standard_uncertainty
    parts["edge"] = math.hypot(parts.get("edge", 0.0), math.sqrt(arc_share * (1.0 - arc_share)) * apart)
    value = sharp.value + arc_share * (beyond.value - sharp.value)
    return Quantity(value, "deg", tuple(Component(source, std) for source, std in parts.items()), beyond.note)


def _angle(toe: Toe, noise: Noise, arc: tuple[Points, Points] | None) -> Measured:
    """Return the angle by a tangent that begins at the toe, or where an arc ends.

    A straight line is fitted over up to 1 mm of the face and turned back to the toe by the face's curvature,
    which comes from the longest stretch that agrees with the shorter ones. What blur rounds is left out, and the
    arc of a toe of resolved radius: the toe is where the face beyond it, without the arc, meets the plate.
    """
    face, noise, size = _thinned(toe.face, noise)
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
    tangent = tangent_of(face[base:], near)
    plate = None if noise.of_line else heights_of(toe.plate, size)
    found: list[_Told] = []
    for multiple in CURVATURE_SPANS:
        reach = first + multiple * span
        if multiple > 1 and reach > 0.5 * length:
            break
        bent = int(np.searchsorted(travel, reach, side="right")) - base
        trial = rise_of(tangent, bent, noise, plate)
        if any(abs(trial[0] - shorter[0]) > 2.5 * shorter[1] for shorter in found):
            if len(found) == 1 and toe.std <= UNSURE_MM:
                found = [_between(found[0], (*trial, reach))]
            break
        found.append((*trial, reach))
    rise, std, bend, reach = found[max(len(found) - 2, 0)]
    # the longest stretch may bend otherwise than the toe; the step to it shows by how much
    std = math.hypot((BEYOND_ARC if first > 0 else 1.0) * std, found[-1][0] - rise)
    moved = abs(bend) * toe.std
    if toe.std > UNSURE_MM:
        moved = max(moved, _turn_farther_on(face, travel, start, span, toe.std))
        within = min(4.0 * toe.std, 0.5 * length - span)
        turn = _turn(face, travel, (start, start + within), span) if within > 0 else 0.0
        if turn - 2.0 * moved > math.radians(MOST_TURN_DEG):
            return NotMeasurable(
                f"the toe is known only within {2 * toe.std:.1f} mm along the plate, and the face turns by "
                f"{math.degrees(turn):.0f} degrees beside it; mark the toe where it is seen",
                "deg",
            )
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


def _between(shortest: _Told, longer: _Told) -> _Told:
    """Return what the shortest stretch and the next one tell of the tangent where they disagree.

    What blur and a small arc leave at the toe bends the shortest most.
    """
    apart = longer[0] - shortest[0]
    rise, std = shortest[0] + TO_LONGER * apart, math.hypot(shortest[1], LEFT_OPEN * apart)
    return rise, std, max(shortest[2], longer[2], key=abs), longer[3]


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


def _thinned(face: Points, noise: Noise) -> tuple[Points, Noise, int]:
    """Average points to be no denser than three noise widths, else steps of noise add up to a false length.

    How many were averaged to one is returned, too.
    """
    if len(face) < 3:
        return face, noise, 1
    spacing = distance(face[-1], face[0]) / (len(face) - 1)
    size = max(1, min(round(3 * noise.point_std_mm / max(spacing, 1e-9)), len(face) // 40))
    fewer_points = averaged(face, size)
    fewer = replace(
        noise,
        point_std_mm=noise.of_mean(1 / size),
        correlation_points=max(1.0, noise.correlation_points / size),
    )
    return fewer_points, fewer, size


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
