"""From the joint that was recognised to the sections that are measured, with every toe, plate and edge in them."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibration.model import Calibration
from core.fitting import LineFit
from core.geometry import Points, distance, intersection
from core.medians import median
from vision.arc_branch import Branch
from vision.arc_surface import Arc
from vision.bowed_plate import bow_flags
from vision.butt_pairs import ButtPair
from vision.drawn_edge import LappedSurface, filled_surface, lapped_surface
from vision.face_noise import with_face_noise
from vision.groove_doubt import GrooveDoubt, doubt_of
from vision.groove_edges import bare_edges, groove_edges
from vision.groove_joint import prepared_edge
from vision.joints import FilletPair
from vision.opposite import opposite_fits
from vision.other_side import FACE_OF_ONE, FACE_OF_TWO, OTHER_SIDE, rises_more_behind
from vision.plate_line import Detail, beyond_noise, wander_of
from vision.profile import Profile, usual_std_mm
from vision.section import Flag, Joint, PreparedEdge, Section
from vision.structure import PointPx, Shape, Structure
from vision.surface import trace_surface
from vision.tapered_plate import told_tapers
from vision.untold_toe import not_seen

ROUGHEST_PLATE = 0.015
"""Largest scatter of a plate's surface about its line, as a share of the shorter leg."""


@dataclass(frozen=True, slots=True, eq=False)
class FoundWeld:
    """One weld or prepared joint: its section in mm and its main points in the picture."""

    section: Section
    points_px: Mapping[str, PointPx]
    flags: tuple[Flag, ...]


@dataclass(frozen=True, slots=True, eq=False)
class FoundWelds:
    """Everything found in one picture or profile, welds from left to right.

    ``ground_roughness`` says by which share of its step to the metal the ground around a section changes, ``unsharp``
    which share of an outline is much less sharp than the rest; ``seen`` is the profile in which the welds were found
    where it is not the whole one.
    """

    welds: tuple[FoundWeld, ...]
    outline_px: tuple[Points, ...]
    outline_mm: tuple[Points, ...]
    ground_roughness: float = 0.0
    unsharp: float = 0.0
    seen: Profile | None = None


def flagged(weld: FoundWeld, flag: Flag) -> FoundWeld:
    """Return a weld that is told of, with its section."""
    flags = (*weld.section.flags, flag)
    return replace(weld, section=replace(weld.section, flags=flags), flags=(*weld.flags, flag))


def all_flagged(found: FoundWelds, flag: Flag) -> FoundWelds:
    """Return what was found with every weld told of."""
    return replace(found, welds=tuple(flagged(weld, flag) for weld in found.welds))


def together(one: FoundWelds, other: FoundWelds) -> FoundWelds:
    """Return what was found in two pieces of a picture as one, welds from left to right."""
    return FoundWelds(
        tuple(sorted((*one.welds, *other.welds), key=_place)),
        one.outline_px + other.outline_px,
        one.outline_mm + other.outline_mm,
        max(one.ground_roughness, other.ground_roughness),
        max(one.unsharp, other.unsharp),
    )


def _place(weld: FoundWeld) -> float:
    return float(np.mean([p[0] for p in weld.points_px.values()])) if weld.points_px else 0.0


def built(
    structure: Structure,
    profiles: tuple[Profile, ...],
    flags: tuple[Flag, ...],
    calibration: Calibration | None,
    origin: Points,
    *,
    closed: bool = True,
    most_untold: int = 0,
) -> FoundWelds:
    shape = structure.shapes[0]
    profile = profiles[0]
    sections: list[Section] = []
    if structure.kind == "groove":
        sections.append(_groove_section(structure, profile))
    elif structure.kind == "butt":
        section = _butt_section(shape, structure.butts, profile, closed, most_untold)
        if section is not None:
            sections.append(section)
    else:
        for pair in structure.fillets:
            section = _fillet_section(shape, pair, structure.kind, profile, min(most_untold, 1))
            if section is not None:
                sections.append(section)
        for lapped in (
            *(lapped_surface(shape, edge) for edge in structure.lapped),
            *(filled_surface(shape, edge) for edge in structure.filled),
        ):
            section = None if lapped is None else _lapped_section(lapped, shape, profile)
            if section is not None:
                sections.append(section)
    if not profile.closed:
        sections = [with_face_noise(section) for section in sections]
    welds = [
        FoundWeld(replace(s, flags=s.flags + flags), points_px_of(s, calibration, origin), s.flags + flags)
        for s in sections
    ]
    welds.sort(key=_place)
    outline_px = tuple(p.points_px + origin for p in profiles if p.points_px is not None)
    return FoundWelds(tuple(welds), outline_px, tuple(p.points_mm for p in profiles))


def _section(
    joint: Joint, profile: Profile, flags: tuple[Flag, ...], fits: Sequence[LineFit], detail: Detail
) -> Section:
    # How far a real surface wanders about its line is seen on the plates; the face is taken to be no better.
    wander = median([wander_of(fit, detail) for fit in fits])
    alike = max([profile.correlation_points, *(fit.correlation_points for fit in fits)])
    return Section(
        joint=joint,
        point_std_mm=math.hypot(usual_std_mm(profile), wander),
        resolution_mm=profile.resolution_mm,
        relative_std=profile.relative_std,
        blur_mm=profile.blur_mm,
        correlation_points=alike,
        tone_doubt_mm=profile.tone_doubt_mm,
        rim_doubt_mm=profile.rim_doubt_mm,
        limit_doubt_mm=profile.limit_doubt_mm,
        wander_mm=wander if profile.closed else 0.0,
        wander_length_mm=max(alike * detail.step_mm, detail.wander_length_mm) if profile.closed else 0.0,
        one_sided=not profile.closed,
        flags=flags,
    )


def _fillet_section(shape: Shape, pair: FilletPair, kind: str, profile: Profile, most_untold: int) -> Section | None:
    traced = trace_surface(shape.points, pair.first, pair.second, shape.detail, face_sign=1, most_untold=most_untold)
    if traced is None:
        return None
    surface = traced.surface
    root = intersection(surface.left.fit.line, surface.right.fit.line)
    if root is None:
        return None
    legs = [distance(toe, root) for toe in (surface.toe_left, surface.toe_right)]
    roughness = max(surface.left.fit.residual_std, surface.right.fit.residual_std)
    if beyond_noise(roughness, shape.detail) > ROUGHEST_PLATE * min(legs):
        # A surface this ragged beside so small a weld is a shadow, a cable or a stain.
        return None
    flags = traced.flags + _plate_flags(surface.left.fit, surface.right.fit)
    return replace(
        _section(
            "lap" if kind == "lap" else "tee",
            profile,
            flags,
            (surface.left.fit, surface.right.fit),
            shape.detail,
        ),
        face=surface,
        root=root,
        unseen=not_seen(surface.untold),
    )


def _lapped_section(lapped: LappedSurface, shape: Shape, profile: Profile) -> Section | None:
    legs = [distance(toe, lapped.root) for toe in (lapped.surface.toe_left, lapped.surface.toe_right)]
    if beyond_noise(lapped.lower.residual_std, shape.detail) > ROUGHEST_PLATE * min(legs):
        return None
    return replace(
        _section("lap", profile, lapped.flags, (lapped.lower,), shape.detail),
        face=lapped.surface,
        root=lapped.root,
        unseen=lapped.unseen,
        hidden=lapped.hidden,
    )


def _plate_flags(left: LineFit, right: LineFit) -> tuple[Flag, ...]:
    few = tuple(
        Flag("few_plate_points", f"the {side} plate surface rests on only {np.count_nonzero(fit.inliers)} points")
        for side, fit in (("left", left), ("right", right))
        if np.count_nonzero(fit.inliers) < 40
    )
    return few + bow_flags(("left", left), ("right", right))


def _butt_section(
    shape: Shape, butts: Sequence[ButtPair], profile: Profile, closed: bool, most_untold: int
) -> Section | None:
    pairs = list(butts)
    face = pairs[0]
    partner = next((p for p in pairs[1:] if p.first.line.direction @ face.first.line.direction < -0.7), None)
    if partner is not None and _is_face_side(partner, face):
        face, partner = partner, face
    traced = trace_surface(shape.points, face.first, face.second, shape.detail, face_sign=0, most_untold=most_untold)
    if traced is None:
        return None
    opposite_left, opposite_right = opposite_fits(shape, face)
    if closed and traced.flags and opposite_left is None and opposite_right is None:
        # A toe is not clear and no plate shows its other side: a ragged edge, not a weld.
        return None
    tapered, untold = told_tapers(face, partner)
    flags = traced.flags + _plate_flags(traced.surface.left.fit, traced.surface.right.fit) + tapered
    root_side = None
    if partner is not None:
        root_traced = trace_surface(shape.points, partner.first, partner.second, shape.detail, face_sign=0)
        if root_traced is not None:
            seen = root_traced.surface
            # Seen face up the root side runs the other way: its first plate is the right one.
            root_side = replace(
                seen,
                left=seen.right,
                right=seen.left,
                toe_left=seen.toe_right,
                toe_right=seen.toe_left,
                face=seen.face[::-1],
                toe_std_left=seen.toe_std_right,
                toe_std_right=seen.toe_std_left,
            )
            flags += tuple(replace(f, message=f"root side: {f.message}") for f in root_traced.flags)
    if root_side is None and closed:
        if rises_more_behind(shape.points, shape.cut, shape.runs, face, shape.tolerance):
            flags += (OTHER_SIDE,)
        elif opposite_left is not None and opposite_right is not None:
            flags += (FACE_OF_ONE,)
    elif partner is not None and _as_wide(face, partner):
        flags += (FACE_OF_TWO,)
    return replace(
        _section("butt", profile, flags, (traced.surface.left.fit, traced.surface.right.fit), shape.detail),
        face=traced.surface,
        root_side=root_side,
        opposite_left=opposite_left,
        opposite_right=opposite_right,
        unseen={**untold, **not_seen(traced.surface.untold)},
    )


def _is_face_side(candidate: ButtPair, other: ButtPair) -> bool:
    """Tell whether a bead is the face side: the wider one; of two alike the upper one in the picture."""
    if not _as_wide(candidate, other):
        return candidate.width > other.width
    return bool(candidate.first.line.normal[1] > other.first.line.normal[1])


def _as_wide(one: ButtPair, other: ButtPair) -> bool:
    return abs(one.width - other.width) <= 0.15 * max(one.width, other.width)


def _groove_section(structure: Structure, profile: Profile) -> Section:
    shape = structure.shapes[0]
    detail = shape.detail
    left: PreparedEdge | None
    right: PreparedEdge | None
    ends = None
    if structure.open_groove is not None:
        ends = None if profile.sampled else profile.end_shifts_mm
        left, right = groove_edges(shape.points, structure.open_groove, detail, ends)
    else:
        assert structure.joint is not None
        left = prepared_edge(structure.joint.left, detail, outside_towards=True)
        right = prepared_edge(structure.joint.right, detail, outside_towards=False)
    outsides = tuple(edge.outside for edge in (left, right) if edge is not None)
    sides = (("left", left), ("right", right))
    bowed = bow_flags(*((side, edge.outside) for side, edge in sides if edge is not None))
    doubt = GrooveDoubt()
    bare: tuple[PreparedEdge | None, PreparedEdge | None] = (None, None)
    if structure.open_groove is not None:
        doubt = doubt_of(shape.points, structure.open_groove, left, right, detail)
        bare = bare_edges(shape.points, structure.open_groove, detail, ends)
    return replace(
        _section("groove", profile, doubt.flags + bowed, outsides, detail),
        edge_left=left,
        edge_right=right,
        bare_left=bare[0],
        bare_right=bare[1],
        unseen=doubt.unseen,
        hidden=doubt.hidden,
    )


def points_px_of(
    section: Section, calibration: Calibration | None, origin: Points, arc: Arc | Branch | None = None
) -> dict[str, PointPx]:
    points: dict[str, Points] = {}
    if section.root is not None:
        points["root"] = section.root
    if section.face is not None:
        points |= section.face.told_toes
    for side, edge in (("left", section.edge_left), ("right", section.edge_right)):
        if edge is not None:
            points[f"outer_corner_{side}"] = edge.outer_corner
            points[f"land_top_{side}"] = edge.land_top
            points[f"land_bottom_{side}"] = edge.land_bottom
    if calibration is None or not points:
        return {}
    places = np.array(list(points.values()))
    mapped = calibration.to_px(places if arc is None else arc.rolled(places)) + origin
    return {name: (float(p[0]), float(p[1])) for name, p in zip(points, mapped, strict=True)}
