"""Welds of a profile file, whose heights may be depths: many devices count away from themselves.

A profile does not say where the air is. One that shows a joint only when it is turned upside down is measured so, and
that is told.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from core.errors import NothingMeasurable
from vision.cloud_air import is_cap, is_preparation
from vision.drawn_edge import EDGE_FILLED
from vision.find_profile import find_welds_in_profile
from vision.found import FoundWelds
from vision.profile import Profile
from vision.profile_file import ProfileFile
from vision.section import Flag
from vision.structure import JointChoice

TURNED = Flag(
    "upside_down", "the profile shows a joint only when its heights are taken as depths: it was turned upside down"
)
HOLLOW = Flag(
    "air_side_doubtful", "the weld lies deep below the plates: if the heights of the file are depths, it is a cap"
)
EITHER_WAY = Flag(
    "air_side_doubtful",
    "a weld over a whole edge looks alike upside down: if the heights of the file are depths, the "
    "face is convex where it seems concave, and plates, toes and what lies beside them change places",
)
DEEP_MM, DEEP_SHARE = 0.5, 0.05
"""A hollow deeper than this, and than this share of its width, is rarer than a cap seen upside down."""


def find_welds_in_file(
    file: ProfileFile, *, joint: JointChoice = "auto", outside_diameter_mm: float | None = None
) -> FoundWelds:
    """Find the welds in the profile of a file, with the doubts that the file left.

    Raises
    ------
    NothingMeasurable
        When no weld is recognised, whichever side the air is on.
    """
    profile = file.profile

    def found_in(seen: Profile) -> FoundWelds:
        return find_welds_in_profile(seen, joint=joint, outside_diameter_mm=outside_diameter_mm)

    try:
        found = found_in(profile)
    except NothingMeasurable:
        turned = None if profile.closed else _turned(profile)
        try:
            other = None if turned is None else found_in(turned)
        except NothingMeasurable:
            other = None
        # Upside down a bevelled edge over a bench looks like a lap whose edge is not seen.
        inferred = other is not None and _edge_is_inferred(other) and (joint != "lap" or _fills_edge(other))
        if other is None or _seen_from_behind(other) or inferred:
            raise
        return _flagged(other, (*file.flags, TURNED))
    if _fills_edge(found):
        return _flagged(found, (*file.flags, EITHER_WAY))
    if profile.closed or not _seen_from_behind(found):
        return _flagged(found, file.flags)
    try:
        other = found_in(_turned(profile))
    except NothingMeasurable:
        return _flagged(found, file.flags)
    if _seen_from_behind(other) or _edge_is_inferred(other):
        return _flagged(found, file.flags)
    if found.welds[0].section.joint == "groove":
        return _flagged(other, (*file.flags, TURNED))
    return _flagged(found, (*file.flags, HOLLOW))


def _turned(profile: Profile) -> Profile:
    return replace(profile, points_mm=profile.points_mm * np.array([1.0, -1.0]))


def _edge_is_inferred(found: FoundWelds) -> bool:
    face = found.welds[0].section.face
    return face is not None and bool(face.inferred)


def _fills_edge(found: FoundWelds) -> bool:
    return any(flag.code == EDGE_FILLED for flag in found.welds[0].flags)


def _seen_from_behind(found: FoundWelds) -> bool:
    """Tell whether what was found looks like a cap, or a groove, seen through the metal."""
    section = found.welds[0].section
    if section.joint == "groove":
        return not is_preparation(section)
    if section.joint != "butt" or section.face is None or is_cap(section):
        return False
    face = section.face
    chord = face.toe_right - face.toe_left
    width = float(np.hypot(*chord))
    offset = (face.face - face.toe_left) @ np.array([-chord[1], chord[0]]) / max(width, 1e-9)
    return bool(max(-offset.min(), offset.max()) > max(DEEP_MM, DEEP_SHARE * width))


def _flagged(found: FoundWelds, flags: tuple[Flag, ...]) -> FoundWelds:
    if not flags:
        return found
    welds = (
        replace(weld, section=replace(weld.section, flags=weld.section.flags + flags), flags=weld.flags + flags)
        for weld in found.welds
    )
    return replace(found, welds=tuple(welds))
