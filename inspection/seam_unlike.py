"""Sections unlike those on both sides of them: a form that jumps for one section is more often misread than there.

A single section that was read wrong hides in a median and stands out as the least or the greatest value, which is what
a person looks at first. What has a place of its own along a seam, as an undercut or spatter, may be as short as that,
and is left alone; a section without the undercut of both its neighbours is told.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from measurement.names import BUTT, FILLET, GROOVE

if TYPE_CHECKING:
    from inspection.seam_summary import Columns

OF_THE_FORM = frozenset(name.name for name in (*FILLET, *BUTT, *GROOVE) if name.unit in ("mm", "deg"))
INTERRUPTED = ("undercut_left", "undercut_right")
LEAST = {"mm": 0.1, "deg": 1.0}
"""A smaller difference matters to nobody."""

OF_USUAL = 4.0
"""Times what sections of the seam usually differ by from the middle between their neighbours (robust standard
deviation): a weld whose form wavers from section to section has no section that is unlike."""


def unlike_neighbours(columns: Columns, name: str) -> list[int]:
    """Return the numbers of sections of which a value lies beyond those of both neighbours by more than their
    expanded uncertainties together, and by more than is usual along the seam."""
    if name not in columns.values or not (name in OF_THE_FORM or name in INTERRUPTED) or len(columns) < 3:
        return []
    values, expanded = columns.of(name), np.nan_to_num(np.array(columns.expanded[name]))
    before, here, after = values[:-2], values[1:-1], values[2:]
    below, above = np.minimum(before, after) - here, here - np.maximum(before, after)
    beyond = below if name in INTERRUPTED else np.maximum(below, above)
    doubt = expanded[1:-1] + np.maximum(expanded[:-2], expanded[2:])
    least = max(LEAST[columns.units[name]], OF_USUAL * _usual(here - (before + after) / 2))
    return [int(number) + 1 for number in np.flatnonzero(beyond > np.maximum(doubt, least))]


def _usual(differences: NDArray[np.float64]) -> float:
    known = np.abs(differences[np.isfinite(differences)])
    return 1.4826 * float(np.median(known)) if len(known) else 0.0
