"""The names of the measured values, in the order in which tables show them."""

from __future__ import annotations

import re
from dataclasses import dataclass

from core.quantity import Unit
from vision.section import Joint


@dataclass(frozen=True, slots=True)
class Name:
    """A measured value's name in files, its unit, and what a table calls it."""

    name: str
    unit: Unit
    label: str


FILLET = (
    Name("joint_angle", "deg", "joint angle"),
    Name("leg_left", "mm", "leg, left"),
    Name("leg_right", "mm", "leg, right"),
    Name("perpendicular_leg_left", "mm", "perpendicular leg, left"),
    Name("perpendicular_leg_right", "mm", "perpendicular leg, right"),
    Name("leg_difference", "mm", "difference of the legs"),
    Name("size", "mm", "size"),
    Name("design_throat", "mm", "design throat"),
    Name("throat", "mm", "throat"),
    Name("convexity", "mm", "convexity"),
    Name("concavity", "mm", "concavity"),
    Name("face_width", "mm", "face width"),
    Name("weld_area", "mm2", "weld area"),
)

BUTT = (
    Name("cap_width", "mm", "cap width"),
    Name("reinforcement", "mm", "reinforcement"),
    Name("reinforcement_from_left", "mm", "reinforcement above the left plate"),
    Name("reinforcement_from_right", "mm", "reinforcement above the right plate"),
    Name("underfill", "mm", "underfill"),
    Name("root_width", "mm", "root width"),
    Name("root_reinforcement", "mm", "root reinforcement"),
    Name("root_concavity", "mm", "root concavity"),
    Name("misalignment", "mm", "misalignment"),
    Name("root_misalignment", "mm", "misalignment, root side"),
    Name("angular_misalignment", "deg", "angular misalignment"),
    Name("thickness_left", "mm", "thickness, left"),
    Name("thickness_right", "mm", "thickness, right"),
)

TOES_AND_PLATES = (
    Name("undercut_left", "mm", "undercut, left"),
    Name("undercut_right", "mm", "undercut, right"),
    Name("undercut_width_left", "mm", "undercut width, left"),
    Name("undercut_width_right", "mm", "undercut width, right"),
    Name("toe_angle_left", "deg", "toe angle, left"),
    Name("toe_angle_right", "deg", "toe angle, right"),
    Name("toe_radius_left", "mm", "toe radius, left"),
    Name("toe_radius_right", "mm", "toe radius, right"),
    Name("overlap_left", "mm", "overlap, left"),
    Name("overlap_right", "mm", "overlap, right"),
    Name("pit_depth", "mm", "pit depth"),
    Name("spatter_height", "mm", "spatter height"),
)

GROOVE = (
    Name("bevel_angle_left", "deg", "bevel angle, left"),
    Name("bevel_angle_right", "deg", "bevel angle, right"),
    Name("groove_angle", "deg", "groove angle"),
    Name("root_face_left", "mm", "root face, left"),
    Name("root_face_right", "mm", "root face, right"),
    Name("root_gap", "mm", "root gap"),
    Name("preparation_depth_left", "mm", "preparation depth, left"),
    Name("preparation_depth_right", "mm", "preparation depth, right"),
    Name("misalignment", "mm", "misalignment"),
    Name("root_misalignment", "mm", "misalignment, inside"),
    Name("thickness_left", "mm", "thickness, left"),
    Name("thickness_right", "mm", "thickness, right"),
)

SPOTS = (
    Name("pore_area_share", "percent", "pores and inclusions, share of the weld metal"),
    Name("largest_pore", "mm", "largest pore or inclusion"),
    Name("longest_linear_indication", "mm", "longest linear indication"),
)

SIDEWALLS = (
    Name("sidewall_fusion_left", "percent", "fused share of leg or side wall, left"),
    Name("sidewall_fusion_right", "percent", "fused share of leg or side wall, right"),
)

INSIDE_FILLET = (
    Name("penetration_left", "mm", "penetration, left"),
    Name("penetration_right", "mm", "penetration, right"),
    Name("root_penetration", "mm", "root penetration"),
    Name("lack_of_root_fusion", "mm", "lack of root fusion"),
    Name("throat_with_penetration", "mm", "throat with penetration"),
    *SIDEWALLS,
    Name("fused_area", "mm2", "fused area of parent metal"),
    Name("weld_metal_area", "mm2", "area of weld metal"),
    Name("dilution", "percent", "dilution"),
    Name("haz_width_left", "mm", "heat-affected zone, left"),
    Name("haz_width_right", "mm", "heat-affected zone, right"),
    Name("root_gap", "mm", "root gap"),
    *SPOTS,
)

INSIDE_BUTT = (
    Name("penetration_depth", "mm", "penetration depth"),
    Name("root_side_penetration_depth", "mm", "penetration depth, root side"),
    Name("lack_of_penetration", "mm", "lack of penetration"),
    Name("root_centreline_mismatch", "mm", "mismatch of the two sides' centrelines"),
    *SIDEWALLS,
    Name("weld_metal_area", "mm2", "area of weld metal"),
    Name("haz_width_left", "mm", "heat-affected zone, left"),
    Name("haz_width_right", "mm", "heat-affected zone, right"),
    *SPOTS,
)

LABELS: dict[str, Name] = {
    name.name: name for name in (*INSIDE_BUTT, *INSIDE_FILLET, *GROOVE, *BUTT, *FILLET, *TOES_AND_PLATES)
}

SIDES = ("left", "right")


def _joined(written: str) -> str:
    """Return words in small letters with ``_`` between them, a side that stands before them put after them."""
    words = re.sub(r"[,_-]", " ", written).lower().split()
    if len(words) > 1 and words[0] in SIDES:
        words = [*words[1:], words[0]]
    return "_".join(words)


_LABELLED = [
    (each.label, each.name) for each in (*INSIDE_BUTT, *INSIDE_FILLET, *GROOVE, *BUTT, *FILLET, *TOES_AND_PLATES)
]
_SIDELESS = [
    (label.removesuffix(", left"), name.removesuffix("_left")) for label, name in _LABELLED if label.endswith(", left")
]
_BY_LABEL = {_joined(label): name for label, name in (*_LABELLED, *_SIDELESS)}
"""What tables call a value, with its side and without one, and its name in files."""


def as_name(written: str) -> str:
    """Return the name in files of a value that is written as there, as in tables, or with its side first.

    >>> as_name("Leg, left"), as_name("left toe angle"), as_name("difference of the legs"), as_name("leg")
    ('leg_left', 'toe_angle_left', 'leg_difference', 'leg')
    """
    name = _joined(written)
    return _BY_LABEL.get(name, name)


SIGNED = (
    "misalignment",
    "root_misalignment",
    "bevel_angle_left",
    "bevel_angle_right",
    "groove_angle",
    "root_penetration",
)
"""Values that have a direction and may lie below 0; of all others the interval claims no less than nothing."""


def names_for(joint: Joint) -> tuple[Name, ...]:
    """Return the names that apply to a kind of joint, in the order of tables."""
    if joint == "groove":
        return GROOVE
    return (*(BUTT if joint == "butt" else FILLET), *TOES_AND_PLATES)


def inside_names_for(joint: Joint) -> tuple[Name, ...]:
    """Return the names of what an etched section shows inside a weld, in the order of tables."""
    if joint == "groove":
        return ()
    return INSIDE_BUTT if joint == "butt" else INSIDE_FILLET
