"""Coarse outlines of the reduced picture in which a joint was recognised, the likeliest first."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.model import Calibration
from core.geometry import diagonal, step_lengths
from vision.behind_plates import is_ground
from vision.butt_pairs import ButtPair
from vision.coarse_score import STRAY_SHARE, score_of, stray_share
from vision.joints import FilletPair, opposite_run
from vision.plate_line import Detail
from vision.segmentation import (
    OF_ONE_TONE,
    ReducedPicture,
    Silhouette,
    contrast_of,
    flatten_light,
    proposals,
    silhouettes,
)
from vision.sharp_edges import OF_SHARP_EDGES
from vision.structure import JointChoice, Shape, Structure, recognise, shape_of

LEAST_CONTRAST_LEVELS = 5.0
MOST_PERIMETER = 16.0
"""Perimeter over the root of the area, beyond which an outline is frayed (a strip of 50 to 1 has 14.4)."""
CLEAR = 7.5
MOST_TRIED = 5
GOOD_ENOUGH = 4.5
"""A structure of this score, agreed on by its surroundings, ends the search for another way to split the picture."""
LEAST_AGREED, AGREED, ONE_AREA = 3.0, 3, 0.02
"""A lower score ends it where so many splits gave the same outline, of an area that differs by less than this share,
and nothing but background lies beside it."""
MOST_OF_A_MOUNT = 0.7
"""Most of a mount that its section takes up: a strip across a round one of its own width has 0.64 (a square in it)."""
FAR_FROM_GAP, FAR_SHARE = 3.0, 0.15
"""How much farther than the gap a fillet's root lies from another piece, over its longer leg, and over the size of its
own piece, from which that is a tee beside which another section lies. Its plates are longer than its legs."""

ANOTHER_SCORE, ANOTHER_AREA, ANOTHER_STEP = 3.5, 0.25, 1.3
"""Score of a second piece, and its area over that of the one that is measured, from which it is told. Pieces of one
metal differ in their step to the ground by less than the last factor; a rule that lies beside a section by more."""


@dataclass(frozen=True, slots=True, eq=False)
class Candidate:
    """Coarse outlines, the joint that was recognised in them, and how likely they are the section.

    ``stray_share`` is the share of an outline beside which lies no background.
    """

    outlines: tuple[Silhouette, ...]
    structure: Structure
    score: float
    stray_share: float


def candidates_of(
    reduced: ReducedPicture,
    calibration: Calibration,
    joint: JointChoice,
    splits: Iterable[tuple[str, NDArray[np.uint8]]] | None = None,
    evened: ReducedPicture | None = None,
) -> list[Candidate]:
    """Return recognised structures of the coarse outlines, best first.

    Parameters
    ----------
    splits
        Of the picture, looked at until one shows a joint well: an iterator of them gives those that come later when it
        is asked again. By grey level where none are given.
    evened
        The picture with its light evened, where that is known.
    """
    found: list[Candidate] = []
    evened = with_light_evened(reduced) if evened is None else evened
    for count, (name, mask) in enumerate(proposals(reduced, evened.gray) if splits is None else splits):
        outlines = silhouettes(mask, reduced, name)
        shapes = [coarse_shape(outline, reduced, calibration) for outline in outlines]
        alone: list[Structure | None] = []
        for outline, shape in zip(outlines, shapes, strict=True):
            structure = None if shape is None else recognise((shape,), joint)
            alone.append(structure)
            if structure is not None and not _is_ground(structure, outline, reduced):
                found.append(_candidate((outline,), structure, (reduced, evened), calibration))
        if joint in ("auto", "groove"):
            for i in range(len(outlines)):
                for j in range(i + 1, len(outlines)):
                    first, second = shapes[i], shapes[j]
                    if first is None or second is None or outlines[j].area_px < 0.2 * outlines[i].area_px:
                        continue
                    # Two members, not two of many alike (squares of a board, letters).
                    if sum(outline.area_px > 0.3 * outlines[j].area_px for outline in outlines) > 4:
                        continue
                    structure = recognise((first, second), joint)
                    if structure is not None and not (
                        joint == "auto" and (_is_welded(alone[i], second) or _is_welded(alone[j], first))
                    ):
                        pair = (outlines[i], outlines[j])
                        found.append(_candidate(pair, structure, (reduced, evened), calibration))
        # beside an outline that runs along weld metal lies no background: a later split may take that metal in
        clean = [c for c in found if c.stray_share < STRAY_SHARE]
        best = max((c.score for c in clean), default=0.0)
        if best > (CLEAR if count == 0 else GOOD_ENOUGH) or (best > LEAST_AGREED and _agreed(clean) >= AGREED):
            break
    best_first = sorted((c for c in found if c.score > 0), key=lambda c: -c.score)
    # Beside a shadow lies no background, and such outlines score low: they are tried when all else is refused.
    of_one_tone = [c for c in best_first[MOST_TRIED:] if c.outlines[0].proposal.startswith(OF_ONE_TONE)]
    return best_first[:MOST_TRIED] + of_one_tone[:MOST_TRIED]


def with_light_evened(reduced: ReducedPicture) -> ReducedPicture:
    """Return a picture with slowly varying light divided out."""
    return replace(reduced, gray=flatten_light(reduced.gray))


def within_those(candidates: Sequence[Candidate], tried: Sequence[Candidate]) -> list[Candidate]:
    """Return those of some candidates that lie inside one that was tried, as a section does in its mount.

    Beside a mount lies nothing but the bench; what has more beside it is no piece that stands for itself.
    """
    mounts = [other for other in tried if other.stray_share < STRAY_SHARE]
    return [each for each in candidates if any(_lies_in(each, mount) for mount in mounts)]


def _lies_in(one: Candidate, around: Candidate) -> bool:
    """Tell whether all outlines of a candidate lie in one outline of another, which is larger by more than a rim."""
    return any(
        sum(inner.area_px for inner in one.outlines) < MOST_OF_A_MOUNT * outer.area_px
        and all(_is_inside(inner, outer) for inner in one.outlines)
        for outer in around.outlines
    )


def _is_inside(inner: Silhouette, outer: Silhouette) -> bool:
    polygon = outer.points_px.astype(np.float32)
    points = inner.points_px[:: max(1, len(inner.points_px) // 48)]
    return all(cv2.pointPolygonTest(polygon, (float(x), float(y)), False) >= 0 for x, y in points)


def _is_ground(structure: Structure, outline: Silhouette, reduced: ReducedPicture) -> bool:
    """Tell whether the welds of a region, none of whose plates shows its other side, are seen in the ground."""
    shape = structure.shapes[0]
    joints: list[FilletPair | ButtPair] = [*structure.fillets, *structure.butts]
    pairs = [(pair.first, pair.second) for pair in joints]
    if any(opposite_run(shape.points, run, shape.runs) is not None for pair in pairs for run in pair):
        return False
    return any(is_ground(outline.points_px, pair, reduced) for pair in pairs)


def _is_welded(piece: Structure | None, other: Shape) -> bool:
    """Tell whether a piece shows a fillet that lies far from another piece: no edge is prepared for welding by that.

    The radius of a J preparation can pass for a fillet, too, but lies at the gap.
    """
    if piece is None or not piece.fillets:
        return False
    own = piece.shapes[0].points
    gap = min((float(np.hypot(*(other.points - point).T).min()) for point in own[::4]), default=0.0)
    for pair in piece.fillets:
        leg = max(pair.leg_first, pair.leg_second)
        far = gap + max(FAR_FROM_GAP * leg, FAR_SHARE * diagonal(own))
        if min(pair.first.length, pair.second.length) > leg and np.hypot(*(other.points - pair.root).T).min() > far:
            return True
    return False


def _agreed(candidates: Sequence[Candidate]) -> int:
    """Return how many of some candidates have the outline of the best of them: so many splits gave it."""
    best = max(candidates, key=lambda candidate: candidate.score)
    area = sum(outline.area_px for outline in best.outlines)
    return sum(
        len(candidate.outlines) == len(best.outlines)
        and abs(sum(outline.area_px for outline in candidate.outlines) - area) < ONE_AREA * area
        for candidate in candidates
    )


def _candidate(
    outlines: tuple[Silhouette, ...],
    structure: Structure,
    pictures: tuple[ReducedPicture, ReducedPicture],
    calibration: Calibration,
) -> Candidate:
    # Where light falls off over the ground it is one ground still: in one of the two pictures it is of one level.
    stray = max(min(stray_share(outline, picture) for picture in pictures) for outline in outlines)
    score = score_of(structure, outlines, pictures[0], calibration) - 8.0 * max(0.0, min(stray, 0.25) - STRAY_SHARE)
    return Candidate(outlines, structure, score, stray)


def coarse_shape(outline: Silhouette, reduced: ReducedPicture, calibration: Calibration) -> Shape | None:
    perimeter = float(step_lengths(outline.points_px).sum())
    if perimeter > MOST_PERIMETER * math.sqrt(outline.area_px):
        return None
    either_way = outline.proposal.startswith(OF_SHARP_EDGES)
    if not either_way and abs(contrast_of(outline, reduced)) < LEAST_CONTRAST_LEVELS:
        return None
    height, width = reduced.gray.shape
    points_px = outline.points_px
    edge = 1.6 * reduced.factor
    right, bottom = width * reduced.factor - 1 - edge, height * reduced.factor - 1 - edge
    cut = (points_px[:, 0] < edge) | (points_px[:, 1] < edge) | (points_px[:, 0] > right) | (points_px[:, 1] > bottom)
    points = calibration.to_mm(points_px)
    pixel = calibration.mm_per_px(points_px.mean(axis=0)) * reduced.factor
    if not np.isfinite(points).all():
        return None
    detail = Detail(0.4 * pixel, pixel, pixel)
    return shape_of(points, cut, detail, closed=True, tolerance=1.5 * pixel)


def is_another(other: Candidate, chosen: Candidate, reduced: ReducedPicture) -> bool:
    """Tell whether a candidate is a piece beside the chosen one that shows as much of a weld, and not its ground."""
    if other.score < ANOTHER_SCORE or other.stray_share > STRAY_SHARE:
        return False
    for one in other.outlines:
        for two in chosen.outlines:
            steps = contrast_of(one, reduced), contrast_of(two, reduced)
            alike = steps[0] * steps[1] > 0 and max(map(abs, steps)) < ANOTHER_STEP * min(map(abs, steps))
            if not alike or one.area_px < ANOTHER_AREA * two.area_px:
                return False
            for some, ring in ((one, two), (two, one)):
                polygon = some.points_px.astype(np.float32)
                points = ring.points_px[:: max(1, len(ring.points_px) // 24)]
                if any(cv2.pointPolygonTest(polygon, (float(x), float(y)), False) >= 0 for x, y in points):
                    return False
    return True


def is_ground_of(candidate: Candidate, given_up: Candidate, reduced: ReducedPicture) -> bool:
    """Tell whether a candidate is bright where one that was given up is dark, or dark where it is bright: its ground.

    What lies beside a section looks like two plates with a gap, or with a hollow weld, between them.
    """
    one, other = ({contrast_of(outline, reduced) > 0 for outline in each.outlines} for each in (candidate, given_up))
    return not one & other
