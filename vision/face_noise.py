"""The scatter of a weld's own face, where it shows more of it than the plates: a dull bead between bright plates."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from core.geometry import Line
from vision.line_scatter import scatter_std
from vision.section import Section

FEWEST = 24
"""A face of fewer points does not tell how they scatter."""

MORE = 1.3
"""A face scatters more than the plates when it does by so many times: less is chance."""


def with_face_noise(section: Section) -> Section:
    """Return a section whose points are known no better than those of its face scatter, each on its own."""
    face = section.face
    if face is None or len(face.face) < FEWEST:
        return section
    offset = Line.through(face.toe_left, face.toe_right).offset(face.face[1:-1])
    scatter = scatter_std(np.arange(len(offset)), offset)
    if not scatter > MORE * section.point_std_mm:
        return section
    return replace(section, point_std_mm=scatter)
