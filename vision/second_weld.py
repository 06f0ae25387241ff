"""Another weld of the same section: across a standing plate from one that was found, or one that was left out.

A plate that stands on another one and is bevelled on one side shows there a face that runs far up its surface and
hardly over the other plate. By itself such a thing may be the foot of anything on a floor; across the plate from a
fillet it is the other weld of the tee.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from core.geometry import Line, Points, distance
from vision.found import FoundWeld, flagged
from vision.plausible import LEAST_LEGS, is_weld
from vision.runs import turn_deg
from vision.section import Flag, Section

IN_LINE_DEG, OFF_LINE, OFF_LINE_MM = 3.0, 0.04, 0.15
"""What is seen of one plate on both sides of another lies on one line: within an angle, a share of the way, and mm."""

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
    legs = [distance(toe, section.root) for toe in (section.face.toe_left, section.face.toe_right)]
    return min(legs) < LEAST_LEGS * max(legs)


def is_across(one: Section, other: Section) -> bool:
    """Tell whether two fillets lie on both sides of one plate: the other plate's surface is seen beside both."""
    if one.face is None or other.face is None or one.root is None or other.root is None:
        return False
    for first, second in ((one, other), (other, one)):
        assert first.face is not None
        assert second.face is not None
        if in_line(first.face.left.fit.line.reversed(), second.face.right.fit.line, first.face.toe_left):
            return True
    return False


def in_line(line: Line, other: Line, at: Points) -> bool:
    """Tell whether two lines of one direction are one, as far as a point of the first tells."""
    off = OFF_LINE * distance(at, other.point) + OFF_LINE_MM
    return abs(turn_deg(line, other)) < IN_LINE_DEG and abs(float(other.offset(at))) < off
