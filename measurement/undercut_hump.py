"""What stands in an undercut, as a drop of spatter: the groove is deeper beneath it than it is seen."""

from __future__ import annotations

import numpy as np

from core.geometry import Points
from core.medians import median

LEAST_MM, LEAST_SHARE, OVER_NOISE = 0.06, 0.12, 4.0
"""A hump stands over the deepest places beside it by so much, by this share of the depth, and by so many times the
scatter of the points: the floor of an undercut is no plane."""

NEIGHBOURS = 5
"""Points of which the middle one counts: a single one that strays is no hump."""

MOST_SHARE = 0.5
"""The groove between the deepest places seen is taken as no wider than this share of it (squared)."""


def hidden_by_hump(along: Points, depth: Points, width_mm: float, noise_mm: float) -> float:
    """Return by how much an undercut may be deeper beneath what stands in it than it is seen, mm; 0 where nothing does.

    A groove is deepest in its middle. Where that is covered its floor is seen at two places m apart, and a parabola
    through them and both rims, w apart, leads deeper by m² / (w² - m²) of their depth.

    Parameters
    ----------
    along, depth
        (N,) distance from the toe, rising, and depth below the plate line.
    width_mm
        Of the undercut, at the plate line.
    noise_mm
        Standard deviation of a point.
    """
    inside = along <= width_mm
    if np.count_nonzero(inside) < 3 * NEIGHBOURS:
        return 0.0
    seen = np.median(np.lib.stride_tricks.sliding_window_view(depth[inside], NEIGHBOURS), axis=1)
    places = along[inside][NEIGHBOURS // 2 : -(NEIGHBOURS // 2)]
    before, after = np.maximum.accumulate(seen), np.maximum.accumulate(seen[::-1])[::-1]
    humps = np.minimum(before, after) - seen
    top = int(humps.argmax())
    scatter = max(noise_mm, 1.4826 * median(np.abs(np.diff(depth[inside], 2))) / 6.0**0.5)
    if humps[top] < max(LEAST_MM, LEAST_SHARE * float(seen.max()), OVER_NOISE * scatter / NEIGHBOURS**0.5):
        return 0.0
    left, right = int(seen[: top + 1].argmax()), top + int(seen[top:].argmax())
    share = min(float((places[right] - places[left]) / width_mm) ** 2, MOST_SHARE)
    return float(seen.max()) * share / (1.0 - share)
