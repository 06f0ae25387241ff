"""A person's marks: toes and plate points given in the picture, taken as given."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields, replace
from typing import TYPE_CHECKING

import numpy as np

from calibration.model import Calibration
from core.fitting import LineFit
from core.geometry import Line, Points, intersection
from vision.marks import WeldMarks
from vision.section import Flag, PlateSurface, WeldSurface

if TYPE_CHECKING:
    from vision.found import FoundWeld, FoundWelds

PointPx = tuple[float, float]
CLICK_STD_PX = 1.0
"""How well a person marks an edge in a picture (common practice, no source)."""


def apply(found: FoundWelds, marks: Sequence[WeldMarks], calibration: Calibration, origin: Points) -> FoundWelds:
    """Put a person's marks in the place of what was found; each goes to the nearest weld."""
    welds = list(found.welds)
    for mark in marks:
        points = _points(mark)
        if len(points) == 0 or not welds:
            continue
        centre = points.mean(axis=0)
        distances = [
            min(float(np.hypot(*(np.array(p) - centre))) for p in weld.points_px.values()) if weld.points_px else np.inf
            for weld in welds
        ]
        nearest = int(np.argmin(distances))
        welds[nearest] = _apply_one(welds[nearest], mark, calibration, origin)
    return replace(found, welds=tuple(welds))


def _points(mark: WeldMarks) -> Points:
    single = [p for p in (mark.toe_left, mark.toe_right) if p is not None]
    pairs = [p for pair in (mark.plate_left, mark.plate_right) if pair is not None for p in pair]
    return np.array([*single, *pairs], float).reshape(-1, 2)


def _apply_one(weld: FoundWeld, mark: WeldMarks, calibration: Calibration, origin: Points) -> FoundWeld:
    section = weld.section
    surface = section.face
    if surface is None:
        return weld
    given: list[str] = []
    click = CLICK_STD_PX * section.resolution_mm

    def mm(point: PointPx) -> Points:
        return np.asarray(calibration.to_mm(np.array([point]) - origin)[0])

    left, right = surface.left, surface.right
    if mark.plate_left is not None:
        left = _marked_plate(left, mm(mark.plate_left[0]), mm(mark.plate_left[1]), click)
        given.append("left plate")
    if mark.plate_right is not None:
        right = _marked_plate(right, mm(mark.plate_right[0]), mm(mark.plate_right[1]), click)
        given.append("right plate")
    toe_left, std_left = surface.toe_left, surface.toe_std_left
    toe_right, std_right = surface.toe_right, surface.toe_std_right
    if mark.toe_left is not None:
        toe_left, std_left = mm(mark.toe_left), click
        given.append("left toe")
    if mark.toe_right is not None:
        toe_right, std_right = mm(mark.toe_right), click
        given.append("right toe")
    if not given:
        return weld
    face = _trim_face(surface, toe_left, toe_right)
    marked = frozenset(
        name.name for name in fields(mark) if name.name != "joint" and getattr(mark, name.name) is not None
    )
    new_surface = WeldSurface(left, right, toe_left, toe_right, face, std_left, std_right, surface.marked | marked)
    root = section.root if section.root is None else intersection(left.fit.line, right.fit.line)
    flag = Flag("marked_by_person", "given by a person and taken as given: " + ", ".join(given))
    flags = (*section.flags, flag)
    new = replace(section, face=new_surface, root=root, flags=flags)
    points = dict(weld.points_px)
    for name, point in (("root", root), ("toe_left", toe_left), ("toe_right", toe_right)):
        if point is not None and name in points:
            x, y = calibration.to_px(np.array([point]))[0] + origin
            points[name] = (float(x), float(y))
    return replace(weld, section=new, points_px=points, flags=flags)


def _marked_plate(plate: PlateSurface, first: Points, second: Points, click_mm: float) -> PlateSurface:
    line = Line.through(first, second)
    if line.direction @ plate.fit.line.direction < 0:
        line = line.reversed()
    middle = 0.5 * (first + second)
    line = Line(float(middle[0]), float(middle[1]), line.dx, line.dy)
    length = float(np.hypot(*(second - first)))
    count = len(plate.fit.inliers)
    fit = LineFit(line, click_mm, click_mm / np.sqrt(2), click_mm * np.sqrt(2) / length, np.ones(count, bool))
    return PlateSurface(fit, plate.points)


def _trim_face(surface: WeldSurface, toe_left: Points, toe_right: Points) -> Points:
    """Return the surface between two toes, taking plate points in where a toe was moved outwards."""
    path = np.vstack([surface.left.points[::-1], surface.face, surface.right.points])
    start = int(np.argmin(np.sum((path - toe_left) ** 2, axis=1)))
    stop = int(np.argmin(np.sum((path - toe_right) ** 2, axis=1)))
    if stop <= start + 1:
        return np.vstack([toe_left, toe_right])
    return np.vstack([toe_left, path[start + 1 : stop], toe_right])
