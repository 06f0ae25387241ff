"""Whether an outline follows the edge of metal: its contrast, and whether it is sharp all round."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.outline import MOST_UNSHARP, Outline

FAINT_LEVELS = 25.0
LEAST_ONE_WAY, LEAST_ONE_WAY_FAINT = 0.8, 0.97
"""Share of the outline with the usual contrast (`Outline.one_way`); nearly all, where it could be grain."""

LEAST_STEADY, MOST_SOFT_STEADY = 0.995, 0.003
"""Share of the outline with contrast of the usual sign beyond any chance (`Outline.steady`), and of what is no sharp
edge, where a shadow takes contrast: an outline that leaves the metal for the shadow has 0.01 without either."""

LEAST_ALIKE = 0.6
"""Contrast of one member of an open joint over that of the other."""


def is_edge_of_metal(outline: Outline) -> bool:
    """Tell whether an outline stands out from one background, and is not drawn through grain.

    A shadow on the background leaves less contrast to a part of it, but some nearly everywhere.
    """
    steady = outline.steady >= LEAST_STEADY and outline.soft is not None and outline.soft.mean() <= MOST_SOFT_STEADY
    if steady and abs(outline.contrast) >= FAINT_LEVELS:
        return True
    return outline.one_way >= (LEAST_ONE_WAY if abs(outline.contrast) >= FAINT_LEVELS else LEAST_ONE_WAY_FAINT)


def are_alike(outlines: Sequence[Outline]) -> bool:
    """Tell whether the members of an open joint stand out by about the same, as two pieces of one metal do."""
    contrasts = [outline.contrast for outline in outlines]
    return min(contrasts) * max(contrasts) > 0 and min(map(abs, contrasts)) >= LEAST_ALIKE * max(map(abs, contrasts))


LEAST_SEEN, MOST_TURNS = 0.85, 8
"""Share of an outline drawn along sharp edges where one is seen, and how often the brighter side may change on the way
round: each shadow of one lamp begins and ends once, a step in the outline doubles that."""

FAINTEST, AROUND_PX, SHORTEST_PX = 0.12, 8.0, 40.0
"""Step at an edge, over that at most of it, below which the slope of a shadow moves it; how far that reaches along it;
and length of a stretch between two without an edge that is no chance (a border inside the metal, a shadow's own)."""


def seen_edge(outline: Outline) -> NDArray[np.bool_]:
    """Return where an outline follows a clear and sharp edge, whichever side is the brighter one, (N,)."""
    if outline.seen is None or outline.soft is None or outline.steps is None:
        return np.ones(len(outline.points_px), bool)
    steps = np.abs(outline.steps)
    usual = float(np.median(steps[~outline.cut])) if not outline.cut.all() else 0.0
    lost = ~outline.seen | outline.soft | (steps < FAINTEST * usual)
    lost = _wider(lost, round(AROUND_PX / outline.step_px))
    # Short stretches between lost ones: closing by half their length.
    half = round(0.5 * SHORTEST_PX / outline.step_px)
    return ~(~_wider(~_wider(lost, half), half) | lost)


def _wider(marked: NDArray[np.bool_], by: int) -> NDArray[np.bool_]:
    """Return marks on a ring, (N,), that reach so many places farther on both sides."""
    if by < 1 or len(marked) <= 2 * by:
        return marked
    ring = np.concatenate([marked[-by:], marked, marked[:by]]).astype(np.uint8)
    return np.asarray(cv2.dilate(ring[None], np.ones((1, 2 * by + 1), np.uint8))[0][by:-by] > 0)


def is_sharp_all_round(outline: Outline) -> bool:
    """Tell whether an outline runs along sharp edges, whichever side is the brighter one."""
    if outline.steps is None or outline.unsharp > MOST_UNSHARP or outline.cut.all():
        return False
    inner = ~outline.cut
    seen = seen_edge(outline) & inner
    if not seen.any() or seen.sum() < LEAST_SEEN * inner.sum():
        return False
    signs = np.sign(outline.steps[seen])
    turns = int(np.count_nonzero(signs != np.roll(signs, 1)))
    return turns <= MOST_TURNS and float(np.median(np.abs(outline.steps[seen]))) >= FAINT_LEVELS


def is_lost_in_shadow(outline: Outline) -> bool:
    """Tell whether much of an outline that was drawn around one tone has a shadow of that tone beside it."""
    return (
        abs(outline.contrast) >= FAINT_LEVELS
        and outline.one_way < LEAST_ONE_WAY_FAINT
        and outline.steady < LEAST_STEADY
    )
