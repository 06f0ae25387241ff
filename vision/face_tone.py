"""How far the metal of a face differs in tone from that of its plates, which moves the edge of the one, not the other.

Weld metal takes etch and light otherwise than the plate, and less so at its very rim, which is bevelled by grinding and
lies beside resin: the tone changes within the spread of the edge, and the steepest place is no longer the edge.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from core.geometry import Points, near
from core.medians import median
from vision.outline import Outline
from vision.section import Section, WeldSurface

_STEP, _PLACES = 4, 600
"""Every fourth point of an outline is looked at, of a long one about so many."""

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
    every = max(_STEP, sum(len(each) for each, _ in outlines) // _PLACES)
    points = np.vstack([each[::every] for each, _ in outlines])
    steps = np.concatenate([_steps(outline)[::every] for _, outline in outlines])
    seen = ~np.concatenate([outline.cut[::every] for _, outline in outlines])
    reach = 1.5 * every * median(np.hypot(*np.diff(outlines[0][0][:200], axis=0).T))

    def step_at(surface: Points) -> float | None:
        here = seen & near(points, surface[:: every // 2], reach)
        return median(steps[here]) if np.count_nonzero(here) >= FEWEST else None

    def told(surface: WeldSurface) -> WeldSurface:
        at_face = step_at(surface.face)
        at_plates = step_at(np.vstack([surface.left.points, surface.right.points]))
        if at_face is None or at_plates is None or at_face == 0:
            return surface
        return replace(surface, unlike=min(abs(at_face - at_plates) / abs(at_face), 1.0))

    root_side = section.root_side
    return replace(section, face=told(section.face), root_side=None if root_side is None else told(root_side))


def _steps(outline: Outline) -> NDArray[np.float64]:
    return outline.steps if outline.steps is not None else np.full(len(outline.points_px), outline.contrast)
