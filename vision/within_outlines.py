"""From the outlines that were followed closely to the welds between their plates."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial

import numpy as np

from calibration.model import Calibration
from core.geometry import Points
from vision.along_outline import on_this_ground, with_plain_gap, with_unlike_parts, without_glare
from vision.behind_plates import is_inside_out
from vision.bent_plates import with_bent_plates
from vision.edge_of_metal import are_alike, is_edge_of_metal, is_sharp_all_round
from vision.face_tone import with_face_tones
from vision.followed import Faces
from vision.found import FoundWelds, built
from vision.ground import ROUGH, roughness
from vision.ground_doubt import is_of_ground, reach_of_grain
from vision.lost_edge import with_lost_edge
from vision.outline import MOST_UNSHARP, Outline
from vision.plate_line import Detail
from vision.profile import Profile
from vision.rim import Rim, rim_of
from vision.second_weld import plausible_welds
from vision.section import Flag
from vision.segmentation import ReducedPicture
from vision.sharp_edges import OF_SHARP_EDGES
from vision.structure import (
    LEAST_LONG,
    JointChoice,
    Shape,
    Structure,
    is_plate,
    long_share,
    recognise,
    shape_of,
    with_wander_told,
)
from vision.wall_strip import is_wall

LEAST_SUPPORT = 0.7
"""Least share of an outline that stands clear of the grain beside it."""
LOW_CONTRAST_LEVELS = 25.0
BLUR_LIMIT_PX = 3.0
MOVED_BY_SHADOW = 3.0
"""Steps of an outline by which the slope of a shadow beside an edge moves it (rendered pictures)."""
OVEREXPOSED = (
    "the section, or what lies beside it, is as bright along its edge as the sensor can tell: the edge may lie up to "
    "{:.1f} px to the bright side of where it seems to; expose less"
)
LED_ON = (
    "beside a part of the outline the metal has nearly the tone of the ground, as where a stain or a glare lies on it: "
    "the outline was led along the sharp edge there; look at the overlay"
)
DRAWN_OVER = (
    "thin lines run over the outline of the section (an arrow, a pen stroke, a wire): it was led straight across them; "
    "look at the outline, or take the picture without them"
)


def welds_in(
    reduced: ReducedPicture,
    calibration: Calibration,
    origin: Points,
    faces: Faces,
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
    rim = rim_of(outlines, [shape.runs for shape in structure.shapes])
    profiles = tuple(
        _profile(outline, shape, calibration, coarseness, rim)
        for outline, shape in zip(outlines, structure.shapes, strict=True)
    )
    rough = max(roughness(outline.points_px, outline.blur_px, reduced) for outline in outlines)
    flags = _picture_flags(outlines, rough) + faces.flags + rim.flags
    if any(silhouette.crossed is not None for silhouette in faces.outlines):
        flags += (Flag("drawn_over", DRAWN_OVER),)
    if any(outline.led_on for outline in outlines):
        flags += (Flag("soft_outline", LED_ON),)
    found = built(structure, profiles, flags, calibration, origin)
    sharp = [(profile.points_mm, outline) for profile, outline in zip(profiles, outlines, strict=True)]
    kept = found.welds if marks else plausible_welds(found.welds, told=joint != "auto")
    if not marks and len(profiles) == 1 and any(is_wall(weld.section, profiles[0].points_mm) for weld in kept):
        return None
    welds = tuple(weld for weld in map(partial(without_glare, sharp), kept) if weld is not None)
    grained = ruled or rough > ROUGH
    if grained or any(outline.bridged_px is not None for outline in outlines):
        reaches = (reach_of_grain(shape.points, shape.runs, shape.detail) for shape in structure.shapes)
        grain_mm = max(reaches) if grained else 0.0
        if by_edges:
            grain_mm = max(grain_mm, MOVED_BY_SHADOW * max(shape.detail.step_mm for shape in structure.shapes))
        welds = tuple(on_this_ground(w, sharp, grain_mm) for w in welds if not is_of_ground(w.section, sharp, grain_mm))
    welds = tuple(with_lost_edge(sharp, weld) for weld in welds)
    welds = tuple(replace(weld, section=with_face_tones(weld.section, sharp)) for weld in welds)
    if not faces.bands:
        welds = tuple(with_unlike_parts(weld, sharp) for weld in welds)
        if joint == "auto" and structure.kind == "tee" and not _is_of_plates(structure):
            welds = tuple(weld for weld in welds if not any(flag.code == "unlike_parts" for flag in weld.flags))
    if structure.kind == "groove" and joint == "auto":
        looked = (with_plain_gap(weld, outlines, reduced) for weld in welds)
        welds = tuple(weld for weld in looked if weld is not None)
    if not marks:
        welds = tuple(weld for weld in welds if not is_inside_out(weld.section, reduced, calibration))
    if structure.kind == "butt" and len(outlines) == 1:
        welds = tuple(with_bent_plates(weld, profiles[0].points_mm) for weld in welds)
    unsharp = max(outline.unsharp for outline in outlines)
    return replace(found, welds=welds, ground_roughness=rough, unsharp=unsharp) if welds else None


def _is_of_plates(structure: Structure) -> bool:
    """Tell whether a plate of a tee shows its other side: hills one behind another have none, and other tones."""
    shape = structure.shapes[0]
    return any(is_plate(shape, shape.runs, pair) for pair in structure.fillets)


def _fine_shape(outline: Outline, calibration: Calibration) -> Shape:
    points = calibration.to_mm(outline.points_px)
    pixel = calibration.mm_per_px(outline.points_px.mean(axis=0))
    detail = Detail(
        outline.noise_px * pixel,
        outline.step_px * pixel,
        outline.blur_px * pixel,
        limit_doubt_mm=outline.limit_doubt_px * pixel,
    )
    tolerance = max(5.0 * detail.noise_mm, 1.2 * pixel, 0.045)
    return shape_of(points, outline.cut, detail, closed=True, tolerance=tolerance)


def _profile(outline: Outline, shape: Shape, calibration: Calibration, coarseness: float, rim: Rim) -> Profile:
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
        rim_doubt_mm=rim.std_px * pixel,
        limit_doubt_mm=outline.limit_doubt_px * pixel,
    )


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
    doubt = max(outline.limit_doubt_px for outline in outlines)
    if doubt > 0:
        flags.append(Flag("overexposed", OVEREXPOSED.format(2.0 * doubt)))
    support = min(outline.support for outline in outlines)
    if support < 0.85:
        flags.append(Flag("weak_outline", f"only {100 * support:.0f} % of the outline stands clear of the grain"))
    return tuple(flags)
