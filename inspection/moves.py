"""Points of one weld that a person has moved: checked at the door, put in the place of what was found."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from calibration.model import Calibration
from core.errors import NothingMeasurable, UsageError
from core.fitting import LineFit
from core.geometry import Line, Points, in_picture, intersection
from inspection.given_points import off_outline, refuse_no_joint
from vision import applied_marks
from vision.found import FoundWeld, FoundWelds
from vision.marks import WeldMarks
from vision.section import Flag, PreparedEdge, Section

Pixel = tuple[float, float]
Moves = Mapping[str, tuple[Pixel, ...]]
"""Name of what was moved to its point, or to the two points of a plate line, in the picture frame."""

FACE = ("toe_left", "toe_right", "plate_left", "plate_right")
ROOT_SIDE = tuple(f"root_{name}" for name in FACE)
GROOVE = ("plate_left", "plate_right", "root_edge_left", "root_edge_right")


def movable(section: Section) -> tuple[str, ...]:
    """Return the names of what can be moved in a section."""
    if section.joint == "groove":
        return GROOVE if section.edge_left is not None and section.edge_right is not None else ()
    if section.face is None:
        return ()
    return FACE if section.root_side is None else (*FACE, *ROOT_SIDE)


def parse_moves(value: Any, section: Section, width_px: float, height_px: float) -> dict[str, tuple[Pixel, ...]]:
    """Return the moves of a document already read, ``{"toe_left": [x, y], "plate_left": [[x, y], [x, y]]}``.

    Raises
    ------
    UsageError
        With one sentence that names the point that is wrong: not known, not finite, outside the picture.
    """
    if not isinstance(value, dict):
        raise UsageError("moved points must be an object of names and points.", code="bad_points")
    known = movable(section)
    moves: dict[str, tuple[Pixel, ...]] = {}
    for name, given in value.items():
        if name not in known:
            text = ", ".join(known) or "nothing"
            raise UsageError(f"{str(name)[:40]!r} cannot be moved in this weld, only {text}.", code="bad_points")
        parts = given if "plate" in name and isinstance(given, list) else [given]
        if len(parts) != (2 if "plate" in name else 1):
            raise UsageError(f"{name} takes two points, [[x, y], [x, y]].", code="bad_points")
        moves[name] = tuple(_pixel(part, name, width_px, height_px) for part in parts)
        if "plate" in name and math.dist(*moves[name]) < 2.0:
            raise UsageError(f"{name}: two points this close give no line, move one away.", code="bad_points")
    return moves


def _pixel(value: Any, name: str, width_px: float, height_px: float) -> Pixel:
    numbers = isinstance(value, list) and len(value) == 2 and all(type(part) in (int, float) for part in value)
    if not numbers or not all(math.isfinite(part) for part in value):
        raise UsageError(f"{name} must be a point [x, y] in pixels.", code="bad_points")
    x, y = float(value[0]), float(value[1])
    if not in_picture(x, y, width_px, height_px):
        raise UsageError(f"{name} lies outside the picture: move it back inside.", code="bad_points")
    return x, y


def with_moves(weld: FoundWeld, moves: Moves, calibration: Calibration) -> FoundWeld:
    """Return a weld with a person's points in the place of what was found.

    Raises
    ------
    NothingMeasurable
        When the points give no joint: toes at one place or on each other's side, plate lines that do not meet.
    """
    if not moves:
        return weld
    if weld.section.joint == "groove":
        return _groove(weld, moves, calibration)
    moved = _surface(weld, {name: moves[name] for name in FACE if name in moves}, calibration)
    root_side = weld.section.root_side
    below = {name.removeprefix("root_"): moves[name] for name in ROOT_SIDE if name in moves}
    if root_side is None or not below:
        return moved
    # The root side has the form of a face, so it is moved as one.
    turned = replace(weld, section=replace(weld.section, face=root_side, root_side=None, flags=()), flags=())
    seen = _surface(turned, below, calibration).section
    flags = tuple(replace(flag, message=f"root side: {flag.message}") for flag in seen.flags)
    section = replace(moved.section, root_side=seen.face, flags=(*moved.section.flags, *flags))
    return replace(moved, section=section, flags=section.flags)


def _surface(weld: FoundWeld, moves: Moves, calibration: Calibration) -> FoundWeld:
    if not moves:
        return weld
    marks = WeldMarks(
        toe_left=_one(moves, "toe_left"),
        toe_right=_one(moves, "toe_right"),
        plate_left=_two(moves, "plate_left"),
        plate_right=_two(moves, "plate_right"),
    )
    found = applied_marks.apply(FoundWelds((weld,), (), ()), [marks], calibration, np.zeros(2))
    section = found.welds[0].section
    refuse_no_joint(section, had_root=weld.section.root is not None)
    face = section.face
    assert face is not None
    far = off_outline(face, [name for name in ("toe_left", "toe_right") if name in moves])
    section = replace(section, flags=(*section.flags, *far))
    return replace(found.welds[0], section=section, flags=section.flags)


def _one(moves: Moves, name: str) -> Pixel | None:
    return moves[name][0] if name in moves else None


def _two(moves: Moves, name: str) -> tuple[Pixel, Pixel] | None:
    return (moves[name][0], moves[name][1]) if name in moves else None


def _groove(weld: FoundWeld, moves: Moves, calibration: Calibration) -> FoundWeld:
    section = weld.section
    click = applied_marks.CLICK_STD_PX * section.resolution_mm
    edges: dict[str, PreparedEdge] = {}
    given: list[str] = []
    for side in ("left", "right"):
        edge: PreparedEdge | None = getattr(section, f"edge_{side}")
        if edge is None:
            raise NothingMeasurable("one member of this joint was not found, its points cannot be moved.")
        if f"plate_{side}" in moves:
            first, second = calibration.to_mm(np.array(moves[f"plate_{side}"]))
            edge = _with_outside(edge, first, second, click)
            given.append(f"{side} plate")
        if f"root_edge_{side}" in moves:
            edge = _with_root_edge(edge, calibration.to_mm(np.array(moves[f"root_edge_{side}"]))[0], click)
            given.append(f"{side} root edge")
        edges[f"edge_{side}"] = edge
    flag = Flag("marked_by_person", "given by a person and taken as given: " + ", ".join(given))
    flags = (*section.flags, flag)
    points = dict(weld.points_px)
    for side in ("left", "right"):
        edge = edges[f"edge_{side}"]
        for corner in ("outer_corner", "land_top", "land_bottom"):
            x, y = calibration.to_px(np.array([getattr(edge, corner)]))[0]
            points[f"{corner}_{side}"] = (float(x), float(y))
    moved = replace(section, edge_left=edges["edge_left"], edge_right=edges["edge_right"], flags=flags)
    return replace(weld, section=moved, points_px=points, flags=flags)


def _with_outside(edge: PreparedEdge, first: Points, second: Points, click_mm: float) -> PreparedEdge:
    fit = _line_of(edge.outside, first, second, click_mm)
    prepared = edge.bevel or edge.land
    corner = edge.outer_corner if prepared is None else intersection(fit.line, prepared.line)
    if corner is None:
        raise NothingMeasurable("the plate line does not meet the prepared edge: move it back.", code="no_root")
    shared = bool(np.allclose(edge.land_top, edge.outer_corner))
    return replace(edge, outside=fit, outer_corner=corner, land_top=corner if shared else edge.land_top)


def _with_root_edge(edge: PreparedEdge, at: Points, click_mm: float) -> PreparedEdge:
    """Move the root edge: land and inside surface keep their directions and go through it."""
    land = None if edge.land is None else _through(edge.land, at, click_mm)
    inside = None if edge.inside is None else _through(edge.inside, at, click_mm)
    top = edge.land_top
    if land is not None:
        upper = edge.bevel or edge.outside
        meeting = intersection(upper.line, land.line)
        if meeting is None:
            raise NothingMeasurable("the land does not meet the bevel: move the root edge back.", code="no_root")
        top = meeting
    else:
        top = at if np.allclose(edge.land_top, edge.land_bottom) else top
    outer = top if edge.bevel is None and edge.land is not None else edge.outer_corner
    return replace(edge, land=land, inside=inside, land_top=top, land_bottom=at, outer_corner=outer)


def _through(fit: LineFit, at: Points, click_mm: float) -> LineFit:
    line = Line(float(at[0]), float(at[1]), fit.line.dx, fit.line.dy)
    return replace(fit, line=line, offset_std=math.hypot(click_mm, fit.offset_std))


def _line_of(fit: LineFit, first: Points, second: Points, click_mm: float) -> LineFit:
    line = Line.through(first, second)
    if line.direction @ fit.line.direction < 0:
        line = line.reversed()
    middle = 0.5 * (first + second)
    line = Line(float(middle[0]), float(middle[1]), line.dx, line.dy)
    length = float(np.hypot(*(second - first)))
    return replace(
        fit,
        line=line,
        residual_std=click_mm,
        offset_std=click_mm / math.sqrt(2),
        angle_std_rad=click_mm * math.sqrt(2) / length,
    )
