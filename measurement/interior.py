"""The geometry of values inside an etched section: from plate lines, outer surfaces and fusion lines to numbers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from core.geometry import Line, Points, distance_to_segments, intersection, signed_area
from vision.fusion_line import FusionLine
from vision.section import Section, WeldSurface
from vision.weld_metal import outlines


@dataclass(frozen=True, slots=True, eq=False)
class Interior:
    """What the values are computed from: plate lines leading away from the weld, outer surfaces, fusion lines."""

    section: Section
    left: Line
    right: Line
    lines: tuple[FusionLine, ...]

    @property
    def face(self) -> WeldSurface:
        if self.section.face is None:
            raise ValueError("a weld face is needed")
        return self.section.face


Values = dict[str, float]


def fillet_values(interior: Interior) -> Values:
    """Return the values of a fillet; root penetration is below zero where the line passes in front of the root."""
    line, face = interior.lines[0].points_mm, interior.face
    root = intersection(interior.left, interior.right)
    if root is None:
        return {}
    bisector = _bisector(interior)
    values: Values = {}
    depth = _along_bisector(line, root, bisector)
    if depth is not None:
        values["root_penetration"] = depth
        values["lack_of_root_fusion"] = -depth
        values["throat_with_penetration"] = distance_to_segments(root - depth * bisector, face.face)[0]
    for side, plate in (("left", interior.left), ("right", interior.right)):
        along, below = _below(plate, root, bisector, line)
        beside = along >= 0
        if beside.any():
            values[f"penetration_{side}"] = float(below[beside].max())
            values[f"sidewall_fusion_{side}"] = _fused_share(along[beside], below[beside], leg_of(face, side, root))
    total = abs(signed_area(np.vstack([face.face, line[::-1]])))
    above = abs(signed_area(np.vstack([root, face.face])))
    values |= {"fused_area": total - above, "weld_metal_area": total, "dilution": 100 * (total - above) / total}
    return values


def leg_of(face: WeldSurface, side: str, root: Points) -> float:
    """Return the distance from the root to the toe of a side, mm."""
    return float(np.hypot(*((face.toe_left if side == "left" else face.toe_right) - root)))


def _bisector(interior: Interior) -> Points:
    both = interior.left.direction + interior.right.direction
    return np.asarray(both / np.hypot(*both))


def _below(plate: Line, root: Points, bisector: Points, line: Points) -> tuple[Points, Points]:
    """Return how far points lie along a plate from the root, and how deep below its surface line."""
    into = plate.normal if plate.normal @ bisector < 0 else -plate.normal
    return (line - root) @ plate.direction, (line - plate.point) @ into


FUSED_MM = 0.05
"""A plate is fused where the line runs below its surface by at least this much."""


def _fused_share(along: Points, below: Points, leg: float) -> float:
    """Return the share of a leg, its ends left out, along which the line runs below the plate's surface, percent."""
    order = np.argsort(along)
    at = np.linspace(0.02, 0.95, 200) * leg
    # A smooth step instead of a yes or no lets the share answer to small shifts of the line.
    depth = np.interp(at, along[order], below[order])
    return float(100 * np.mean(np.clip(0.5 + (depth - 0.5 * FUSED_MM) / FUSED_MM, 0, 1)))


def _along_bisector(line: Points, root: Points, bisector: Points) -> float | None:
    """Return how far behind the root (below 0: in front of it) the line crosses the bisector, the deepest crossing."""
    across = (line - root) @ np.array([-bisector[1], bisector[0]])
    depth = -((line - root) @ bisector)
    change = np.flatnonzero(np.sign(across[:-1]) != np.sign(across[1:]))
    if len(change) == 0:
        return None
    share = across[change] / (across[change] - across[change + 1])
    return float(np.max(depth[change] + share * (depth[change + 1] - depth[change])))


def butt_values(interior: Interior) -> Values:
    """Return the values of a butt weld."""
    section, face = interior.section, interior.face
    lines = {line.side: line.points_mm for line in interior.lines}
    values: Values = {"weld_metal_area": sum(abs(signed_area(ring)) for ring in outlines(section, interior.lines))}
    chord = Line.through(face.toe_left, face.toe_right)
    thickness = _thickness(interior)
    if "left" in lines and "right" in lines:
        if thickness is not None:
            values |= {"penetration_depth": thickness, "lack_of_penetration": 0.0}
        if section.root_side is not None:
            root_middle = 0.5 * (section.root_side.toe_left + section.root_side.toe_right)
            middle = 0.5 * (face.toe_left + face.toe_right)
            values["root_centreline_mismatch"] = abs(float(chord.along(root_middle) - chord.along(middle)))
        return values
    depth = float(np.max(-chord.offset(lines["whole"])))
    values["penetration_depth"] = depth
    root_depth = 0.0
    if "root side" in lines and section.root_side is not None:
        root_chord = Line.through(section.root_side.toe_left, section.root_side.toe_right)
        root_depth = float(np.max(root_chord.offset(lines["root side"])))
        values["root_side_penetration_depth"] = root_depth
        middles = [
            _middle(lines["whole"], -chord.offset(lines["whole"])),
            _middle(lines["root side"], root_chord.offset(lines["root side"])),
        ]
        values["root_centreline_mismatch"] = abs(float(chord.along(middles[1]) - chord.along(middles[0])))
    if thickness is not None:
        values["lack_of_penetration"] = thickness - depth - root_depth
    return values


def _middle(line: Points, depth: Points) -> Points:
    """Return the middle between the two flanks of a line at 60 % of its depth."""
    deep = np.flatnonzero(depth >= 0.6 * depth.max())
    return np.asarray(0.5 * (line[deep[0]] + line[deep[-1]]))


def _thickness(interior: Interior) -> float | None:
    """Return the mean thickness of both plates at the toes, None where the other side of a plate is not seen."""
    section, face = interior.section, interior.face
    found = []
    for side, toe in (("left", face.toe_left), ("right", face.toe_right)):
        opposite = section.opposite_left if side == "left" else section.opposite_right
        line = None if opposite is None else opposite.line
        if section.root_side is not None:
            plate = section.root_side.left if side == "left" else section.root_side.right
            line = plate.fit.line
        if line is None:
            return None
        found.append(abs(float(line.offset(toe))))
    return float(np.mean(found))


def deciding_point(nominal: Interior, name: str) -> Points:
    """Return the point of the first line that decides a value."""
    line = nominal.lines[0].points_mm
    root = nominal.section.root
    if root is None:
        if name == "lack_of_penetration" and nominal.lines[0].side != "whole":
            return np.asarray(line[-1])
        chord = Line.through(nominal.face.toe_left, nominal.face.toe_right)
        return np.asarray(line[int(np.argmin(chord.offset(line)))])
    bisector = _bisector(nominal)
    if name in ("penetration_left", "penetration_right"):
        along, below = _below(nominal.left if name.endswith("left") else nominal.right, root, bisector, line)
        return np.asarray(line[int(np.argmax(np.where(along >= 0, below, -np.inf)))])
    across = np.abs((line - root) @ np.array([-bisector[1], bisector[0]]))
    return np.asarray(line[int(np.argmin(across))])
