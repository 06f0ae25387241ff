"""Which of several boundaries is that of the weld metal: the heat-affected zone has an outer limit, too.

Weld metal may have the tone of the plate, and light or etch may change it from here to there. So the strongest boundary
is held against what lies within it and beyond it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from core.medians import median, quantile
from vision.fusion_candidate import Candidate
from vision.fusion_path import GAP_MM, Strip

RIVAL_SHARE, FAINT_SHARE = 0.4, 0.15
"""A path within the strongest one is the fusion line when its step is at least this share of that one's; of a weak etch
a smaller one where both are about as far apart everywhere, as the limits of a heat-affected zone are, and the plate
begins at the strongest one."""
BEYOND_MM, CHANGED = ((0.4, 1.0), (2.0, 3.0)), 0.25
"""Where beyond a path the zone beside it, and the plate, are looked at: they differ by so much of its step at least."""
WITHIN_MM, WINDOWS = 0.4, 7
"""What lies within a path is looked at in so many windows of this width: is all of it weld metal?"""
GRADUAL_SHARE, GRADUAL_SEEN = 0.35, 0.45
"""Weld metal has another tone here than there by mere light or etch where no path within shows this share of the
difference over this share of its length."""
INNER_GAP_MM = 0.65


def rivals(inner: Candidate, strongest: Candidate, shown: Strip, core: float | None) -> bool:
    """Tell whether a path within the strongest one forbids to claim that one, even where it does not hold itself."""
    share = abs(inner.support.step) / max(abs(strongest.support.step), 1e-9)
    if core is None:
        return inner.holds and share > RIVAL_SHARE
    if share > RIVAL_SHARE and inner.holds:
        return True
    nearer = abs(inner.support.inside - core) < 0.5 * abs(inner.support.step)
    if not nearer or not inner.shows or share <= FAINT_SHARE:
        return False
    return share > RIVAL_SHARE or (_beside(inner, strongest) and not _zone_beyond(strongest, shown))


def _zone_beyond(path: Candidate, shown: Strip) -> bool:
    """Tell whether the tone changes beyond a path: then that is no outer limit of a zone."""
    at = np.clip(np.rint(path.stations).astype(np.int64), 0, shown.stations - 1)
    windows = np.array([[round(end / shown.step_mm) for end in span] for span in BEYOND_MM])
    level, share = shown.over_at(at, windows)
    known = share.min(axis=1) > 0.5
    if np.count_nonzero(known) < 0.3 * len(at):
        return False
    return abs(median(level[known, 1] - level[known, 0])) > CHANGED * abs(path.support.step)


def _beside(inner: Candidate, strongest: Candidate) -> bool:
    """Tell whether two paths are about as far apart everywhere, their ends left out."""
    count = len(inner.stations)
    apart = (strongest.stations - inner.stations)[int(0.15 * count) : int(0.85 * count)]
    low, middle, high = (quantile(apart, share) for share in (0.2, 0.5, 0.8))
    return low > 0.5 * INNER_GAP_MM / inner.frame.step_mm and high - low < 1.5 * middle


def gradual(within: Sequence[Candidate], difference: float) -> bool:
    """Tell whether the tone changes by a difference up to a path without a boundary on the way that shows it."""
    return not any(
        c.support.step * difference > GRADUAL_SHARE * difference**2 and c.support.seen > GRADUAL_SEEN for c in within
    )


def reaches_weld_metal(path: Candidate, shown: Strip, core: float | None) -> bool:
    """Tell whether all that lies within a path has the very tone of weld metal: no zone that stands out lies there."""
    if core is None:
        return False
    most = 0.5 * RIVAL_SHARE * abs(path.support.step)
    if abs(path.support.inside - core) >= most:
        return False
    wide = max(1, round(WITHIN_MM / shown.step_mm))
    ends = -max(1, round(GAP_MM / shown.step_mm)) - wide * np.arange(WINDOWS)
    at = np.clip(np.rint(path.stations).astype(np.int64), 0, shown.stations - 1)[len(path.stations) // 8 : -1 : 2]
    rows = np.arange(len(path.stations))[len(path.stations) // 8 : -1 : 2]
    level, share = replace(shown, sums=shown.sums[:, rows]).over_at(at, np.column_stack([ends - wide + 1, ends]))
    for values, known in zip(level.T, (share > 0.5).T, strict=True):
        if np.count_nonzero(known) > 0.5 * len(at) and abs(median(values[known]) - core) >= most:
            return False
    return True
