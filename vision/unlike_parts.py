"""Whether something else touches a section: a rule, a clamp or a finger has another tone than its plates."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from core.geometry import Points, step_lengths
from core.medians import median
from vision.outline import Outline
from vision.section import Section
from vision.step_sample import step_sample

RATIO = 1.4
"""The step to the ground differs by less than this factor along the plates of one section, lit unevenly too."""

MOST_UNLIKE = 0.1
"""Share of the outline, faces left out, from which it is told."""

LONGEST_BEAD = 1.5
"""Way over a bead, over its chord; around a rule that touches the root it is longer."""


def unlike_share(section: Section, outlines: Sequence[tuple[Points, Outline]]) -> float:
    """Return the share of the outline, weld faces left out, whose step to the ground is unlike that of the plates.

    Parameters
    ----------
    outlines
        Points of each outline in mm, and the outline.
    """
    if section.face is None:
        return 0.0
    sample = step_sample(outlines)
    steps = np.abs(sample.steps)
    plates = sample.on(np.vstack([section.face.left.points, section.face.right.points]))
    faces = [section.face.face]
    if section.root_side is not None and _is_bead(section.root_side.face):
        faces.append(section.root_side.face)
    rest = sample.seen & ~sample.on(np.vstack(faces))
    if min(np.count_nonzero(plates), np.count_nonzero(rest)) < 20:
        return 0.0
    usual = median(steps[plates]) + 1e-9
    return float(np.mean((steps[rest] > RATIO * usual) | (steps[rest] < usual / RATIO)))


def _is_bead(face: Points) -> bool:
    chord = float(np.hypot(*(face[-1] - face[0])))
    return float(step_lengths(face).sum()) < LONGEST_BEAD * chord
