"""How far the metal of a face differs in tone from that of its plates, which moves the edge of the one, not the other.

Weld metal takes etch and light otherwise than the plate, and less so at its very rim, which is bevelled by grinding and
lies beside resin: the tone changes within the spread of the edge, and the steepest place is no longer the edge.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from core.geometry import Points
from core.medians import median
from vision.outline import Outline
from vision.section import Section, WeldSurface
from vision.step_sample import step_sample

FEWEST = 8
"""Fewer points of a surface do not tell its tone."""


def with_face_tones(section: Section, outlines: Sequence[tuple[Points, Outline]]) -> Section:
    """Return a section whose faces hold by which share their step to the ground differs from that of its plates.

    Parameters
    ----------
    outlines
        Points of each outline in mm, and the outline.
    """
    if section.face is None:
        return section
    sample = step_sample(outlines)

    def step_at(surface: Points) -> float | None:
        here = sample.on(surface)
        return median(sample.steps[here]) if np.count_nonzero(here) >= FEWEST else None

    def told(surface: WeldSurface) -> WeldSurface:
        at_face = step_at(surface.face)
        at_plates = step_at(np.vstack([surface.left.points, surface.right.points]))
        if at_face is None or at_plates is None or at_face == 0:
            return surface
        return replace(surface, unlike=min(abs(at_face - at_plates) / abs(at_face), 1.0))

    root_side = section.root_side
    return replace(section, face=told(section.face), root_side=None if root_side is None else told(root_side))
