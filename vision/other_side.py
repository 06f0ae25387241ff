"""Whether the other side of the plates of a butt weld shows more of a weld than the one that was taken for its face.

Where stains, ink or something that touches the plates hide parts of the surfaces beside a cap, no weld is recognised
there, and the root on the clear side passes for the face.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from core.geometry import Points
from vision.butt_pairs import ButtPair
from vision.joints import opposite_run, path_between
from vision.runs import Run
from vision.section import Flag

HIGHER = 1.2
"""The other side rises so many times higher than the face before that is told."""

BEHIND = 3.0
"""A bead behind another is looked for over so many times the other's width."""

OTHER_SIDE = Flag(
    "other_side_higher",
    "the other side of the plates rises by more than this one, and no weld was recognised on it (something hides parts "
    "of its surfaces): this may be the root side; look at the overlay, and mark toes and plates where the face is",
)


FACE_OF_TWO = Flag(
    "face_side_assumed",
    "both sides show beads of about one width: the upper one in the picture was taken for the face; if it is the root, "
    "turn the picture over",
)

FACE_OF_ONE = Flag(
    "face_side_assumed",
    "a weld was recognised on this side alone, and it was taken for the face; behind a face that was ground flush the "
    "root looks the same",
)


def rises_more_behind(
    points: Points, cut: NDArray[np.bool_], runs: Sequence[Run], face: ButtPair, tolerance_mm: float
) -> bool:
    """Tell whether a closed outline (N, 2) rises over the other side of the plates by more than over the face."""
    first, second = (opposite_run(points, run, list(runs)) for run in (face.second, face.first))
    if first is second:
        return False
    if first is not None and second is not None:
        rise = _rise_between(points, cut, first, second)
    else:
        rise = _rise_beside(points, cut, first or second, BEHIND * face.width, ahead=second is None)
    return rise > HIGHER * max(face.rise, 0.0) + tolerance_mm


def _rise_between(points: Points, cut: NDArray[np.bool_], first: Run, second: Run) -> float:
    """Return how high an outline rises between two plates, over both lines: plates may be offset or bent."""
    path = path_between(points, first, second, closed=True)
    if path is None or cut[path].any():
        return 0.0
    behind = points[path]
    return float(np.minimum(first.line.offset(behind), second.line.offset(behind)).max())


def _rise_beside(points: Points, cut: NDArray[np.bool_], plate: Run | None, reach_mm: float, *, ahead: bool) -> float:
    """Return the same beside the one plate that is seen: a narrow picture may end with the bead of the other."""
    if plate is None:
        return 0.0
    count = len(points)
    order = np.arange(plate.stop, plate.stop + count) if ahead else np.arange(plate.start, plate.start - count, -1)
    order %= count
    behind = points[order[: int(np.argmax(cut[order]))]]  # up to the border of the picture, if the part reaches it
    if len(behind) == 0:
        return 0.0
    within = np.abs(plate.line.along(behind) - plate.line.along(behind[0])) < reach_mm
    return float(plate.line.offset(behind[within]).max(initial=0.0))
