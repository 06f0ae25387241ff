"""Values of a fillet weld: legs, size, throats, shape of the face."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import partial
from itertools import pairwise

import numpy as np

from core.geometry import (
    Line,
    Points,
    angle_between_lines_deg,
    distance,
    distance_to_segments,
    intersection,
    signed_area,
)
from core.quantity import Measured, NotMeasurable
from measurement.model import Model, evaluated
from measurement.names import FILLET
from measurement.outline import Mark, Outline, dilated, face_lifted, height_above, outline_of, shifts
from measurement.peak import FEWEST, NEAR_END_MM, Peak, blur_part, highest
from measurement.uncertainty import OPERATOR, Input, Noise, combined
from vision.section import WeldSurface

NOT_BELOW_ZERO = ("convexity", "concavity")


def fillet_values(surface: WeldSurface, noise: Noise) -> dict[str, Measured]:
    """Return the values of a fillet weld by name.

    Parameters
    ----------
    surface
        The face and its plates; the root is where the two plate lines meet.
    """
    model = fillet_model(surface, noise)
    if model is None:
        reason = "the two plate surfaces are parallel and have no root; measure this weld as a butt weld"
        return {name.name: NotMeasurable(reason, name.unit) for name in FILLET}
    return evaluated(model)


def fillet_model(surface: WeldSurface, noise: Noise) -> Model[Outline] | None:
    """Return the model of a fillet weld, None where the plate lines do not meet."""
    plain = outline_of(surface)
    root = intersection(plain.left, plain.right)
    if root is None:
        return None
    nominal, edge = _marked(plain, root, noise)
    return Model(
        _values,
        nominal,
        (
            *shifts(surface),
            Input("resolution", partial(face_lifted, noise.bias_of_face(surface))),
            *(Input(source, partial(_grown, std)) for source, std in noise.all_edges.items()),
        ),
        {name.name: name.unit for name in FILLET},
        noise,
        _with_shorter_legs(edge, surface, nominal, root),
        not_below_zero=NOT_BELOW_ZERO,
        without_sign=("leg_difference",),
        lesser=_lesser(nominal),
    )


def _with_shorter_legs(
    edge: dict[str, dict[str, float]], surface: WeldSurface, outline: Outline, root: Points
) -> dict[str, dict[str, float]]:
    """Return what the edge adds, with what a toe adds to the triangle that the face limits: no leg may be shorter.

    A toe that is moved by one standard uncertainty does not yet limit the triangle, one that is moved by two may.
    """
    if "size" not in outline.marks:
        return edge
    half = math.cos(math.radians(angle_between_lines_deg(outline.left, outline.right) / 2))
    size = _reached(outline, root, half)
    doubts: dict[str, float] = {}
    for side, toe in _toes(outline).items():
        std = surface.toe_std_left if side == "left" else surface.toe_std_right
        source = OPERATOR if f"toe_{side}" in surface.marked else "toe location"
        doubt = max(0.0, size - (distance(toe, root) - 2.0 * std)) / 2.0
        doubts[source] = math.hypot(doubts.get(source, 0.0), min(doubt, std))
    return edge | {
        "size": combined(edge["size"], doubts),
        "design_throat": combined(edge["design_throat"], {source: half * std for source, std in doubts.items()}),
    }


def _lesser(outline: Outline) -> dict[str, tuple[str, str]]:
    """Return what follows the shorter leg where a toe limits the triangle: the other leg may be the shorter one."""
    held = outline.held_by.get("size")
    if held is None:
        return {}
    legs = ("leg_left", "leg_right") if held == "left" else ("leg_right", "leg_left")
    return {"size": legs, "design_throat": legs}


def _grown(by: float, outline: Outline, share: float) -> Outline:
    return dilated(outline, share * by)


def _values(outline: Outline) -> dict[str, float]:
    root = intersection(outline.left, outline.right)
    if root is None:
        raise ValueError("plate lines must meet")
    left, right, chord, marks = outline.left, outline.right, outline.chord, outline.marks
    angle = angle_between_lines_deg(left, right)
    legs = {side: distance(toe, root) for side, toe in _toes(outline).items()}
    half = math.cos(math.radians(angle / 2))
    size, throat = (legs.get(outline.held_by.get(name, ""), 0.0) for name in ("size", "throat"))
    if "size" in marks:
        size = _reached(outline, root, half)
    if "throat" in marks:
        throat = distance(marks["throat"].point, root)
    return {
        "joint_angle": angle,
        "leg_left": legs["left"],
        "leg_right": legs["right"],
        "perpendicular_leg_left": abs(float(right.offset(outline.toe_left))),
        "perpendicular_leg_right": abs(float(left.offset(outline.toe_right))),
        "leg_difference": legs["left"] - legs["right"],
        "size": size,
        "design_throat": size * half,
        "throat": throat,
        "convexity": float(chord.offset(marks["convexity"].point)),
        "concavity": -float(chord.offset(marks["concavity"].point)),
        "face_width": distance(outline.toe_right, outline.toe_left),
        "weld_area": abs(_area(root, outline)),
    }


def _reached(outline: Outline, root: Points, half: float) -> float:
    """Return the leg of the triangle whose hypotenuse goes through the place of the face that limits it.

    ``half`` is the cosine of half the joint angle.
    """
    return float((outline.marks["size"].point - root) @ _bisector(outline.left, outline.right)) / half


def _area(root: Points, outline: Outline) -> float:
    """Return the area between root, toes and face (shoelace), signed; the face's own ends are where toes were found."""
    inner = outline.face[1:-1]
    if len(inner) == 0:
        return signed_area(np.array([root, outline.toe_left, outline.toe_right]))
    x, y = inner[:, 0], inner[:, 1]
    twice = float(x[:-1] @ y[1:]) - float(x[1:] @ y[:-1])
    corners: list[list[float]] = [
        point.tolist() for point in (inner[-1], outline.toe_right, root, outline.toe_left, inner[0])
    ]
    twice += sum(x0 * y1 - x1 * y0 for (x0, y0), (x1, y1) in pairwise(corners))
    return 0.5 * twice


def _toes(outline: Outline) -> dict[str, Points]:
    return {"left": outline.toe_left, "right": outline.toe_right}


def _bisector(left: Line, right: Line) -> Points:
    middle = left.direction + right.direction
    return np.asarray(middle / np.hypot(*middle))


def _marked(outline: Outline, root: Points, noise: Noise) -> tuple[Outline, dict[str, dict[str, float]]]:
    """Find the places of the face on which values rest, and what point noise and blur do to them."""
    chord = outline.chord
    marks: dict[str, Mark] = {}
    held_by: dict[str, str] = {}
    edge: dict[str, dict[str, float]] = {}
    for name, sign in (("convexity", 1.0), ("concavity", -1.0)):
        along, height = height_above(chord, sign * chord.normal, outline, noise)
        peak = highest(along, height, noise)
        point = chord.at(peak.along) + sign * peak.height * chord.normal
        marks[name] = Mark(point, chord.normal)
        edge[name] = _edge(peak, noise)
    for name, found in (("throat", _throat(outline, root, noise)), ("size", _size(outline, root, noise))):
        if isinstance(found, str):
            held_by[name] = found
        else:
            marks[name], edge[name] = found
    if "size" in edge:
        half = math.cos(math.radians(angle_between_lines_deg(outline.left, outline.right) / 2))
        edge["design_throat"] = edge["size"]
        edge["size"] = {source: std / half for source, std in edge["size"].items()}
    width = distance(outline.toe_right, outline.toe_left)
    edge["weld_area"] = {"edge": width * noise.of_face(width, len(outline.face))}
    return replace(outline, marks=marks, held_by=held_by), edge


def _edge(peak: Peak, noise: Noise) -> dict[str, float]:
    """An end of the face lies on its plate line; that nothing rises beyond it is known to the noise of some points."""
    return {"edge": peak.std or noise.of_mean(0.2), "blur": blur_part(peak, noise)}


def _throat(outline: Outline, root: Points, noise: Noise) -> tuple[Mark, dict[str, float]] | str:
    """Find the place of the face nearest to the root, or the toe that is.

    The squared distance from the root is an exact parabola along a flat face.
    """
    shortest, nearest = distance_to_segments(root, outline.face)
    outward = (nearest - root) / max(shortest, 1e-12)
    if len(outline.face) < FEWEST or shortest == 0:
        return Mark(nearest, outward), {"edge": noise.point_std_mm}
    chord = outline.chord
    along = chord.along(outline.face)
    order = np.argsort(along, kind="stable")
    square = np.sum((outline.face - root) ** 2, axis=1) / (2 * shortest)
    peak = highest(along[order], -square[order], noise)
    if peak.index in (0, len(order) - 1):
        return "left" if peak.index == 0 else "right"
    nearest_mm = math.sqrt(max(-2 * shortest * peak.height, 0.0))
    outward = outline.face[order][peak.index] - root
    outward = outward / max(float(np.hypot(*outward)), 1e-12)
    return Mark(root + nearest_mm * outward, outward), _edge(peak, noise)


def _size(outline: Outline, root: Points, noise: Noise) -> tuple[Mark, dict[str, float]] | str:
    """Find what limits the equal-legged triangle: a place of the face, or the toe of the shorter leg.

    A point R + u·(left) + v·(right) with u, v >= 0 lies inside the triangle of leg s when u + v < s; in length
    across its hypotenuse, (point - R)·bisector < s·cos(joint angle / 2). Points with u or v below 0 lie beside
    the triangle whatever its size.
    """
    bisector = _bisector(outline.left, outline.right)
    axes = np.column_stack([outline.left.direction, outline.right.direction])
    share = np.linalg.solve(axes, (outline.face - root).T)
    over = np.asarray((share >= 0).all(axis=0))
    over[[0, -1]] = True
    face = outline.face[over]
    along = outline.chord.along(face)
    order = np.argsort(along, kind="stable")
    reach = ((face - root) @ bisector)[order]
    peak = highest(along[order], -reach, noise)
    half = math.cos(math.radians(angle_between_lines_deg(outline.left, outline.right) / 2))
    legs = {side: distance(toe, root) for side, toe in _toes(outline).items()}
    shorter = min(legs, key=lambda side: legs[side])
    span = float(along[order][-1] - along[order][0])
    from_toe = min(peak.along - float(along[order][0]), float(along[order][-1]) - peak.along)
    # a face that comes down towards the toe is lowest there, and the toe is better known than the points near it
    if from_toe < min(NEAR_END_MM, 0.1 * span) or -peak.height >= legs[shorter] * half:
        return shorter
    along_hypotenuse = np.array([-bisector[1], bisector[0]])
    place = face[order][peak.index]
    point = root - peak.height * bisector + ((place - root) @ along_hypotenuse) * along_hypotenuse
    return Mark(point, bisector), _edge(peak, noise)
