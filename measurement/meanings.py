"""What each measured value means, and what each part of an uncertainty stands for, in one sentence each."""

from __future__ import annotations

MEANINGS: dict[str, str] = {
    "joint_angle": "angle between the plate surfaces, through the air",
    "leg": "distance from the joint root to the toe, along that plate",
    "perpendicular_leg": "distance from the toe to the other plate's surface line",
    "leg_difference": "absolute difference of the two legs",
    "size": "leg of the largest equal-legged triangle with its corner at the root that fits under the face",
    "design_throat": "height of that triangle above the root",
    "throat": "shortest distance from the joint root to the face",
    "convexity": "greatest distance of the face outside the chord, square to it",
    "concavity": "greatest distance of the face inside the chord, square to it",
    "face_width": "length of the chord from toe to toe",
    "weld_area": "area between the plates and the face",
    "cap_width": "length of the chord on the face side",
    "reinforcement": "greatest height of the face above the chord",
    "reinforcement_from": "greatest height of the face above that plate's extended surface line",
    "underfill": "greatest depth of the face below the chord",
    "root_width": "length of the chord on the root side",
    "root_reinforcement": "greatest height of the root side outside its chord",
    "root_concavity": "greatest depth of the root side inside its chord",
    "misalignment": "offset of the right plate's surface from the left's at the middle, square to the left plate",
    "root_misalignment": "the same offset on the root side",
    "angular_misalignment": "angle between the two plate surfaces, 0 when in line",
    "thickness": "distance between the two surfaces of that plate, beside the weld",
    "undercut": "greatest depth of the groove beside the toe below the plate line",
    "undercut_width": "width of that groove at the plate line",
    "toe_angle": "angle through the air between the plate and the tangent to the face at the toe",
    "toe_radius": "radius of the circle best fitted to the transition at the toe",
    "overlap": "length by which weld metal runs over the plate beyond the toe",
    "pit_depth": "deepest local hollow in a plate surface away from the toes",
    "spatter_height": "greatest local bump on a plate surface away from the toes",
    "bevel_angle": "angle between the prepared face and the plane square to that plate's surface",
    "groove_angle": "sum of the two bevel angles",
    "root_face": "height of the land",
    "root_gap": "distance between the root edges, along the left plate's surface",
    "preparation_depth": "depth of the bevel below the plate surface",
    "penetration": "greatest depth of fused metal below that plate's surface line",
    "root_penetration": "distance from the joint root to the fusion line along the bisector, below 0 in front of it",
    "throat_with_penetration": "shortest distance from the deepest point of fusion on the bisector to the face",
    "lack_of_root_fusion": "how far the fusion line stays in front of the joint root, 0 where the root is fused",
    "sidewall_fusion": "share of a fillet's leg, or of the side wall that a groove had, along which the plate is fused",
    "fused_area": "area of parent metal that was fused",
    "weld_metal_area": "area inside face and fusion line",
    "dilution": "share of fused parent metal in the weld metal",
    "haz_width": "width of the heat-affected zone beside the fusion line",
    "penetration_depth": "greatest depth of fusion below the chord on the face side",
    "root_side_penetration_depth": "greatest depth of fusion inside the chord on the root side",
    "lack_of_penetration": "part of the thickness that neither side has fused",
    "root_centreline_mismatch": "offset between the middles of the welds of the two sides",
    "pore_area_share": "share of the weld metal that pores and inclusions take up",
    "largest_pore": "equivalent diameter of the largest pore or inclusion",
    "longest_linear_indication": "length of the longest thin indication, for a person to look at",
}
"""By the name of the value without its side."""

SOURCES: dict[str, str] = {
    "scale": "the length of a pixel, from the target, the rule or what was given",
    "tilt": "how square the camera looked at the section",
    "lens": "what the lens bends between the target and the weld",
    "plane offset": "how far the target lay in front of or behind the section",
    "edge": "the scatter of the outline's points",
    "plate fit": "how well the straight part of a plate holds its line",
    "toe location": "where along the plate the face leaves it",
    "operator's mark": "how exactly a person marks a place in the picture",
    "resolution": "where an edge lies in a pixel or a shade, alike for all points",
    "tone curve": "how the file stores light, which moves all edges alike",
    "second edge": "a rim of another tone or a gap along the metal: either side of it may be the edge",
    "overexposure": "a side of the edge at the limit of the sensor: the edge lies farther to the bright side",
    "blur": "how far blur moves a curved edge",
    "fusion line": "how well the etch shows where fusion ends",
    "missing points": "what may lie where points of the profile are missing",
}
"""By the name of the part in a budget."""

REMEDIES: dict[str, str] = {
    "scale": "a longer target, nearer to the weld, or a target of better known length",
    "tilt": "a board, or a camera set square to the section",
    "lens": "a lens file (toeline calibrate lens), or the target nearer to the weld",
    "plane offset": "the target level with the section, or a measured --plane-offset and --camera-distance",
    "edge": "a closer, sharper picture or scan with less noise",
    "plate fit": "more of the plate surface in the picture",
    "toe location": "a closer, sharper picture or scan of the toe",
    "operator's mark": "the same mark set again at higher magnification",
    "resolution": "a closer picture: more pixels for each mm",
    "tone curve": "say how the file stores light (--tone-curve), or a sharper picture",
    "second edge": "other light, or the section prepared anew, so that no band runs along its edge",
    "overexposure": "a shorter exposure, so that neither the metal nor what lies beside it is at the limit",
    "blur": "a sharper picture",
    "fusion line": "a deeper, more even etch, or points marked on the line",
    "missing points": "another direction of the camera or of the line, so that nothing lies in the shadow",
}
"""What makes a part smaller."""


def meaning_of(name: str) -> str | None:
    """Return what a value means, None for a name that is not known."""
    return MEANINGS.get(name) or MEANINGS.get(name.removesuffix("_left").removesuffix("_right"))
