"""Whether what was taken for a weld can be one: tiles, screens, brushed metal and hills have straight edges, too.

Each bound lies well beyond what drawn sections of welds reach (some 400, many of them spoiled), and refuses what
pictures without a weld gave (`benchmarks.not_welds`). A refusal costs little: a person can mark the toes.
"""

from __future__ import annotations

import math

import cv2
import numpy as np

from core.geometry import Line, Points, angle_between_deg
from vision.butt_pairs import MOST_RISE, MOST_RISE_MM
from vision.section import PreparedEdge, Section, WeldSurface

ROUGHEST = 0.006
"""Scatter of a plate about its line over the width of the face; real ones stay below 0.0025."""

CROOKEDEST, CROOKEDEST_PX = 0.0025, 0.3
"""Scatter of a plate about its line over the plate's own length, and the scatter that the grain of a picture gives.
Drawn plates of tees and butts stay below 0.0011, plates of laps below 0.0022; slopes of hills give 0.003."""

ROLLED_MM = 0.02
"""Scatter of rolled, blasted and cut surfaces about their lines, however short they are: a profile 0.1 mm high (grade
coarse of ISO 8503-1, from memory) has about a fifth of it."""

CROOKEDEST_EDGE = 0.005
"""The same of the edge of a lap, the shorter of its two surfaces: a few millimetres wander as far as a long plate."""

MOST_BULGE, MOST_BULGE_MM = MOST_RISE, MOST_RISE_MM
"""Height of a face above its toes, as a share of its width and in mm: drawn welds reach 0.17 of it. A dome, a box or a
house on a straight line is higher."""

WIDEST_SQUARE, WIDEST_SQUARE_MM, MOST_STEP_SQUARE, MOST_WEDGE_SQUARE = 0.5, 4.0, 0.25, 0.05
"""Of two square edges, in shares of the thinner plate: gap (ISO 9692-1 has the thickness for plates of 4 mm, half of
it beyond), step between the surfaces, and gap at the top less gap at the bottom (3 degrees from parallel)."""

LEAST_PLATES = {"tee": 1.1, "lap": 0.0, "butt": 0.8}
"""Both plates together over the width of the face: drawn tees show 1.5 and more, butts 1; a lap has a short edge."""

LEAST_PLATES_ACROSS = 0.6
"""The same across a plate from another weld, which tells the plates, too."""

LEAST_PLATE_POINTS = {"tee": 20, "lap": 12, "butt": 40}
LEAST_WIDTH_PX = 25.0
"""A face narrower than this has too few points to be told from a notch."""

SHARPEST_DEG = 100.0
"""Turn of the face within a fifth of its length, ends left out: overlap reaches 90, the corner of a tile is sharper."""

MOST_PAST = 0.05
"""By how much of the thinner plate root edges may be told past one another: those that touch scatter."""

MOST_RISING_MM = 0.1
"""By how much the lower end of a land may lie above its upper one: a feather edge has none, and lines scatter."""

LEAST_SHARED, LEAST_THICKNESS_SHARE = 0.4, 0.5
"""Share of the thinner member's thickness that faces the other, and its thickness over the other's."""

LEAST_IN_LINE = 0.25
"""Share of the thinner plate of a butt weld that faces the other: ISO 5817 allows a misalignment of a quarter of the
thickness at its lowest level D; plates that lie on each other face nothing."""

MOST_BEND_DEG = 15.0
"""Angle between the plates of a butt weld; corners of polygons are blunter than a weld is ever bent."""

PLATES_DEG = (50.0, 136.0)
"""Angle between the plates of a fillet: ISO 9692-1 has 60 to 120, AWS D1.1 skewed tees of 60 to 135 (from memory);
roofs, mountains and braces lie outside."""

LEAST_LEGS, LEAST_LEGS_ACROSS = 1 / 3, 1 / 8
"""Shorter leg over the longer one; drawn welds reach 0.74, the edge of a foot on a floor a quarter. Across a plate from
another weld it may be a bevel that was welded, with little of a fillet before it."""

GENTLE_DEG = 166.0
"""A face that leaves both plates of a fillet at more than this is the inner radius of a rolled or bent profile."""

SQUARE_DEG, SQUARE_WITHIN_DEG, STRAIGHT = 90.0, 15.0, 0.05
"""A face of straight pieces (within a share of its width) with nothing but square corners is a step, not a bead."""

_STEPS, _ARM = 200, 20


def is_weld(section: Section, *, told: bool = False, across: bool = False) -> bool:
    """Tell whether face and plates have the proportions of a weld, or members those of a joint.

    Parameters
    ----------
    told
        Whether a person named the joint: then a corner with gentle toes on both sides is taken for a ground or
        well-washed fillet, else for the inner radius of a rolled profile; a high face, a skewed joint and unequal
        legs are taken for what they are, else for things on a line; two square edges need not fit each other.
    across
        Whether it lies across a plate from a weld that was found: its plates are plates then, though less of them is
        seen, and its legs may differ by more.
    """
    face = section.face
    if face is None:
        if section.edge_left is None or section.edge_right is None:
            return True
        edges = (section.edge_left, section.edge_right)
        return all(map(_land_goes_down, edges)) and _face_each_other(section) and (told or _fit_if_square(*edges))
    if not told and (section.joint != "butt" and min(_toe_angles_deg(face)) > GENTLE_DEG):
        return False
    if section.joint == "butt":
        tapered = any(flag.code == "tapered_plate" for flag in section.flags)
        if not (told or tapered) and _bend_deg(face) > MOST_BEND_DEG:
            return False
        if not _in_line(section, face):
            return False
    width = float(np.hypot(*(face.toe_right - face.toe_left)))
    fits = (face.left.fit, face.right.fit)
    if width < LEAST_WIDTH_PX * section.resolution_mm or max(fit.residual_std for fit in fits) > ROUGHEST * width:
        return False
    if (
        not told
        and section.root is not None
        and not _is_corner(face, section.root, LEAST_LEGS_ACROSS if across else LEAST_LEGS)
    ):
        return False
    if not told and _bulge_mm(face) > MOST_BULGE_MM + MOST_BULGE * width:
        return False
    lengths = _lengths(face)
    grain = math.hypot(CROOKEDEST_PX * section.resolution_mm, ROLLED_MM)
    noise = math.sqrt(max(0.0, section.point_std_mm**2 - section.wander_mm**2))
    for fit, long in zip(fits, lengths, strict=True):
        rough = math.sqrt(max(0.0, fit.residual_std**2 - noise**2))
        edge = section.joint == "lap" and long == min(lengths)
        if rough > max((CROOKEDEST_EDGE if edge else CROOKEDEST) * long, grain):
            return False
    least = LEAST_PLATES[section.joint]
    if sum(lengths) < (min(least, LEAST_PLATES_ACROSS) if across else least) * width:
        return False
    if min(int(fit.inliers.sum()) for fit in fits) < LEAST_PLATE_POINTS[section.joint]:
        return False
    return _sharpest_turn_deg(face.face) <= SHARPEST_DEG and not _is_step(face.face, STRAIGHT * width)


def _in_line(section: Section, face: WeldSurface) -> bool:
    """Tell whether the plates of a butt weld face each other, as far as their other sides are seen."""
    if section.opposite_left is None or section.opposite_right is None:
        return True
    across = face.left.fit.line.normal
    spans = []
    for toe, below in ((face.toe_left, section.opposite_left.line), (face.toe_right, section.opposite_right.line)):
        ends = float(across @ toe), float(across @ below.at(float(below.along(toe))))
        spans.append((min(ends), max(ends)))
    shared = min(high for _, high in spans) - max(low for low, _ in spans)
    return shared >= LEAST_IN_LINE * min(high - low for low, high in spans)


def _land_goes_down(edge: PreparedEdge) -> bool:
    """Tell whether a land leads into the plate: a bend of the inside surface may meet it before it begins.

    An outline that bends there follows a shadow or a stain, and no line of that member can be relied on.
    """
    if edge.inside is None:
        return True
    surface = edge.outside.line
    into = float(np.sign(surface.offset(edge.inside.line.point)))
    return into * float(surface.offset(edge.land_bottom) - surface.offset(edge.land_top)) >= -MOST_RISING_MM


def _face_each_other(section: Section) -> bool:
    assert section.edge_left is not None
    assert section.edge_right is not None
    across = section.edge_left.outside.line.normal
    spans = []
    for edge in (section.edge_left, section.edge_right):
        ends = [float(across @ corner) for corner in (edge.outer_corner, edge.land_bottom)]
        spans.append((min(ends), max(ends)))
    shared = min(high for _, high in spans) - max(low for low, _ in spans)
    thin, thick = sorted(high - low for low, high in spans)
    along = section.edge_left.outside.line.direction
    top = float(along @ (section.edge_right.outer_corner - section.edge_left.outer_corner))
    bottom = float(along @ (section.edge_right.land_bottom - section.edge_left.land_bottom))
    # Plates cannot lie within each other: where their root edges do, an edge was led past the end of its plate.
    if float(np.sign(top)) * bottom < -MOST_PAST * thin:
        return False
    return shared >= LEAST_SHARED * thin and thin >= LEAST_THICKNESS_SHARE * thick


def _fit_if_square(left: PreparedEdge, right: PreparedEdge) -> bool:
    """Tell whether two square edges, if they are such, form one gap between two surfaces in line."""
    if left.bevel is not None or right.bevel is not None:
        return True
    along, across = left.outside.line.direction, left.outside.line.normal
    top, bottom = right.outer_corner - left.outer_corner, right.land_bottom - left.land_bottom
    gaps = abs(float(along @ top)), abs(float(along @ bottom))
    thin = min(abs(float(across @ (edge.outer_corner - edge.land_bottom))) for edge in (left, right))
    return (
        min(gaps) <= max(WIDEST_SQUARE * thin, WIDEST_SQUARE_MM)
        and abs(gaps[0] - gaps[1]) <= MOST_WEDGE_SQUARE * thin
        and min(abs(float(across @ top)), abs(float(across @ bottom))) <= MOST_STEP_SQUARE * thin
    )


def _is_corner(face: WeldSurface, root: Points, least_legs: float) -> bool:
    """Tell whether the plates meet as those of a fillet do, with legs of about one length."""
    least, most = PLATES_DEG
    shorter, longer = legs_of(face, root)
    between = angle_between_deg(face.left.fit.line.direction, face.right.fit.line.direction)
    return least <= between <= most and shorter >= least_legs * longer


def legs_of(face: WeldSurface, root: Points) -> tuple[float, float]:
    """Return the shorter and the longer leg of a fillet, mm."""
    left, right = (float(np.hypot(*(toe - root))) for toe in (face.toe_left, face.toe_right))
    return min(left, right), max(left, right)


def _bulge_mm(face: WeldSurface) -> float:
    """Return how far the face leaves the straight line from toe to toe."""
    return float(np.abs(Line.through(face.toe_left, face.toe_right).offset(face.face)).max())


def _toe_angles_deg(face: WeldSurface) -> list[float]:
    """Return the angle between each plate, leading away, and the fifth of the face next to it."""
    length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(face.face, axis=0).T))])
    at = np.array([0.03, 0.22, 0.78, 0.97]) * length[-1]
    points = np.column_stack([np.interp(at, length, face.face[:, 0]), np.interp(at, length, face.face[:, 1])])
    ways = ((points[1] - points[0], face.left), (points[2] - points[3], face.right))
    return [angle_between_deg(way / max(float(np.hypot(*way)), 1e-12), plate.fit.line.direction) for way, plate in ways]


def _bend_deg(face: WeldSurface) -> float:
    return 180.0 - angle_between_deg(face.left.fit.line.direction, face.right.fit.line.direction)


def _is_step(face: Points, straight_mm: float) -> bool:
    corners = cv2.approxPolyDP(np.asarray(face, np.float32), straight_mm, False)[:, 0].astype(float)
    ways = np.diff(corners, axis=0)
    if len(ways) < 2:
        return False
    cross = ways[:-1, 0] * ways[1:, 1] - ways[:-1, 1] * ways[1:, 0]
    turns = np.degrees(np.arctan2(cross, np.sum(ways[:-1] * ways[1:], axis=1)))
    return bool(np.all(np.abs(np.abs(turns) - SQUARE_DEG) < SQUARE_WITHIN_DEG))


def _lengths(face: WeldSurface) -> list[float]:
    found = []
    for plate in (face.left, face.right):
        inliers = plate.fit.inliers
        points = plate.points[inliers] if len(inliers) == len(plate.points) and inliers.any() else plate.points
        found.append(float(np.ptp(plate.fit.line.along(points))) if len(points) else 0.0)
    return found


def _sharpest_turn_deg(face: Points) -> float:
    """Return the greatest change of direction between two arms of a tenth of the face, in its middle three fifths."""
    length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(face, axis=0).T))])
    at = np.linspace(0.0, length[-1], _STEPS + 1)
    points = np.column_stack([np.interp(at, length, face[:, 0]), np.interp(at, length, face[:, 1])])
    before, after = points[_ARM:-_ARM] - points[: -2 * _ARM], points[2 * _ARM :] - points[_ARM:-_ARM]
    cross = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
    turn = np.degrees(np.arctan2(cross, np.sum(before * after, axis=1)))
    middle = turn[_STEPS // 5 - _ARM : -(_STEPS // 5 - _ARM)]
    return float(np.abs(middle).max())
