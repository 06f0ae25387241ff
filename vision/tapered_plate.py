"""Butt welds of plates of unequal thickness: the thicker one tapers to the weld, its taper is the surface there.

Its own surface lies beyond the taper, and cap and taper together would pass for one wide bead.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from core.geometry import Points
from vision.butt_pairs import ButtPair
from vision.joints import path_between
from vision.runs import Run, turn_deg
from vision.section import Flag

TAPER_DEG = (4.0, 45.0)
"""A taper leaves its plate's surface at such an angle: 1 in 2.5 or gentler (codes, from memory), 1 in 1 is seen."""

NEXT_MM = 1.0
"""The surface of the plate begins so near the end of its taper: its corner may be rounded."""

ALONG_DEG = 8.0
"""Angle between the surfaces of both plates, beyond which a corner of some other shape is seen."""

ABOVE = 1.5
"""The face rises above its chord and the extended taper by so many tolerances of a straight run: facets of a round face
lie along it, a face that slopes from plate to plate does not rise at all, and one that is hollow falls below."""

TAPERED = (
    "the {} plate tapers towards the weld: the taper is taken for its surface there, and its angle is no angular "
    "misalignment of the plates"
)
OF_TAPER = "the {} plate tapers towards the weld: it has no one thickness there"

Pairing = Callable[[Run, Run], ButtPair | None]


def beside_tapers(
    points: Points, runs: Sequence[Run], pair: ButtPair, pairing: Pairing, tolerance_mm: float, step_mm: float
) -> ButtPair:
    """Return a pair of plates with the tapers beside the weld in their places, and what lies beyond these.

    Parameters
    ----------
    points
        (N, 2) closed outline.
    pairing
        Makes the pair of two runs, None where no weld can be between them.
    tolerance_mm
        How far points of a straight run lie off it.
    """
    count, near = len(points), max(2, round(NEXT_MM / step_mm))
    for at_second in (True, False):
        plate = pair.second if at_second else pair.first
        other = pair.first if at_second else pair.second
        for taper in _next_to(runs, plate, count, near, before=at_second):
            if taper is other or not _leaves(taper, plate, at_second):
                continue
            inner = pairing(other, taper) if at_second else pairing(taper, other)
            if inner is not None and _rises_above(points, inner, taper, ABOVE * tolerance_mm):
                beyond = (pair.beyond_first, plate) if at_second else (plate, pair.beyond_second)
                pair = replace(inner, beyond_first=beyond[0], beyond_second=beyond[1])
                break
        else:
            beyond_plate = _beyond(runs, plate, other, count, near, at_second)
            if beyond_plate is not None and _rises_above(points, pair, plate, ABOVE * tolerance_mm):
                pair = (
                    replace(pair, beyond_second=beyond_plate) if at_second else replace(pair, beyond_first=beyond_plate)
                )
    return pair


def _next_to(runs: Sequence[Run], run: Run, count: int, near: int, *, before: bool) -> list[Run]:
    """Return the runs that end where another begins, or begin where it ends."""
    if before:
        return [one for one in runs if one is not run and (run.start - one.stop) % count <= near]
    return [one for one in runs if one is not run and (one.start - run.stop) % count <= near]


def _leaves(taper: Run, plate: Run, at_second: bool) -> bool:
    """Tell whether the outline turns around metal between a taper and its plate, as it does at no toe."""
    turn = turn_deg(taper.line, plate.line) if at_second else turn_deg(plate.line, taper.line)
    return TAPER_DEG[0] <= -turn <= TAPER_DEG[1] and not taper.cut


def _beyond(runs: Sequence[Run], taper: Run, other: Run, count: int, near: int, at_second: bool) -> Run | None:
    """Return the surface behind a run that is itself the taper, in line with the other plate but for its height."""
    for plate in _next_to(runs, taper, count, near, before=not at_second):
        if _leaves(taper, plate, at_second) and abs(turn_deg(plate.line, other.line)) < ALONG_DEG and not plate.cut:
            return plate
    return None


def _rises_above(points: Points, pair: ButtPair, taper: Run, least: float) -> bool:
    path = path_between(points, pair.first, pair.second, closed=True)
    return pair.rise > least and path is not None and float(np.max(taper.line.offset(points[path]))) > least


def told_tapers(face: ButtPair, back: ButtPair | None) -> tuple[tuple[Flag, ...], dict[str, str]]:
    """Return what is told of tapered plates, and the values that they leave without a meaning.

    Parameters
    ----------
    back
        The pair of the root side, whose first plate is the right one.
    """
    on_face = {"left": face.beyond_first is not None, "right": face.beyond_second is not None}
    on_back = {
        "left": back is not None and back.beyond_second is not None,
        "right": back is not None and back.beyond_first is not None,
    }
    flags: tuple[Flag, ...] = ()
    unseen: dict[str, str] = {}
    for side in ("left", "right"):
        if on_face[side] or on_back[side]:
            flags += (Flag("tapered_plate", TAPERED.format(side)),)
            unseen[f"thickness_{side}"] = OF_TAPER.format(side)
        if on_face[side]:
            unseen["angular_misalignment"] = (
                f"the {side} plate tapers towards the weld: its surface there shows no angle of the whole plate"
            )
    return flags, unseen
