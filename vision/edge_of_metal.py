"""Whether an outline follows the edge of metal: its contrast, where it is soft, whether it is sharp all round."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from core.geometry import Points
from vision.outline import MOST_UNSHARP, Outline
from vision.section import Section

FAINT_LEVELS = 25.0
LEAST_ONE_WAY, LEAST_ONE_WAY_FAINT = 0.8, 0.97
"""Share of the outline with the usual contrast (`Outline.one_way`); nearly all, where it could be grain."""

LEAST_STEADY, MOST_SOFT_STEADY = 0.995, 0.003
"""Share of the outline with contrast of the usual sign beyond any chance (`Outline.steady`), and of what is no sharp
edge, where a shadow takes contrast: an outline that leaves the metal for the shadow has 0.01 without either."""

LEAST_ALIKE = 0.6
"""Contrast of one member of an open joint over that of the other."""

MOST_SOFT = 0.3
"""Share of a plate surface that may follow a soft rim; a plate of glare is soft all along."""

BESIDE_MM = 3.0
"""How far from a toe undercut is looked for."""

AT_TOE_MM, SOFT_TOE = 1.0, 0.2
"""So near a toe, and from this share of the face there on, the outline follows a soft rim to the toe: drawn sections on
plain grounds have none there, where an outline left the metal for a shadow 0.4 to 0.7 of it is soft."""

TOLD_SOFT = 0.02
"""Share of face and plates from which a soft rim is told."""

_SAMPLED = 60


def is_edge_of_metal(outline: Outline) -> bool:
    """Tell whether an outline stands out from one background, and is not drawn through grain.

    A shadow on the background leaves less contrast to a part of it, but some nearly everywhere.
    """
    steady = outline.steady >= LEAST_STEADY and outline.soft is not None and outline.soft.mean() <= MOST_SOFT_STEADY
    if steady and abs(outline.contrast) >= FAINT_LEVELS:
        return True
    return outline.one_way >= (LEAST_ONE_WAY if abs(outline.contrast) >= FAINT_LEVELS else LEAST_ONE_WAY_FAINT)


@dataclass(frozen=True, slots=True)
class Softness:
    """How much of a weld's outline follows a soft rim, as shares of points.

    Attributes
    ----------
    plate
        Of the worse plate surface of the face side.
    all
        Of everything the section rests on.
    beside_left, beside_right
        Of the plate next to each toe of the face side.
    root_side
        Of the root side of a butt weld.
    at_left, at_right
        Of the face next to each toe.
    """

    plate: float
    all: float
    beside_left: float
    beside_right: float
    root_side: float
    at_left: float
    at_right: float


def softness(section: Section, outlines: Sequence[tuple[Points, Outline]]) -> Softness | None:
    """Return where the outline of a weld is soft, None where it is nowhere.

    Parameters
    ----------
    outlines
        Points of each outline in mm, and the outline.
    """
    soft = np.vstack([each[o.soft] for each, o in outlines if o.soft is not None] or [np.empty((0, 2))])
    if section.face is None or len(soft) == 0:
        return None
    step = max(float(np.median(np.hypot(*np.diff(each[:200], axis=0).T))) for each, _ in outlines)

    def share(part: Points) -> float:
        some = part[:: max(1, len(part) // _SAMPLED)]
        if len(some) == 0:
            return 0.0
        away2 = np.square(some[:, None, 0] - soft[None, :, 0]) + np.square(some[:, None, 1] - soft[None, :, 1])
        return float(np.mean(away2.min(axis=1) < step**2))

    left, right = section.face.left.points, section.face.right.points
    beside = [share(plate[np.hypot(*(plate - plate[0]).T) < BESIDE_MM]) for plate in (left, right)]
    face = section.face.face
    at = [share(face[np.hypot(*(face - toe).T) < AT_TOE_MM]) for toe in (section.face.toe_left, section.face.toe_right)]
    root = section.root_side
    back = (
        0.0 if root is None else float(np.mean([share(root.face), share(root.left.points), share(root.right.points)]))
    )
    plates = [share(left), share(right)]
    everything = float(np.mean([*plates, share(face), back]))
    return Softness(max(plates), everything, beside[0], beside[1], back, at[0], at[1])


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
