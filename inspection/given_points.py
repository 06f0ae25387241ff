"""What a person's points must hold, whether they come in a file of marks or are moved on a page."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import fields, replace

import numpy as np

from core.errors import NothingMeasurable
from core.geometry import Points, in_picture
from vision.found import FoundWeld, FoundWelds
from vision.marks import WeldMarks
from vision.section import Flag, Section, WeldSurface

FARTHEST_MM = 0.5
"""A toe this far off the outline is told of: it no longer says where the face ends (a choice, no source)."""


def refuse_outside(marks: Sequence[WeldMarks], width_px: int, height_px: int) -> None:
    """Make sure that marks lie in the picture that they are given for.

    Raises
    ------
    NothingMeasurable
        With the name of the first point that does not: the marks may be those of another of several pictures.
    """
    for number, mark in enumerate(marks, start=1):
        for field in fields(mark):
            for x, y in _points(getattr(mark, field.name)):
                if not in_picture(x, y, width_px, height_px):
                    raise NothingMeasurable(
                        f"the mark {field.name} of weld {number}, {x:g},{y:g}, lies outside this picture of "
                        f"{width_px} x {height_px} pixels: mark the picture that is measured.",
                        code="bad_points",
                    )


def _points(value: object) -> Iterator[tuple[float, float]]:
    """Yield the points of a mark: it is one, or several of them."""
    if not isinstance(value, Iterable) or isinstance(value, str):
        return
    parts = tuple(value)
    if len(parts) == 2 and all(isinstance(part, (int, float)) for part in parts):
        yield float(parts[0]), float(parts[1])
        return
    for part in parts:
        yield from _points(part)


def checked_marks(found: FoundWelds) -> FoundWelds:
    """Return the welds with what is to be told of marked toes.

    Raises
    ------
    NothingMeasurable
        When marks give no joint.
    """
    return replace(found, welds=tuple(_checked(weld) for weld in found.welds))


def _checked(weld: FoundWeld) -> FoundWeld:
    face = weld.section.face
    if face is None or not face.marked:
        return weld
    refuse_no_joint(weld.section, had_root=weld.section.joint in ("tee", "lap"))
    told = off_outline(face, [name for name in ("toe_left", "toe_right") if name in face.marked])
    section = replace(weld.section, flags=(*weld.section.flags, *told))
    return replace(weld, section=section, flags=(*weld.flags, *told))


def refuse_no_joint(section: Section, *, had_root: bool) -> None:
    """Make sure that given points leave a joint.

    Raises
    ------
    NothingMeasurable
        When the toes lie at one place or on each other's side, or plate lines do not meet.
    """
    face = section.face
    if face is None or len(face.face) < 3:
        raise NothingMeasurable(
            "the toes as given lie at one place of the outline or have changed sides: set each where the face ends, "
            "left and right as seen with the weld face up.",
            code="crossed_toes",
        )
    if had_root and (section.root is None or not _near(section.root, face)):
        raise NothingMeasurable(
            "the two plate lines as given do not meet near the weld: set one anew along its plate.", code="no_root"
        )


def _near(root: Points, face: WeldSurface) -> bool:
    width = float(np.hypot(*(face.toe_right - face.toe_left)))
    return max(math.dist(root, toe) for toe in (face.toe_left, face.toe_right)) < 10 * width


def off_outline(face: WeldSurface, names: Iterable[str]) -> tuple[Flag, ...]:
    """Return what is to be told of toes that do not lie on the outline."""
    path = np.vstack([face.left.points, face.face[1:-1], face.right.points])
    told = []
    for name in names:
        distance = float(np.min(np.hypot(*(path - getattr(face, name)).T)))
        if distance >= FARTHEST_MM:
            side = name.removeprefix("toe_")
            text = f"the {side} toe as given lies {distance:.1f} mm off the outline of the metal"
            told.append(Flag("mark_off_outline", text))
    return tuple(told)
