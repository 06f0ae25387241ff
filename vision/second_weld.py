"""Another weld of the same section: across a standing plate from one that was found, or one that was left out.

A plate that stands on another one and is bevelled on one side shows there a face that runs far up its surface and
hardly over the other plate. By itself such a thing may be the foot of anything on a floor; across the plate from a
fillet it is the other weld of the tee.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from core.geometry import distance
from vision.found import FoundWeld, flagged
from vision.plausible import LEAST_LEGS, is_weld, legs_of
from vision.runs import goes_on
from vision.section import Flag, Section

UNEQUAL = (
    "one leg is less than a third of the other, as of a bevel that was welded, with little of a fillet before it: what "
    "lies in the bevel is not seen in the outline"
)
LEFT_OUT = (
    "what looks like another weld of this section, near ({:.0f}, {:.0f}) in the picture, does not have the proportions "
    "of one and was not measured; look there, and give --marks with its toes and plate points if it is one"
)


def plausible_welds(welds: Sequence[FoundWeld], *, told: bool) -> list[FoundWeld]:
    """Return the welds of a section that have the proportions of one, those across a plate from another one included.

    Parameters
    ----------
    told
        Whether a person named the joint.
    """
    sure = [weld for weld in welds if is_weld(weld.section, told=told)]
    if not sure or len(sure) == len(welds):
        return sure
    kept, left_out = [], []
    for weld in welds:
        if weld in sure:
            kept.append(weld)
        elif is_weld(weld.section, told=told, across=True) and any(is_across(weld.section, w.section) for w in sure):
            kept.append(flagged(weld, Flag("unequal_legs", UNEQUAL)) if _is_unequal(weld.section) else weld)
        else:
            left_out.append(weld)
    for weld in left_out:
        if weld.points_px:
            x, y = np.mean(list(weld.points_px.values()), axis=0)
            kept = [flagged(each, Flag("weld_left_out", LEFT_OUT.format(x, y))) for each in kept]
    return kept


def _is_unequal(section: Section) -> bool:
    if section.face is None or section.root is None:
        return False
    shorter, longer = legs_of(section.face, section.root)
    return shorter < LEAST_LEGS * longer


def is_across(one: Section, other: Section) -> bool:
    """Tell whether two fillets lie on both sides of one plate: the other plate's surface is seen beside both."""
    if one.face is None or other.face is None or one.root is None or other.root is None:
        return False
    for first, second in ((one, other), (other, one)):
        assert first.face is not None
        assert second.face is not None
        toe, line = first.face.toe_left, second.face.right.fit.line
        if goes_on(first.face.left.fit.line.reversed(), line, toe, distance(toe, line.point)):
            return True
    return False
