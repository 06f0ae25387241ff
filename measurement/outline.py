"""A welded surface reduced to what values are computed from, and how it moves with what is not known of it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import lru_cache, partial

import numpy as np

from core.geometry import Line, Points, arc_length
from measurement.peak import FEWEST
from measurement.uncertainty import OPERATOR, Input, Noise, degrees_of_fit, line_shifts, turned_line
from vision.section import WeldSurface


@dataclass(frozen=True, slots=True, eq=False)
class Mark:
    """A smoothed point of the face, (2,), and the direction out of the metal there."""

    point: Points
    outward: Points


@dataclass(frozen=True, slots=True, eq=False)
class Outline:
    """Plate lines (leading away from the weld), toes, face, and marks on the face.

    ``air`` is +1 where the air lies to the left of the way from the left toe to the right one (the face side),
    -1 where it lies to the right (the root side). ``held_by`` names the toe ("left", "right") that limits a
    value, where a toe and no mark does.
    """

    left: Line
    right: Line
    toe_left: Points
    toe_right: Points
    face: Points
    air: int = 1
    marks: Mapping[str, Mark] = field(default_factory=dict)
    held_by: Mapping[str, str] = field(default_factory=dict)

    @property
    def chord(self) -> Line:
        return Line.through(self.toe_left, self.toe_right)

    @property
    def out_left(self) -> Points:
        """Unit normal of the left plate, into the air."""
        return np.asarray(-self.air * self.left.normal)

    @property
    def out_right(self) -> Points:
        """Unit normal of the right plate, into the air."""
        return np.asarray(self.air * self.right.normal)


def outline_of(surface: WeldSurface, *, air: int = 1) -> Outline:
    """Return the outline of a welded surface, without marks."""
    return Outline(
        surface.left.fit.line, surface.right.fit.line, surface.toe_left, surface.toe_right, surface.face, air=air
    )


def height_above(line: Line, out: Points, outline: Outline, noise: Noise) -> tuple[Points, Points]:
    """Return the face's coordinate along a line, rising, and its height above it in that order, (M,) each.

    Only what lies between the toes counts: the wall of an undercut is no face. Beside the toes of a line, which rounds
    corners, nothing but the toes themselves does.
    """
    face = outline.face
    along = line.along(face)
    low, high = sorted((float(line.along(outline.toe_left)), float(line.along(outline.toe_right))))
    beside = noise.rounded_mm if noise.of_line else 0.0
    between = (along > low + beside) & (along < high - beside)
    between[[0, -1]] = True
    inner = np.flatnonzero(between)
    if len(inner) > FEWEST:
        face, along = face[inner], along[inner]
    order = np.argsort(along, kind="stable")
    return along[order], ((face - line.point) @ out)[order]


def shifts(surface: WeldSurface) -> list[Input[Outline]]:
    """Return how the outline of a surface moves with its plate lines and with its toes."""
    plates = {side: OPERATOR if f"plate_{side}" in surface.marked else "plate fit" for side in ("left", "right")}
    toes = {side: OPERATOR if f"toe_{side}" in surface.marked else "toe location" for side in ("left", "right")}
    return [
        *(
            Input(plates["left"], partial(_left_moved, shift), degrees_of_fit(surface.left.fit))
            for shift in line_shifts(surface.left.fit)
        ),
        *(
            Input(plates["right"], partial(_right_moved, shift), degrees_of_fit(surface.right.fit))
            for shift in line_shifts(surface.right.fit)
        ),
        Input(toes["left"], partial(_left_slipped, surface.toe_std_left)),
        Input(toes["right"], partial(_right_slipped, surface.toe_std_right)),
        *_shared_bend(surface, plates["left"]),
    ]


def _shared_bend(surface: WeldSurface, source: str) -> list[Input[Outline]]:
    """Return how both plate lines turn together where they lie on one bent surface, else nothing."""
    bend = min(surface.left.fit.bend_std_rad, surface.right.fit.bend_std_rad)
    if bend <= 0:
        return []

    def bent(outline: Outline, share: float) -> Outline:
        turned = _left_moved(lambda line, by: turned_line(line, by * bend), outline, share)
        return _right_moved(lambda line, by: turned_line(line, -by * bend), turned, share)

    return [Input(source, bent)]


def _with_left(outline: Outline, line: Line, toe: Points) -> Outline:
    """Return the outline with another left plate and toe: written out, for of each weld dozens are made."""
    return Outline(
        line, outline.right, toe, outline.toe_right, outline.face, outline.air, outline.marks, outline.held_by
    )


def _with_right(outline: Outline, line: Line, toe: Points) -> Outline:
    """Return the outline with another right plate and toe."""
    return Outline(outline.left, line, outline.toe_left, toe, outline.face, outline.air, outline.marks, outline.held_by)


def _left_moved(shift: Callable[[Line, float], Line], outline: Outline, share: float) -> Outline:
    line = shift(outline.left, share)
    return _with_left(outline, line, _carried(outline.toe_left, outline.left, line))


def _right_moved(shift: Callable[[Line, float], Line], outline: Outline, share: float) -> Outline:
    line = shift(outline.right, share)
    return _with_right(outline, line, _carried(outline.toe_right, outline.right, line))


def _left_slipped(std: float, outline: Outline, share: float) -> Outline:
    return _with_left(outline, outline.left, outline.toe_left + share * std * outline.left.direction)


def _right_slipped(std: float, outline: Outline, share: float) -> Outline:
    return _with_right(outline, outline.right, outline.toe_right + share * std * outline.right.direction)


def dilated(outline: Outline, by: float) -> Outline:
    """Return the outline with every edge moved by the same length into the air."""
    normals = outward_normals(outline)
    travel = arc_length(outline.face)
    near = min(0.5, 0.25 * float(travel[-1]))
    at_left = _unit(normals[travel <= near].mean(axis=0))
    at_right = _unit(normals[travel >= travel[-1] - near].mean(axis=0))
    return replace(
        outline,
        left=moved_line(outline.left, by * outline.out_left),
        right=moved_line(outline.right, by * outline.out_right),
        toe_left=outline.toe_left + by * _corner_step(outline.out_left, at_left),
        toe_right=outline.toe_right + by * _corner_step(outline.out_right, at_right),
        face=outline.face + by * normals,
        marks={name: Mark(mark.point + by * mark.outward, mark.outward) for name, mark in outline.marks.items()},
    )


def face_lifted(by: float, outline: Outline, share: float) -> Outline:
    """Return the outline with its face alone moved into the air; the toes stay, their doubt has its own part."""
    face = outline.face.copy()
    face[1:-1] += share * by * outward_normals(outline)[1:-1]
    marks = {name: Mark(mark.point + share * by * mark.outward, mark.outward) for name, mark in outline.marks.items()}
    return replace(outline, face=face, marks=marks)


@lru_cache(maxsize=4)
def outward_normals(outline: Outline) -> Points:
    """Return the unit normals of the face into the air, (M, 2), from smoothed steps along it; not to be written to.

    Kept for the last few outlines: each move of all edges, up and down, asks for those of the one as found.
    """
    face = outline.face
    if len(face) < 2:
        return np.tile(outline.chord.normal * outline.air, (len(face), 1))
    reach = max(1, len(face) // 40)
    index = np.arange(len(face))
    step = face[np.minimum(index + reach, len(face) - 1)] - face[np.maximum(index - reach, 0)]
    length = np.hypot(step[:, 0], step[:, 1])
    step = np.where(length[:, None] > 0, step / np.maximum(length, 1e-12)[:, None], outline.chord.direction)
    return np.column_stack([-step[:, 1], step[:, 0]]) * outline.air


def _carried(toe: Points, old: Line, new: Line) -> Points:
    """The toe stays where it is along its plate and goes with the line across it."""
    x, y = toe.tolist()
    along = (x - old.x) * old.dx + (y - old.y) * old.dy
    offset = (y - old.y) * old.dx - (x - old.x) * old.dy
    return np.array([new.x + along * new.dx - offset * new.dy, new.y + along * new.dy + offset * new.dx])


def moved_line(line: Line, by: Points) -> Line:
    """Return the line moved by a vector."""
    return Line(line.x + float(by[0]), line.y + float(by[1]), line.dx, line.dy)


def _corner_step(first: Points, second: Points) -> Points:
    """How the corner of two edges goes when both move one unit along their normals."""
    return np.asarray((first + second) / max(1.0 + float(first @ second), 0.2))


def _unit(vector: Points) -> Points:
    return np.asarray(vector / max(float(np.hypot(*vector)), 1e-12))
