"""From a profile that is in mm to the welds in it."""

from __future__ import annotations

import contextlib
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from calibration.model import Calibration
from core.errors import NothingMeasurable
from core.geometry import Points, signed_area, step_lengths
from core.medians import median, quantile
from vision.arc_branch import Branch, branch_of
from vision.arc_surface import Arc, arc_of
from vision.detached import in_air, overhead, told
from vision.found import FoundWeld, FoundWelds, all_flagged, built, points_px_of
from vision.plate_line import NOISY_MM, SCATTERED_MM, Detail
from vision.profile import Profile, usual_std_mm
from vision.section import Flag
from vision.spatter import Bump, bumps_of, left_out, sticks_to, suspected, without
from vision.stripe import OTHER_LIGHT
from vision.structure import JointChoice, Structure, recognise, shape_of, with_wander_told

DIM_FACES, DIMMER = 0.95, 1.3
"""Share of the points that are better known than those of a dim face; how much worse known these are."""

MUCH_SCATTER_MM, WORST_SCATTER = 0.02, (1.5, 2.2)
"""Speckle moves single points of a thick line by several times what it moves most: where these scatter by more than the
first number plates fall to pieces, which hold together when they may scatter by so many times more."""


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
    hanging = overhead(profile)
    if hanging:
        with contextlib.suppress(NothingMeasurable):
            return _without_overhead(profile, hanging, joint, calibration, outside_diameter_mm)
    return _find_in_open_air(profile, joint, calibration, outside_diameter_mm)


def _without_overhead(
    profile: Profile,
    hanging: list[Bump],
    joint: JointChoice,
    calibration: Calibration | None,
    outside_diameter_mm: float | None,
) -> FoundWelds:
    """Return what is found without pieces that hang overhead."""
    cleared = without(profile, hanging, OTHER_LIGHT)
    found = _find_in_open_air(cleared, joint, calibration, outside_diameter_mm)
    # On a pipe the outline is the unrolled one.
    seen = found.seen or replace(cleared, points_mm=found.outline_mm[0])
    return replace(all_flagged(found, told(hanging)), seen=seen)


def _find_in_open_air(
    profile: Profile, joint: JointChoice, calibration: Calibration | None, outside_diameter_mm: float | None
) -> FoundWelds:
    arc: Arc | Branch | None = None
    if joint in ("auto", "butt", "groove"):
        arc = arc_of(profile, outside_diameter_mm)
    if arc is None and joint in ("auto", "tee", "lap"):
        arc = branch_of(profile, outside_diameter_mm)
    unused: tuple[Flag, ...] = ()
    if arc is not None:
        try:
            flat = replace(profile, points_mm=arc.unrolled(profile.points_mm))
            return _on_arc(_find_beside_spatter(flat, joint, None), arc, calibration)
        except NothingMeasurable:
            arc = None
    if outside_diameter_mm is not None:
        text = "the surfaces beside the weld do not bend like the given pipe: they are taken as straight"
        unused = (Flag("diameter_not_used", text),)
    found = _find_beside_spatter(profile, joint, calibration)
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


def _find_beside_spatter(profile: Profile, joint: JointChoice, calibration: Calibration | None) -> FoundWelds:
    """Return the welds of a profile, spatter that sticks to one of them left out."""
    drops = bumps_of(profile)
    if not drops:
        return _find_among_reflections(profile, joint, calibration)
    try:
        found = _find_in_flat(profile, joint, calibration)
    except NothingMeasurable as nothing:
        with contextlib.suppress(NothingMeasurable):
            return _without_spatter(profile, drops, joint, calibration)
        return _without_reflections(profile, joint, calibration, nothing)
    drops = [drop for drop in drops if any(sticks_to(drop, weld.section, profile.points_mm) for weld in found.welds)]
    if not drops:
        return found
    try:
        other = _without_spatter(profile, drops, joint, calibration)
    except NothingMeasurable:
        other = None
    if other is None or [w.section.joint for w in other.welds] != [w.section.joint for w in found.welds]:
        return all_flagged(found, suspected(drops))
    return other


def _find_among_reflections(profile: Profile, joint: JointChoice, calibration: Calibration | None) -> FoundWelds:
    """Return the welds of a profile; where none is seen, a groove without what hangs in its air."""
    try:
        return _find_in_flat(profile, joint, calibration)
    except NothingMeasurable as nothing:
        return _without_reflections(profile, joint, calibration, nothing)


def _without_reflections(
    profile: Profile, joint: JointChoice, calibration: Calibration | None, nothing: NothingMeasurable
) -> FoundWelds:
    """Return the groove of a profile without what hangs in its air; raise what was said of it where nothing does."""
    pieces = in_air(profile) if joint in ("auto", "groove") else []
    if not pieces:
        raise nothing
    seen = without(profile, pieces, OTHER_LIGHT)
    found = _find_in_flat(seen, "groove", calibration)
    pixels = () if profile.points_px is None else (profile.points_px,)
    return replace(all_flagged(found, told(pieces)), outline_mm=(profile.points_mm,), outline_px=pixels, seen=seen)


def _without_spatter(
    profile: Profile, drops: list[Bump], joint: JointChoice, calibration: Calibration | None
) -> FoundWelds:
    """Return what is found without bumps, in the outline that still has them."""
    seen = without(profile, drops)
    found = all_flagged(_find_in_flat(seen, joint, calibration), left_out(drops))
    pixels = () if profile.points_px is None else (profile.points_px,)
    return replace(found, outline_mm=(profile.points_mm,), outline_px=pixels, seen=seen)


def _find_in_flat(profile: Profile, joint: JointChoice, calibration: Calibration | None) -> FoundWelds:
    spacing = median(step_lengths(profile.points_mm))
    noise, alike = usual_std_mm(profile), profile.correlation_points
    detail = Detail(
        noise,
        spacing,
        profile.blur_mm,
        alone=profile.points_alone,
        alike=alike,
        band_mm=profile.band_mm,
        noisy_mm=NOISY_MM if profile.points_alone else SCATTERED_MM,
    )
    points, cut = profile.points_mm, np.asarray(profile.cut)
    if profile.closed and signed_area(points) > 0:
        points, cut = points[::-1], cut[::-1]
    structure = _recognised(profile, points, cut, detail, joint)
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


def _recognised(
    profile: Profile, points: Points, cut: NDArray[np.bool_], detail: Detail, joint: JointChoice
) -> Structure | None:
    """Return what a profile shows, judged by the scatter of most points, or for a groove by that of its dim faces.

    Where nothing is recognised between points that scatter much it is judged by what the worst of them scatter.
    """

    def judged_by(noise: float, kind: JointChoice) -> Structure | None:
        shape = shape_of(points, cut, detail, closed=profile.closed, tolerance=max(4.5 * noise, 0.05))
        if not profile.closed:
            shape = replace(shape, std_mm=np.asarray(profile.std_mm))
        return recognise((shape,), kind, closed=profile.closed, fine=True)

    structure = None
    for noise in (detail.noise_mm, *_of_dim_faces(profile)):
        if structure is not None and structure.kind != "groove":
            break
        other = judged_by(noise, joint if structure is None else "groove")
        if structure is None or (other is not None and _shows_faces(other)):
            structure = other
    # Of a groove whose faces fall to pieces the surfaces alone would be left.
    if structure is None and joint != "groove" and detail.alone and detail.noise_mm > MUCH_SCATTER_MM:
        judged = (judged_by(times * detail.noise_mm, joint) for times in WORST_SCATTER)
        structure = next((found for found in judged if found is not None), None)
    return structure


def _shows_faces(structure: Structure) -> bool:
    groove = structure.open_groove
    return groove is not None and bool(groove.faces_left) and bool(groove.faces_right)


def _of_dim_faces(profile: Profile) -> tuple[float, ...]:
    """Return the standard uncertainty of points on the dim faces of an open profile, where it is much the larger.

    A steep face gives little light: its points scatter more than those of the plates, and straight runs fall to pieces.
    """
    if profile.closed or len(profile.std_mm) == 0:
        return ()
    dim = quantile(np.asarray(profile.std_mm), DIM_FACES)
    return (dim,) if dim > DIMMER * usual_std_mm(profile) else ()
