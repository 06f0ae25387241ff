"""Closed outlines of the weld metal: faces and fusion lines joined."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from core.geometry import Points
from vision.fusion_line import FusionLine, Side
from vision.section import Section


def outlines(section: Section, lines: Sequence[FusionLine]) -> tuple[Points, ...]:
    """Return the closed outlines in mm that faces and fusion lines enclose, (N, 2) each.

    A weld that goes through has one, with its root side closed by the face found there or straight across.
    """
    if section.face is None or not lines:
        return ()
    by_side: dict[Side, FusionLine] = {line.side: line for line in lines}
    face = section.face.face
    if "left" in by_side and "right" in by_side:
        left, right = by_side["left"].points_mm, by_side["right"].points_mm
        bottom = np.zeros((0, 2)) if section.root_side is None else section.root_side.face[::-1]
        return (np.vstack([face, right, bottom, left[::-1]]),)
    found = []
    if "whole" in by_side:
        found.append(np.vstack([face, by_side["whole"].points_mm[::-1]]))
    if "root side" in by_side and section.root_side is not None:
        found.append(np.vstack([section.root_side.face, by_side["root side"].points_mm[::-1]]))
    return tuple(found)
