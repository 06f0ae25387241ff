"""What is refused, doubted or told of a weld for what is seen along its outline in the picture."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from core.geometry import Points
from vision.filled_gap import MOST_BRIGHTER, MOST_FILLED, unlike_ground
from vision.found import FoundWeld, flagged
from vision.ground_doubt import ROOT_SIDE, doubted
from vision.lost_edge import OF_FACE
from vision.outline import Outline
from vision.section import Flag
from vision.segmentation import ReducedPicture
from vision.softness import MOST_SOFT, SOFT_FACE, SOFT_TOE, TOLD_SOFT, soft_preparations, softness
from vision.unlike_parts import MOST_UNLIKE, unlike_share
from vision.untold_toe import of_toe

BESIDE_TOE = ("undercut", "undercut_width", "toe_radius")
OF_MEMBER, OF_GAP = ("bevel_angle", "root_face", "preparation_depth"), ("groove_angle", "root_gap")
GAP_CORNERS = ("outer_corner_left", "outer_corner_right", "land_bottom_right", "land_bottom_left")
UNLIKE_PARTS = (
    "{:.0f} % of its outline is much brighter or darker than its plates, as where something else touches the section "
    "(a rule, a clamp, a finger) or a part of it lies in shadow; look at the outline"
)
GAP_NOT_PLAIN = (
    "between the members it is darker than the ground beside them: a shadow, or weld metal of a finished weld, which "
    "would then have been taken for the gap of a prepared joint; look at the overlay"
)


def without_glare(outlines: Sequence[tuple[Points, Outline]], weld: FoundWeld) -> FoundWeld | None:
    """Refuse a weld whose plate is the soft rim of a glare or a shadow; tell where else its outline is one."""
    if weld.section.face is None:
        return _without_soft_preparation(outlines, weld)
    soft = softness(weld.section, outlines)
    if soft is None:
        return weld
    back = (*ROOT_SIDE, "root_misalignment", "thickness_left", "thickness_right")
    places = [
        ("at the left toe", soft.at_left >= SOFT_TOE, of_toe("left")),
        ("at the right toe", soft.at_right >= SOFT_TOE, of_toe("right")),
        ("beside the left toe", soft.beside_left >= TOLD_SOFT, tuple(f"{name}_left" for name in BESIDE_TOE)),
        ("beside the right toe", soft.beside_right >= TOLD_SOFT, tuple(f"{name}_right" for name in BESIDE_TOE)),
        ("on the face", soft.face >= SOFT_FACE, OF_FACE),
        ("on the root side", soft.root_side >= TOLD_SOFT, back),
    ]
    if soft.all < TOLD_SOFT and not any(is_soft for _, is_soft, _ in places):
        return weld
    if soft.plate > MOST_SOFT:
        return None
    unseen: dict[str, str] = {}
    for place, is_soft, names in places:
        reason = f"the outline {place} is no sharp edge, as the rim of a shadow or a glare; change the light"
        unseen = {**(dict.fromkeys(names, reason) if is_soft else {}), **unseen}
    share = f"{100 * soft.all:.0f} % of its outline"
    text = f"{share} is no sharp edge, as the rim of a shadow or a glare; look at the overlay"
    flags = (*weld.section.flags, Flag("soft_outline", text))
    section = replace(weld.section, flags=flags, unseen={**weld.section.unseen, **unseen})
    return replace(weld, section=section, flags=flags)


def _without_soft_preparation(outlines: Sequence[tuple[Points, Outline]], weld: FoundWeld) -> FoundWeld:
    """Return a prepared joint without what rests on a member's face that is soft somewhere, told of if one is."""
    sides = soft_preparations(weld.section, outlines)
    if not sides:
        return weld
    unseen: dict[str, str] = {}
    for side in sides:
        reason = f"the outline of the {side} member's face is no sharp edge, as the rim of a glare or a stain; change "
        unseen |= dict.fromkeys((*(f"{name}_{side}" for name in OF_MEMBER), *OF_GAP), f"{reason}the light")
    places = " and the ".join(sides)
    text = f"beside the gap the outline is no sharp edge on the {places}, as the rim of a glare or a stain"
    told = replace(weld, section=replace(weld.section, unseen={**unseen, **weld.section.unseen}))
    return flagged(told, Flag("soft_outline", f"{text}; look at the overlay"))


def on_this_ground(weld: FoundWeld, outlines: Sequence[tuple[Points, Outline]], grain_mm: float) -> FoundWeld:
    """Return a weld with the doubts that grain of its ground (in mm) casts on it."""
    section = doubted(weld.section, outlines, grain_mm)
    return replace(weld, section=section, flags=section.flags)


def with_unlike_parts(weld: FoundWeld, outlines: Sequence[tuple[Points, Outline]]) -> FoundWeld:
    """Tell where a part of the outline has another tone than the plates, as a thing that touches the section has."""
    share = unlike_share(weld.section, outlines)
    return weld if share < MOST_UNLIKE else flagged(weld, Flag("unlike_parts", UNLIKE_PARTS.format(100 * share)))


def with_plain_gap(weld: FoundWeld, outlines: Sequence[Outline], reduced: ReducedPicture) -> FoundWeld | None:
    """Return an open joint where the ground is seen between its members, None where weld metal is."""
    corners = [weld.points_px[name] for name in GAP_CORNERS if name in weld.points_px]
    if len(corners) < len(GAP_CORNERS):
        return weld
    brighter, darker = unlike_ground(np.array(corners), outlines, reduced)
    if brighter > MOST_BRIGHTER:
        return None
    if darker <= MOST_FILLED:
        return weld
    return flagged(weld, Flag("gap_not_plain", GAP_NOT_PLAIN))
