"""A wall of the section that was taken for the section itself: a strip both of whose sides are the same curve.

Where the camera looks at a piece from aside, its wall lies along one side of it as a strip of another tone, and such a
strip looks like thin plates with a weld between them. Its far side is its near one displaced, by one vector or towards
one point (`vision.displaced`), weld face and all. No weld is like that: the root side of a butt weld bulges to the
other side than its face, and behind a fillet no plates meet with a face like its own. The displacement is fitted to
closest points (P. J. Besl, N. D. McKay, IEEE Trans. Pattern Analysis and Machine Intelligence 14, 1992, 239-256).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from core.geometry import Line, Points, arc_length
from vision.displaced import MOST_SMALLER
from vision.section import PlateSurface, Section, WeldSurface

Floats = NDArray[np.float64]

LEAST_SHAPE, MOST_OFF_STEPS = 6.0, 15.0
"""By how much more the weld's surface is out of straight than the other side is off it, and how far that may be, in
steps of the outline: walls have 6.4 to 12 and up to 10; drawn tees and butts up to 2.5, a lap 4.8 at 38 steps."""

FOLLOWED = 0.85
"""Share of either plate and of the face that the other side follows: a wall may be hidden somewhere."""

PLACES, ACROSS, TURNS = 160, 15, 12
ALONG = np.linspace(-1.5, 1.5, 7)
"""Displacements along the chord of a butt weld with which the fit begins, over the width of the strip: along plates in
one line it is not told by them."""

OTHER_STEPS, FEWEST = 4.0, 20
"""Steps of the outline from the weld's own surface, from which it is the other side; fewest points of that."""


def is_wall(section: Section, outline_mm: Points) -> bool:
    """Tell whether an outline (N, 2), closed, in which a weld was found is a strip that repeats the weld behind it."""
    face = section.face
    if face is None:
        return False
    corner = face.face if section.root is None else np.vstack([face.face, section.root[None]])
    # From the chord to the face and to the corner behind it: what both sides of a strip have in common.
    shape = float(np.ptp(np.append(Line.through(face.toe_left, face.toe_right).offset(corner), 0.0)))
    step = float(np.median(np.hypot(*np.diff(outline_mm, axis=0).T)))
    off = _off_other_side(face, outline_mm, step)
    return off <= MOST_OFF_STEPS * step and shape > LEAST_SHAPE * max(off, 0.5 * step)


def _off_other_side(face: WeldSurface, outline_mm: Points, step_mm: float) -> float:
    """Return how far most of a weld's surface, displaced in the best way, stays off the outline's other side, mm."""
    surface = np.vstack([face.left.points[::-1], face.face, face.right.points])
    other = outline_mm[cKDTree(surface).query(outline_mm)[0] > OTHER_STEPS * step_mm]
    widths = [_across(plate, other, step_mm) for plate in (face.left, face.right)]
    if len(other) < FEWEST or not all(map(np.isfinite, widths)):
        return float("inf")
    normals = np.array([face.left.fit.line.normal, -face.right.fit.line.normal])
    across = np.linalg.lstsq(normals, np.array(widths), rcond=0.2)[0]
    chord = Line.through(face.toe_left, face.toe_right).direction
    straight = abs(float(np.linalg.det(normals))) < 0.2
    tree, whole = cKDTree(other), _evenly(surface)
    parts = [_evenly(part) for part in (face.left.points, face.face, face.right.points)]
    off = float("inf")
    for along in ALONG if straight else (0.0,):
        fit = _fitted(whole, tree, across + along * float(np.median(widths)) * chord)
        away = (tree.query(_moved(part, fit))[0] for part in parts)
        off = min(off, max(float(np.quantile(each, FOLLOWED)) for each in away))
    return off


def _across(plate: PlateSurface, other: Points, step_mm: float) -> float:
    """Return how far behind a plate's surface the other side lies in the middle, mm; infinite where none does."""
    line = plate.fit.line
    along, deep = line.along(other), np.abs(line.offset(other))
    places = line.along(plate.points[:: max(1, len(plate.points) // ACROSS)])
    behind = [deep[np.abs(along - place) < 1.5 * step_mm] for place in places]
    found = [float(each.min()) for each in behind if len(each)]
    return float(np.median(found)) if found else float("inf")


def _evenly(points: Points) -> Points:
    length = arc_length(points)
    at = np.linspace(0.0, float(length[-1]), PLACES)
    return np.column_stack([np.interp(at, length, points[:, axis]) for axis in (0, 1)])


def _moved(points: Points, fit: Floats) -> Points:
    return np.asarray((1.0 - fit[2]) * points + fit[:2])


def _fitted(points: Points, tree: cKDTree, begin: Floats) -> Floats:
    """Return the displacement, a vector and a share (3,), that lays points closest to those of a tree."""
    fit = np.array([*begin, 0.0])
    middle, extent = points.mean(axis=0), float(np.ptp(points))
    others = np.asarray(tree.data)
    for _ in range(TURNS):
        moved = _moved(points, fit)
        away, index = tree.query(moved)
        tangent = others[(index + 2) % len(others)] - others[index - 2]
        normal = np.column_stack([-tangent[:, 1], tangent[:, 0]]) / (np.hypot(*tangent.T)[:, None] + 1e-12)
        gap = np.einsum("ij,ij->i", normal, others[index] - moved)
        design = np.column_stack([normal, -np.einsum("ij,ij->i", normal, points - middle) / extent])
        kept = away <= np.quantile(away, FOLLOWED)
        add = np.linalg.lstsq(design[kept], gap[kept], rcond=1e-2)[0]
        share = float(np.clip(fit[2] + add[2] / extent, -MOST_SMALLER, MOST_SMALLER))
        # About the middle of the points, so that the limit of the share moves nothing.
        fit = np.array([*(fit[:2] + add[:2] + (share - fit[2]) * middle), share])
    return fit
