"""From a calibrated picture or a profile to the welds in it."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import islice

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.model import Calibration
from core.errors import NothingMeasurable
from core.geometry import Points, diagonal, signed_area, step_lengths
from core.medians import median
from vision import applied_marks
from vision.arc_branch import Branch, branch_of
from vision.arc_surface import Arc, arc_of
from vision.cut_out import redrawn
from vision.filled_gap import MOST_FILLED, unlike_ground
from vision.found import FoundWeld, FoundWelds, built, points_px_of
from vision.ground import ROUGH, roughness
from vision.ground_doubt import ROOT_SIDE, doubted, is_of_ground, reach_of_grain
from vision.joints import (
    ButtPair,
    FilletPair,
    path_between,
)
from vision.marks import WeldMarks
from vision.outline import MOST_UNSHARP, Outline, refine_outline, with_soft_rim
from vision.plate_line import Detail
from vision.plausible import (
    MOST_SOFT,
    TOLD_SOFT,
    are_alike,
    is_edge_of_metal,
    is_lost_in_shadow,
    is_sharp_all_round,
    is_weld,
    seen_edge,
    softness,
)
from vision.profile import Profile, usual_std_mm
from vision.rule_beside import rule_edge, without_rule
from vision.ruling import Ruling, bridged, find_ruling, with_chords
from vision.section import Flag
from vision.segmentation import (
    OF_ONE_TONE,
    ReducedPicture,
    Silhouette,
    contrast_of,
    flatten_light,
    proposals,
    reduce_picture,
    silhouettes,
)
from vision.sharp_edges import OF_SHARP_EDGES, sharp_splits
from vision.side_band import LONG_SIDE_PX as SIDE_BAND_LONG_SIDE_PX
from vision.side_band import beside_band, displacement, without_band
from vision.strokes import bridged as across_strokes
from vision.structure import (
    LEAST_LONG,
    JointChoice,
    Shape,
    Structure,
    is_plate,
    long_share,
    recognise,
    shape_of,
    straight_share,
    with_wander_told,
)
from vision.tone import ToneCurve
from vision.unlike_parts import MOST_UNLIKE, unlike_share

GAP_CORNERS = ("outer_corner_left", "outer_corner_right", "land_bottom_right", "land_bottom_left")
LOW_CONTRAST_LEVELS = 25.0
BLUR_LIMIT_PX = 3.0
LEAST_CONTRAST_LEVELS = 5.0
MOST_PERIMETER = 16.0
"""Perimeter over the root of the area, beyond which an outline is frayed (a strip of 50 to 1 has 14.4)."""
LEAST_SUPPORT = 0.7
"""Least share of an outline that stands clear of the grain beside it."""
CLEAR = 7.5
MOST_TRIED = 5
GOOD_ENOUGH = 4.5
"""A structure of this score, agreed on by its surroundings, ends the search for another way to split the picture."""
LEAST_AGREED, AGREED, ONE_AREA = 3.0, 3, 0.02
"""A lower score ends it where so many splits gave the same outline, of an area that differs by less than this share,
and nothing but background lies beside it."""
STRAY_STEP = 0.13
STRAY_SHARE = 0.04
"""With a larger share of an outline beside what is no background, the search for another split goes on: no background
is what differs from it by more than `STRAY_STEP` of the step to the metal."""
GAP_MISMATCH = 0.15
"""An open joint whose gap differs from the background by more of the step to the plates may hold weld metal."""


@dataclass(frozen=True, slots=True, eq=False)
class _Candidate:
    outlines: tuple[Silhouette, ...]
    structure: Structure
    score: float
    stray_share: float


ANOTHER_SCORE, ANOTHER_AREA, ANOTHER_STEP = 3.5, 0.25, 1.3
"""Score of a second piece, and its area over that of the one that is measured, from which it is told. Pieces of one
metal differ in their step to the ground by less than the last factor; a rule that lies beside a section by more."""
ANOTHER_SECTION = (
    "another piece in the picture looks like a section with a weld, too, and was not measured; give --region around "
    "each in turn"
)
UNLIKE_PARTS = (
    "{:.0f} % of its outline is much brighter or darker than its plates, as where something else touches the section "
    "(a rule, a clamp, a finger) or a part of it lies in shadow; look at the outline"
)
GAP_NOT_PLAIN = (
    "between the members it is darker than the ground beside them: a shadow, or weld metal of a finished weld, which "
    "would then have been taken for the gap of a prepared joint; look at the overlay"
)
DRAWN_OVER = (
    "thin lines run over the outline of the section (an arrow, a pen stroke, a wire): it was led straight across them; "
    "look at the outline, or take the picture without them"
)
RULE_LEFT_OUT = (
    "a rule lies against the section and was left out: what touches it has no edge of its own; look at the outline, "
    "and lay the rule a few millimetres off"
)
RULE_TAKEN_IN = (
    "a rule lies against the section and may have been taken for a part of it; look at the outline, and lay the rule a "
    "few millimetres off"
)
RIM_OF_SHADOW = (
    "{:.0f} % of the outline around the section is half as sharp as the rest, as the rim of a shadow is; look at the "
    "overlay, and light the section from both sides"
)
MOVED_BY_SHADOW = 3.0
"""Steps of an outline by which the slope of a shadow beside an edge moves it (rendered pictures)."""
SHADOW_BESIDE = (
    "a shadow about as dark as the metal lies beside the section: its outline was led along the sharp edges, and "
    "straight across where none is seen; look at the outline, and light the section from both sides"
)
BESIDE_BAND_REACH = 1.2
"""In pixels of the picture in which bands are looked for: farther off lies the outer edge of a narrow one."""
BAND_LEFT_OUT = (
    "a band of another tone lies along one side of the section, as its wall seen from aside or its shadow: the edge of "
    "the face was followed; look at the outline, and put the camera square above the weld"
)
BAND_TAKEN_IN = (
    "a band of another tone lies along one side of the section, as its wall seen from aside or its shadow, and may "
    "have been taken for a part of the face; look at the outline, and put the camera square above the weld"
)


@dataclass(frozen=True, slots=True, eq=False)
class _Faces:
    """Outlines to be followed, the band beside each (its displacement in px) that was left out, and what is told.

    ``factor`` leads from the picture in which bands were looked for to the full one.
    """

    outlines: tuple[Silhouette, ...]
    bands: tuple[Points | None, ...] = ()
    flags: tuple[Flag, ...] = ()
    factor: float = 1.0


def find_welds(
    gray: NDArray[np.uint8],
    calibration: Calibration,
    *,
    joint: JointChoice = "auto",
    region: tuple[int, int, int, int] | None = None,
    marks: Sequence[WeldMarks] | None = None,
    curve: ToneCurve = "linear",
    coarseness: float = 1.0,
) -> FoundWelds:
    """Find the section in a picture and the welds or the open joint in it.

    Parameters
    ----------
    gray
        (H, W) uint8.
    region
        (x, y, width, height) in pixels; the search stays inside.
    marks
        A person's toes and plate points; taken as given.
    curve
        On which curve the picture stores light.
    coarseness
        Pixels that hold one of what the edge is seen in: colours are often stored at half the size of brightness.

    Raises
    ------
    NothingMeasurable
        When no joint can be recognised, with what was seen instead.
    """
    x0, y0, window = _window(gray, region)
    origin = np.array([x0, y0], float)
    ruling = find_ruling(window)
    window = window if ruling is None else ruling.gray
    reduced = reduce_picture(window)
    if float(np.ptp(np.percentile(reduced.gray, (1, 99)))) < 6:
        raise NothingMeasurable(
            "the picture shows no contrast that could be the edge of a section; check the light and the focus"
        )
    shift = calibration if not (x0 or y0) else _shifted(calibration, origin)
    search = partial(
        _first_found,
        ruled=ruling is not None,
        calibration=shift,
        origin=origin,
        joint=joint,
        marks=marks,
        curve=curve,
        coarseness=coarseness,
    )
    candidates = _candidates(reduced, shift, joint)
    found, lost = search(window, reduced, ruling, candidates)
    # Only where a rim was seen: scratches and saw marks have sharp edges, too.
    if lost if found is None else found.unsharp > MOST_UNSHARP:
        within = _candidates(reduced, shift, joint, sharp_splits(reduced.gray))
        sharper, _ = search(window, reduced, ruling, within)
        if sharper is not None and (found is None or sharper.unsharp < found.unsharp):
            found = _all_flagged(sharper, Flag("shadow_beside", SHADOW_BESIDE))
    if found is not None and found.unsharp > MOST_UNSHARP:
        told = Flag("soft_outline", RIM_OF_SHADOW.format(100 * found.unsharp))
        welds = (w if any(f.code == told.code for f in w.flags) else _flagged(w, told) for w in found.welds)
        found = replace(found, welds=tuple(welds))
    edge = rule_edge(window, _beside_rule(reduced, shift, candidates, found), shift)
    if edge is not None:
        beside = without_rule(window, edge, ruling)
        without = reduce_picture(beside.gray)
        alone, _ = search(beside.gray, without, beside, _candidates(without, shift, joint))
        text = RULE_TAKEN_IN if alone is None else RULE_LEFT_OUT
        found = alone or found
        found = found and _all_flagged(found, Flag("rule_beside", text))
    if found is not None:
        return found
    if marks:
        raise NothingMeasurable(
            "no outline of a section was found under the marks; give --region around the section or improve the light"
        )
    if lost:
        raise NothingMeasurable(
            "parts of the edge are lost in a shadow or a pattern of the metal's own tone beside it; light the section "
            "from both sides, lay it on plain paper of another tone, or give --marks with toes and plate points"
        )
    wanted = "weld or open joint" if joint == "auto" else {"groove": "open joint"}.get(joint, f"{joint} joint")
    raise NothingMeasurable(
        f"no {wanted} was recognised in the picture: two straight plate surfaces with a weld (or a gap) between them "
        "are needed; give --region around the section, --joint, or --marks with toes and plate points"
    )


def _beside_rule(
    reduced: ReducedPicture, calibration: Calibration, candidates: Sequence[_Candidate], found: FoundWelds | None
) -> Iterator[Shape]:
    """Yield the coarse shapes that may hold a rule: what was seen as a joint, and where none was found every region."""
    for candidate in candidates if found is None else candidates[:1]:
        yield from candidate.structure.shapes
    for name, mask in islice(proposals(reduced), 2 if found is None else 0):
        shapes = (_coarse_shape(outline, reduced, calibration) for outline in silhouettes(mask, reduced, name))
        yield from (shape for shape in shapes if shape is not None)


def _first_found(
    window: NDArray[np.uint8],
    reduced: ReducedPicture,
    ruling: Ruling | None,
    candidates: Sequence[_Candidate],
    *,
    ruled: bool,
    calibration: Calibration,
    origin: Points,
    joint: JointChoice,
    marks: Sequence[WeldMarks] | None,
    curve: ToneCurve,
    coarseness: float,
) -> tuple[FoundWelds | None, bool]:
    """Return the welds of the first candidate that shows some, and whether parts of an edge were lost in a shadow."""
    follow = partial(_followed, window, reduced, ruling, curve=curve)
    search = partial(_welds_in, reduced, calibration, origin, joint=joint, marks=bool(marks), ruled=ruled)
    fine: ReducedPicture | None = None
    lost = False
    for candidate in candidates:
        # Drawn finer: a wall a few tenths of a millimetre wide is a few pixels there.
        fine = fine or reduce_picture(window, SIDE_BAND_LONG_SIDE_PX)
        of_one_tone = candidate.outlines[0].proposal.startswith(OF_ONE_TONE)
        crossed = any(outline.crossed is not None for outline in candidate.outlines)
        sharp = candidate.outlines[0].proposal.startswith(OF_SHARP_EDGES)
        drawn = candidate.outlines if crossed or sharp else redrawn(candidate.outlines, reduced)
        found: FoundWelds | None = None
        # What was cut off an outline may have been a weld: then there are more of them without.
        for outlines in dict.fromkeys((drawn, candidate.outlines)):
            for faces in [_Faces(outlines)] if sharp else _without_side_bands(outlines, (fine, reduced)):
                followed = [_across_lost(outline) for outline in follow(faces)] if sharp else follow(faces)
                lost |= of_one_tone and any(map(is_lost_in_shadow, followed))
                lost |= any(outline.unsharp > MOST_UNSHARP for outline in followed)
                seen = search(faces, followed, coarseness=coarseness)
                if seen is not None:
                    found = seen if found is None or len(seen.welds) > len(found.welds) else found
                    break
        if found is None:
            continue
        if marks:
            return applied_marks.apply(found, marks, calibration, origin), lost
        if any(_is_another(other, candidate, reduced) for other in candidates):
            found = _all_flagged(found, Flag("another_section", ANOTHER_SECTION))
        return found, lost
    return None, lost


def _is_another(other: _Candidate, chosen: _Candidate, reduced: ReducedPicture) -> bool:
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


def _without_side_bands(outlines: tuple[Silhouette, ...], pictures: Sequence[ReducedPicture]) -> list[_Faces]:
    """Return what may be the ground faces in some outlines, likeliest first: without a wall or a shadow beside them.

    A narrow wall is seen in the finer picture, the soft edge of a shadow in the coarser one.
    """
    looks = [(picture, [displacement(outline, picture) for outline in outlines]) for picture in pictures]
    picture, moved = max(looks, key=lambda look: sum(vector is not None for vector in look[1]))
    if all(vector is None for vector in moved):
        return [_Faces(outlines)]
    eroded = [
        outline if vector is None else without_band(outline, vector, picture)
        for outline, vector in zip(outlines, moved, strict=True)
    ]
    whole = _Faces(outlines, flags=(Flag("band_beside", BAND_TAKEN_IN),))
    alone = tuple(outline for outline in eroded if outline is not None)
    if len(alone) < len(outlines):
        return [whole]
    return [_Faces(alone, tuple(moved), (Flag("band_beside", BAND_LEFT_OUT),), picture.factor), whole]


def _followed(
    window: NDArray[np.uint8], reduced: ReducedPicture, ruling: Ruling | None, faces: _Faces, *, curve: ToneCurve
) -> list[Outline]:
    """Follow coarse outlines closely, past strokes and the lines of a ruled ground."""
    reach_px = 2.2 * reduced.factor + 2.5
    outlines = []
    for silhouette, band in zip(faces.outlines, faces.bands or (None,) * len(faces.outlines), strict=True):
        near_px = reach_px if band is None else BESIDE_BAND_REACH * faces.factor + 1.5
        outline = bridged(refine_outline(window, silhouette.points_px, near_px, curve=curve), ruling)
        if silhouette.crossed is not None:
            crossed = silhouette.points_px[silhouette.crossed]
            outline = replace(outline, points_px=across_strokes(outline.points_px, crossed, near_px))
        # Between the two edges of a band an edge is seen with less of its contrast: it is no softer for that.
        known = with_soft_rim(outline) if band is None else replace(beside_band(outline, band), blunt=None)
        outlines.append(known)
    return outlines


def _welds_in(
    reduced: ReducedPicture,
    calibration: Calibration,
    origin: Points,
    faces: _Faces,
    outlines: list[Outline],
    *,
    joint: JointChoice,
    marks: bool,
    ruled: bool,
    coarseness: float,
) -> FoundWelds | None:
    """Return the welds between the plates of some outlines, None where there are none."""
    by_edges = faces.outlines[0].proposal.startswith(OF_SHARP_EDGES)
    is_edge = is_sharp_all_round if by_edges else is_edge_of_metal
    if min(outline.support for outline in outlines) < LEAST_SUPPORT or not all(map(is_edge, outlines)):
        return None
    if len(outlines) > 1 and not by_edges and not are_alike(outlines):
        return None
    if len(outlines) > 1 and max(outline.unsharp for outline in outlines) > MOST_UNSHARP:
        return None
    structure = recognise(tuple(_fine_shape(outline, calibration) for outline in outlines), joint, fine=True)
    if structure is None or min(long_share(shape) for shape in structure.shapes) < LEAST_LONG:
        return None
    structure = with_wander_told(structure, closed=True)
    profiles = tuple(
        _profile(outline, shape, calibration, coarseness)
        for outline, shape in zip(outlines, structure.shapes, strict=True)
    )
    rough = max(roughness(outline.points_px, outline.blur_px, reduced) for outline in outlines)
    flags = _picture_flags(outlines, rough) + faces.flags
    if any(silhouette.crossed is not None for silhouette in faces.outlines):
        flags += (Flag("drawn_over", DRAWN_OVER),)
    found = built(structure, profiles, flags, calibration, origin)
    sharp = [(profile.points_mm, outline) for profile, outline in zip(profiles, outlines, strict=True)]
    kept = (weld for weld in found.welds if marks or is_weld(weld.section, told=joint != "auto"))
    welds = tuple(weld for weld in map(partial(_without_glare, sharp), kept) if weld is not None)
    grained = ruled or rough > ROUGH
    if grained or any(outline.bridged_px is not None for outline in outlines):
        reaches = (reach_of_grain(shape.points, shape.runs, shape.detail) for shape in structure.shapes)
        grain_mm = max(reaches) if grained else 0.0
        if by_edges:
            grain_mm = max(grain_mm, MOVED_BY_SHADOW * max(shape.detail.step_mm for shape in structure.shapes))
        welds = tuple(
            _on_this_ground(w, sharp, grain_mm) for w in welds if not is_of_ground(w.section, sharp, grain_mm)
        )
    if not faces.bands:
        welds = tuple(_with_unlike_parts(weld, sharp) for weld in welds)
    if structure.kind == "groove" and joint == "auto":
        looked = (_with_plain_gap(weld, outlines, reduced) for weld in welds)
        welds = tuple(weld for weld in looked if weld is not None)
    unsharp = max(outline.unsharp for outline in outlines)
    return replace(found, welds=welds, ground_roughness=rough, unsharp=unsharp) if welds else None


def _across_lost(outline: Outline) -> Outline:
    """Return an outline with chords where a shadow as dark as the metal leaves no edge."""
    return with_chords(outline, ~seen_edge(outline))


def _with_unlike_parts(weld: FoundWeld, outlines: Sequence[tuple[Points, Outline]]) -> FoundWeld:
    """Tell where a part of the outline has another tone than the plates, as a thing that touches the section has."""
    share = unlike_share(weld.section, outlines)
    return weld if share < MOST_UNLIKE else _flagged(weld, Flag("unlike_parts", UNLIKE_PARTS.format(100 * share)))


def _flagged(weld: FoundWeld, flag: Flag) -> FoundWeld:
    flags = (*weld.section.flags, flag)
    return replace(weld, section=replace(weld.section, flags=flags), flags=(*weld.flags, flag))


def _all_flagged(found: FoundWelds, flag: Flag) -> FoundWelds:
    return replace(found, welds=tuple(_flagged(weld, flag) for weld in found.welds))


def _with_plain_gap(weld: FoundWeld, outlines: Sequence[Outline], reduced: ReducedPicture) -> FoundWeld | None:
    """Return an open joint where the ground is seen between its members, None where weld metal is."""
    corners = [weld.points_px[name] for name in GAP_CORNERS if name in weld.points_px]
    if len(corners) < len(GAP_CORNERS):
        return weld
    brighter, darker = unlike_ground(np.array(corners), outlines, reduced)
    if brighter > MOST_FILLED:
        return None
    if darker <= MOST_FILLED:
        return weld
    return _flagged(weld, Flag("gap_not_plain", GAP_NOT_PLAIN))


def find_welds_in_profile(
    profile: Profile,
    *,
    joint: JointChoice = "auto",
    calibration: Calibration | None = None,
    outside_diameter_mm: float | None = None,
) -> FoundWelds:
    """Find the welds in a profile that is already in mm; a calibration puts their points into the picture.

    Where the parent metal is a pipe's outside the profile is unrolled first (`vision.arc_surface`), and so are the
    points of what is returned.

    Parameters
    ----------
    outside_diameter_mm
        Of the pipe, where it is known.

    Raises
    ------
    NothingMeasurable
        When no weld is recognised.
    """
    arc: Arc | Branch | None = None
    if joint in ("auto", "butt", "groove"):
        arc = arc_of(profile, outside_diameter_mm)
    if arc is None and joint in ("auto", "tee", "lap"):
        arc = branch_of(profile, outside_diameter_mm)
    unused: tuple[Flag, ...] = ()
    if arc is not None:
        try:
            flat = replace(profile, points_mm=arc.unrolled(profile.points_mm))
            return _on_arc(_find_in_flat(flat, joint, None), arc, calibration)
        except NothingMeasurable:
            arc = None
    if outside_diameter_mm is not None:
        text = "the surfaces beside the weld do not bend like the given pipe: they are taken as straight"
        unused = (Flag("diameter_not_used", text),)
    found = _find_in_flat(profile, joint, calibration)
    welds = (replace(w, section=replace(w.section, flags=w.section.flags + unused)) for w in found.welds)
    return replace(found, welds=tuple(replace(w, flags=w.flags + unused) for w in welds)) if unused else found


def _on_arc(found: FoundWelds, arc: Arc | Branch, calibration: Calibration | None) -> FoundWelds:
    """Return what was found on an unrolled profile with what is to be told about it, its points in the picture."""
    how = "given" if arc.given else f"fitted, ± {2 * arc.radius_std_mm:.1f} mm"
    where = f"the surface on the {arc.side}" if isinstance(arc, Branch) else "the surface beside the weld"
    text = (
        f"{where} is taken as a pipe's outside of radius {arc.radius_mm:.1f} mm ({how}): lengths lie along it, heights "
        "are square to it"
    )
    flag = (Flag("curved_surface", text),)
    welds = []
    for weld in found.welds:
        section = arc.doubted(replace(weld.section, flags=weld.section.flags + flag))
        points = points_px_of(section, calibration, np.zeros(2), arc)
        welds.append(FoundWeld(section, points, weld.flags + flag))
    return replace(found, welds=tuple(welds))


def _find_in_flat(profile: Profile, joint: JointChoice, calibration: Calibration | None) -> FoundWelds:
    spacing = median(step_lengths(profile.points_mm))
    detail = Detail(usual_std_mm(profile), spacing, profile.blur_mm, alone=profile.points_alone)
    points, cut = profile.points_mm, np.asarray(profile.cut)
    if profile.closed and signed_area(points) > 0:
        points, cut = points[::-1], cut[::-1]
    shape = shape_of(points, cut, detail, closed=profile.closed, tolerance=max(4.5 * detail.noise_mm, 0.05))
    structure = recognise((shape,), joint, closed=profile.closed, fine=True)
    if structure is None:
        raise NothingMeasurable(
            "no weld was recognised in the profile: two straight plate surfaces with a weld between them are needed"
        )
    found = built(
        with_wander_told(structure, closed=profile.closed),
        (profile,),
        (),
        calibration,
        np.zeros(2),
        closed=profile.closed,
        most_untold=0 if profile.closed else 2 if joint == "butt" else 1,
    )
    if not found.welds:
        raise NothingMeasurable(
            "a weld was seen in the profile, but no weld was recognised well enough to measure: a toe cannot be told, "
            "because points are missing or scatter there"
        )
    return found


def _window(gray: NDArray[np.uint8], region: tuple[int, int, int, int] | None) -> tuple[int, int, NDArray[np.uint8]]:
    if region is None:
        return 0, 0, gray
    x, y, w, h = region
    height, width = gray.shape
    x0, y0 = max(0, x), max(0, y)
    x1, y1 = min(width, x + w), min(height, y + h)
    if x1 - x0 < 32 or y1 - y0 < 32:
        raise NothingMeasurable(
            f"the region {x},{y},{w},{h} leaves less than 32 x 32 pixels of a picture of {width} x {height}"
        )
    return x0, y0, np.ascontiguousarray(gray[y0:y1, x0:x1])


def _shifted(calibration: Calibration, origin: Points) -> Calibration:
    """Return the calibration for a window of the picture; with a lens the window keeps full coordinates."""
    move = np.array([[1.0, 0.0, origin[0]], [0.0, 1.0, origin[1]], [0.0, 0.0, 1.0]])
    centre = (calibration.centre_px[0] - origin[0], calibration.centre_px[1] - origin[1])
    lens = calibration.lens
    if lens is not None:
        matrix = lens.camera_matrix.copy()
        matrix[:2, 2] -= origin
        lens = replace(lens, camera_matrix=matrix)
    return replace(calibration, px_to_mm=calibration.px_to_mm @ move, centre_px=centre, lens=lens)


def _candidates(
    reduced: ReducedPicture,
    calibration: Calibration,
    joint: JointChoice,
    splits: Iterable[tuple[str, NDArray[np.uint8]]] | None = None,
) -> list[_Candidate]:
    """Return recognised structures of the coarse outlines, best first; of splits by grey level where none are given."""
    found: list[_Candidate] = []
    evened = replace(reduced, gray=flatten_light(reduced.gray))
    for count, (name, mask) in enumerate(proposals(reduced, evened.gray) if splits is None else splits):
        outlines = silhouettes(mask, reduced, name)
        shapes = [_coarse_shape(outline, reduced, calibration) for outline in outlines]
        for outline, shape in zip(outlines, shapes, strict=True):
            if shape is None:
                continue
            structure = recognise((shape,), joint)
            if structure is not None:
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
                    if structure is not None:
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


def _agreed(candidates: Sequence[_Candidate]) -> int:
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
) -> _Candidate:
    # Where light falls off over the ground it is one ground still: in one of the two pictures it is of one level.
    stray = max(min(_stray_share(outline, picture) for picture in pictures) for outline in outlines)
    score = _judge(structure, outlines, pictures[0], calibration) - 8.0 * max(0.0, min(stray, 0.25) - STRAY_SHARE)
    return _Candidate(outlines, structure, score, stray)


def _stray_share(outline: Silhouette, picture: ReducedPicture) -> float:
    """Return the share of an outline beside which lies neither the background nor anything near its level."""
    index = np.arange(0, len(outline.points_px), max(1, len(outline.points_px) // 600))
    outside, inside = (_levels(picture, outline.points_px, index, side).astype(float) for side in (+5, -5))
    if min(len(outside), len(inside)) == 0:
        return 0.0
    ground = median(outside)
    step = abs(median(inside) - ground) + 1.0
    return float(np.mean(np.abs(outside - ground) > STRAY_STEP * step))


def _judge(
    structure: Structure, outlines: tuple[Silhouette, ...], reduced: ReducedPicture, calibration: Calibration
) -> float:
    """Score a structure: how much plate it shows, how large it is, and whether one background surrounds it.

    A split that leaves the weld metal out has weld metal and not background outside its face: the level
    outside the face then differs from the level outside the plates.
    """
    score = structure.score
    height, width = reduced.gray.shape
    across = math.hypot(height, width) * reduced.factor
    extent = max(diagonal(o.points_px) for o in outlines)
    score += 3.0 * min(1.0, extent / across)
    shape = structure.shapes[0]
    score += 5.0 * (min(min(straight_share(s) for s in structure.shapes), 0.9) - 0.7)
    # Background between section and frame has most of its outline on the frame.
    score -= 10.0 * max(0.0, float(np.mean(shape.cut)) - 0.3)
    if structure.fillets and not any(is_plate(shape, shape.runs, pair) for pair in structure.fillets):
        score -= 2.5
    if structure.joint is not None:
        score -= min(6.0, 20.0 * max(0.0, _gap_mismatch(structure, outlines, reduced) - GAP_MISMATCH))
    pairs: list[FilletPair | ButtPair] = [*structure.fillets, *structure.butts]
    for pair in pairs:
        count = len(shape.points)
        face = path_between(shape.points, pair.first, pair.second, closed=True)
        if face is None:
            continue
        plates = np.concatenate([pair.first.indices(count), pair.second.indices(count)])
        mismatch = _mismatch(reduced, outlines[0].points_px, face, plates)
        score -= 6.0 * max(0.0, mismatch - 0.25) / max(1, len(pairs))
    return score


def _gap_mismatch(structure: Structure, outlines: tuple[Silhouette, ...], reduced: ReducedPicture) -> float:
    """Return how far the level in an open joint differs from that beside its plates: weld metal is no gap."""
    found = []
    for side in () if structure.joint is None else (structure.joint.left, structure.joint.right):
        for shape, outline in zip(structure.shapes, outlines, strict=False):
            if shape.points is side.points:
                count = len(shape.points)
                ends = np.concatenate([run.indices(count) for run in side.end])
                plates = np.concatenate([side.towards.indices(count), side.away.indices(count)])
                found.append(_mismatch(reduced, outline.points_px, ends, plates))
    return max(found, default=0.0)


def _mismatch(reduced: ReducedPicture, outline_px: Points, part: NDArray[np.int64], plates: NDArray[np.int64]) -> float:
    """Return by how much the level outside a part of an outline differs from that outside the plates.

    In steps from outside to inside of the plates; 0 where nothing can be seen.
    """
    outside_part = _levels(reduced, outline_px, part, +5)
    outside, inside = (_levels(reduced, outline_px, plates, side) for side in (+5, -5))
    if min(len(outside_part), len(outside), len(inside)) == 0:
        return 0.0
    step = abs(float(np.median(inside)) - float(np.median(outside))) + 1.0
    return abs(float(np.median(outside_part)) - float(np.median(outside))) / step


def _levels(
    reduced: ReducedPicture, outline_px: Points, index: NDArray[np.int64], outwards: float
) -> NDArray[np.uint8]:
    """Return grey levels of the reduced picture beside outline points, a few reduced pixels off."""
    count = len(outline_px)
    tangent = outline_px[(index + 3) % count] - outline_px[(index - 3) % count]
    length = np.hypot(tangent[:, 0], tangent[:, 1]) + 1e-9
    normal = np.column_stack([tangent[:, 1], -tangent[:, 0]]) / length[:, None]
    small = (outline_px[index] + 0.5) / reduced.factor - 0.5 + outwards * normal
    x, y = np.rint(small[:, 0]).astype(int), np.rint(small[:, 1]).astype(int)
    height, width = reduced.gray.shape
    ok = (x >= 0) & (y >= 0) & (x < width) & (y < height)
    return np.asarray(reduced.gray[y[ok], x[ok]], np.uint8)


def _coarse_shape(outline: Silhouette, reduced: ReducedPicture, calibration: Calibration) -> Shape | None:
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


def _fine_shape(outline: Outline, calibration: Calibration) -> Shape:
    points = calibration.to_mm(outline.points_px)
    pixel = calibration.mm_per_px(outline.points_px.mean(axis=0))
    detail = Detail(outline.noise_px * pixel, outline.step_px * pixel, outline.blur_px * pixel)
    tolerance = max(5.0 * detail.noise_mm, 1.2 * pixel, 0.045)
    return shape_of(points, outline.cut, detail, closed=True, tolerance=tolerance)


def _profile(outline: Outline, shape: Shape, calibration: Calibration, coarseness: float) -> Profile:
    count = len(shape.points)
    pixel = calibration.mm_per_px(outline.points_px.mean(axis=0))
    return Profile(
        points_mm=shape.points,
        std_mm=np.full(count, shape.detail.noise_mm),
        closed=True,
        cut=outline.cut,
        resolution_mm=coarseness * pixel,
        points_px=outline.points_px,
        relative_std=calibration.relative_components(outline.points_px[:: max(1, count // 50)]),
        blur_mm=shape.detail.blur_mm,
        correlation_points=3.0,
        tone_doubt_mm=outline.tone_doubt_px * pixel,
    )


def _without_glare(outlines: Sequence[tuple[Points, Outline]], weld: FoundWeld) -> FoundWeld | None:
    """Refuse a weld whose plate is the soft rim of a glare or a shadow; tell where else its outline is one."""
    soft = softness(weld.section, outlines)
    if soft is None or max(soft.all, soft.beside_left, soft.beside_right, soft.root_side) < TOLD_SOFT:
        return weld
    if soft.plate > MOST_SOFT:
        return None
    places = {
        "beside the left toe": (soft.beside_left, ("undercut_left", "undercut_width_left", "toe_radius_left")),
        "beside the right toe": (soft.beside_right, ("undercut_right", "undercut_width_right", "toe_radius_right")),
        "on the root side": (soft.root_side, (*ROOT_SIDE, "root_misalignment", "thickness_left", "thickness_right")),
    }
    unseen = {
        name: f"the outline {place} is no sharp edge, as the rim of a shadow or a glare; change the light"
        for place, (share, names) in places.items()
        for name in names
        if share >= TOLD_SOFT
    }
    share = f"{100 * soft.all:.0f} % of its outline"
    text = f"{share} is no sharp edge, as the rim of a shadow or a glare; look at the overlay"
    flags = (*weld.section.flags, Flag("soft_outline", text))
    section = replace(weld.section, flags=flags, unseen={**weld.section.unseen, **unseen})
    return replace(weld, section=section, flags=flags)


def _on_this_ground(weld: FoundWeld, outlines: Sequence[tuple[Points, Outline]], grain_mm: float) -> FoundWeld:
    section = doubted(weld.section, outlines, grain_mm)
    return replace(weld, section=section, flags=section.flags)


def _picture_flags(outlines: Sequence[Outline], rough: float) -> tuple[Flag, ...]:
    flags = []
    if rough > ROUGH:
        text = (
            "what lies around the section is not plain (a pattern, a fold, a shadow), it changes by "
            f"{100 * rough:.0f} % of the step to the metal: look at the outline, or lay it on plain paper"
        )
        flags.append(Flag("rough_ground", text))
    contrast = min(abs(outline.contrast) for outline in outlines)
    if contrast < LOW_CONTRAST_LEVELS:
        flags.append(
            Flag(
                "low_contrast", f"the section stands out from the background by only {contrast:.0f} grey levels of 255"
            )
        )
    blur = max(outline.blur_px for outline in outlines)
    if blur > BLUR_LIMIT_PX:
        flags.append(Flag("blur", f"the edges are blurred (spread {blur:.1f} px); focus better for small features"))
    support = min(outline.support for outline in outlines)
    if support < 0.85:
        flags.append(Flag("weak_outline", f"only {100 * support:.0f} % of the outline stands clear of the grain"))
    return tuple(flags)
