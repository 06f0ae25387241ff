"""Values of a butt weld: cap and root side, offset of the plates, thickness."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from core.fitting import LineFit
from core.geometry import Line, Points, distance
from core.quantity import Measured, NotMeasurable
from measurement.model import Model, evaluated
from measurement.names import BUTT, Name
from measurement.outline import Mark, Outline, dilated, face_lifted, height_above, moved_line, outline_of, shifts
from measurement.peak import blur_part, highest
from measurement.plate import bend_deg, offset_between, thickness_at
from measurement.uncertainty import Input, Noise, degrees_of_fit, line_shifts
from vision.section import Section, WeldSurface

NOT_BELOW_ZERO = (
    "reinforcement",
    "reinforcement_from_left",
    "reinforcement_from_right",
    "underfill",
    "root_reinforcement",
    "root_concavity",
)

NO_ROOT_SIDE = "the root side of the weld is not visible; photograph the whole section or the other side"
FLUSH_ROOT_SIDE = (
    "no weld was recognised on the other side of the plates, which is seen: where it is flush, or ground flush, there "
    "are no toes to measure from"
)
NO_OTHER_SIDE = "the other side of this plate is not visible; photograph the whole section"

CREST_DOUBT, ROOT_CREST_DOUBT = 1.25, 1.0
"""What the height of a crest is off by beyond the scatter of its points, which also chose its place, on the face side
and on the root side (judged on rendered pictures, where without it one interval in eleven of the face side missed, and
none in ninety of the root side)."""

Edges = dict[str, dict[str, float]]


@dataclass(frozen=True, slots=True, eq=False)
class _Joint:
    face: Outline
    root: Outline | None
    under_left: Line | None
    under_right: Line | None


def butt_values(section: Section, noise: Noise) -> dict[str, Measured]:
    """Return the values of a butt weld by name; ``section.face`` must be given."""
    values = evaluated(butt_model(section, noise))
    both = section.opposite_left is not None and section.opposite_right is not None
    return {
        name.name: values.get(name.name) or _missing(name, FLUSH_ROOT_SIDE if both else NO_ROOT_SIDE) for name in BUTT
    }


def butt_model(section: Section, noise: Noise) -> Model[_Joint]:
    """Return the model of a butt weld; ``section.face`` must be given."""
    surface, back = section.face, section.root_side
    if surface is None:
        raise ValueError("a butt weld needs its face side")
    face, edge = _marked(outline_of(surface), ("reinforcement", "underfill"), noise)
    face, from_plates = _marked_from_plates(face, noise)
    edge |= from_plates
    root = None
    if back is not None:
        root, more = _marked(outline_of(back, air=-1), ("root_reinforcement", "root_concavity"), noise)
        edge |= more
    under_left = section.opposite_left or (back.left.fit if back is not None else None)
    under_right = section.opposite_right or (back.right.fit if back is not None else None)
    inputs = [Input(entry.source, partial(_face_moved, entry.move), entry.degrees) for entry in _shifts(surface, noise)]
    if back is not None:
        inputs += [
            Input(entry.source, partial(_root_moved, entry.move), entry.degrees) for entry in _shifts(back, noise)
        ]
    for side, fit in (("under_left", under_left), ("under_right", under_right)):
        if fit is not None:
            degrees = degrees_of_fit(fit)
            inputs += [Input("plate fit", partial(_under_moved, side, shift), degrees) for shift in line_shifts(fit)]
    return Model(
        _values,
        _Joint(face, root, _line(under_left), _line(under_right)),
        (*inputs, *(Input(source, partial(_grown, std)) for source, std in noise.all_edges.items())),
        {name.name: name.unit for name in BUTT},
        noise,
        edge,
        not_below_zero=NOT_BELOW_ZERO,
        without_sign=("angular_misalignment",),
    )


def _shifts(surface: WeldSurface, noise: Noise) -> list[Input[Outline]]:
    return [*shifts(surface), Input("resolution", partial(face_lifted, noise.bias_of_face(surface)))]


def _missing(name: Name, no_root: str) -> NotMeasurable:
    return NotMeasurable(NO_OTHER_SIDE if name.name.startswith("thickness") else no_root, name.unit)


def _line(fit: LineFit | None) -> Line | None:
    return None if fit is None else fit.line


def _values(joint: _Joint) -> dict[str, float]:
    face, root = joint.face, joint.root
    middle = (face.toe_left + face.toe_right) / 2
    values = _shape(face, "cap_width", "reinforcement", "underfill")
    above_left = _highest_point(face, "reinforcement_from_left") - face.left.point
    above_right = _highest_point(face, "reinforcement_from_right") - face.right.point
    values["reinforcement_from_left"] = float(above_left @ face.out_left)
    values["reinforcement_from_right"] = float(above_right @ face.out_right)
    values["misalignment"] = offset_between(face.left, face.right, middle)
    values["angular_misalignment"] = bend_deg(face.left, face.right)
    if root is not None:
        values |= _shape(root, "root_width", "root_reinforcement", "root_concavity")
        values["root_misalignment"] = offset_between(root.left, root.right, (root.toe_left + root.toe_right) / 2)
    if joint.under_left is not None:
        values["thickness_left"] = thickness_at(face.left, joint.under_left, face.toe_left)
    if joint.under_right is not None:
        values["thickness_right"] = thickness_at(face.right, joint.under_right, face.toe_right)
    return values


def _highest_point(outline: Outline, name: str) -> Points:
    """Return the place of the face on which a value rests: a toe where one is the highest, which goes with it."""
    held = outline.held_by.get(name)
    if held is not None:
        return outline.toe_left if held == "left" else outline.toe_right
    return outline.marks[name].point


def _shape(outline: Outline, width: str, outside: str, inside: str) -> dict[str, float]:
    chord, marks = outline.chord, outline.marks
    return {
        width: distance(outline.toe_right, outline.toe_left),
        outside: outline.air * float(chord.offset(marks[outside].point)),
        inside: -outline.air * float(chord.offset(marks[inside].point)),
    }


def _marked(outline: Outline, names: tuple[str, str], noise: Noise) -> tuple[Outline, Edges]:
    """Mark the places farthest outside and farthest inside the chord."""
    chord = outline.chord
    out = outline.air * chord.normal
    return _marking(outline, ((names[0], chord, out, 1.0), (names[1], chord, out, -1.0)), noise)


def _marked_from_plates(outline: Outline, noise: Noise) -> tuple[Outline, Edges]:
    """Mark the places highest above each plate's extended line."""
    left = ("reinforcement_from_left", outline.left, outline.out_left, 1.0)
    right = ("reinforcement_from_right", outline.right, outline.out_right, 1.0)
    return _marking(outline, (left, right), noise)


def _marking(
    outline: Outline, wanted: tuple[tuple[str, Line, Points, float], ...], noise: Noise
) -> tuple[Outline, Edges]:
    marks, held_by, edge = dict(outline.marks), dict(outline.held_by), {}
    for name, line, out, sign in wanted:
        along, height = height_above(line, sign * out, outline, noise)
        peak = highest(along, height, noise)
        marks[name] = Mark(line.at(peak.along) + sign * peak.height * out, out)
        if peak.std == 0:
            held_by[name] = "left" if _is_at(line, peak.along, outline.toe_left, outline.toe_right) else "right"
        doubt = CREST_DOUBT if outline.air > 0 else ROOT_CREST_DOUBT
        edge[name] = {"edge": doubt * peak.std or noise.of_mean(0.2), "blur": blur_part(peak, noise)}
    return replace(outline, marks=marks, held_by=held_by), edge


def _is_at(line: Line, along: float, toe: Points, other: Points) -> bool:
    return abs(along - float(line.along(toe))) <= abs(along - float(line.along(other)))


def _face_moved(move: Callable[[Outline, float], Outline], joint: _Joint, share: float) -> _Joint:
    return replace(joint, face=move(joint.face, share))


def _root_moved(move: Callable[[Outline, float], Outline], joint: _Joint, share: float) -> _Joint:
    return joint if joint.root is None else replace(joint, root=move(joint.root, share))


def _under_moved(side: str, shift: Callable[[Line, float], Line], joint: _Joint, share: float) -> _Joint:
    return replace(joint, **{side: shift(getattr(joint, side), share)})  # type: ignore[arg-type]


def _grown(by: float, joint: _Joint, share: float) -> _Joint:
    """Move every edge of the joint by the same length out of the metal."""
    bias = share * by
    return _Joint(
        dilated(joint.face, bias),
        None if joint.root is None else dilated(joint.root, bias),
        _pushed_away(joint.under_left, joint.face.left, bias),
        _pushed_away(joint.under_right, joint.face.right, bias),
    )


def _pushed_away(line: Line | None, over: Line, by: float) -> Line | None:
    """Move a plate's other side away from its surface."""
    if line is None:
        return None
    side = float(line.offset(over.point))
    return moved_line(line, -np.sign(side) * by * line.normal)
