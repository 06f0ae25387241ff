"""Butt welds of plates of unequal thickness: the thicker one tapers to the weld, its taper is the surface there.

Its own surface lies beyond the taper, and cap and taper together would pass for one wide bead.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Literal

import numpy as np

from core.geometry import Line, Points
from vision.butt_pairs import ButtPair
from vision.joints import opposite_run
from vision.runs import Run, turn_deg
from vision.section import Flag
from vision.untold_toe import of_toe

TAPER_DEG = (4.0, 45.0)
"""A taper leaves its plate's surface at such an angle: 1 in 2.5 or gentler (codes, from memory), 1 in 1 is seen."""

NEXT_MM = 1.0
"""The surface of the plate begins so near the end of its taper: its corner may be rounded."""

ALONG_DEG = 8.0
"""Angle between the surfaces of both plates, beyond which a corner of some other shape is seen."""

LEAST_STEP = 4.0
"""A plate with a taper lies higher than the other by so many tolerances of a straight run at least."""

THICKER = 0.5
"""A plate that lies higher at the face is thicker by this share of the step at least: misaligned plates are not."""

LEAST_TAPER_MM, LEAST_TAPER_POINTS, LEAST_SEEN_MM = 1.5, 52, 0.5
"""A shorter stretch, or one of fewer points, has no line that can be told, and the wall of an undercut is as long: it
may be what a weld has left of a taper, unless it is shorter than the last."""

UNLIKE_ARC, LIKE_ARC = 2.0, 1.4
"""Where a taper ends its toe is a corner: beyond it the face departs from the taper's line by so many times what it
would if it went on as the taper is bent. A facet of a round or hollow face goes on as it is bent; between the two
nobody can tell."""

FEWEST_POINTS = 8
FLATTEST = 8.0
"""Part of a tolerance of a straight run that a straight stretch may always be bent by."""

TAPERED = (
    "the {} plate tapers towards the weld: the taper is taken for its surface there, and its angle is no angular "
    "misalignment of the plates"
)
SUSPECTED = (
    "the {} plate is the thicker one, and a straight stretch beside it slopes to the weld: it may be what the weld has "
    "left of a taper of that plate, or weld; where the weld ends on it cannot be told"
)
OF_ROOT_SIDE = ("root_width", "root_reinforcement", "root_concavity", "root_misalignment")
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
        # The run of the pair may be the plate behind a taper, or the taper itself.
        places = [(taper, plate) for taper in _next_to(runs, plate, count, near, before=at_second)]
        places += [(plate, behind) for behind in _next_to(runs, plate, count, near, before=not at_second)]
        for taper, behind in places:
            if other in (taper, behind) or not _leaves(taper, behind, at_second):
                continue
            told = _told_by(points, runs, taper, behind, other, at_second, tolerance_mm)
            if told == "doubt" and taper is not plate:
                pair = replace(pair, doubt_second=True) if at_second else replace(pair, doubt_first=True)
            if told != "taper":
                continue
            inner = pair if taper is plate else pairing(other, taper) if at_second else pairing(taper, other)
            if inner is not None:
                beyond = (pair.beyond_first, behind) if at_second else (behind, pair.beyond_second)
                pair = replace(inner, score=pair.score, beyond_first=beyond[0], beyond_second=beyond[1])
                break
    return pair


def _next_to(runs: Sequence[Run], run: Run, count: int, near: int, *, before: bool) -> list[Run]:
    """Return the runs that end where another begins, or begin where it ends."""
    if before:
        return [one for one in runs if one is not run and (run.start - one.stop) % count <= near]
    return [one for one in runs if one is not run and (one.start - run.stop) % count <= near]


def _leaves(taper: Run, plate: Run, at_second: bool) -> bool:
    """Tell whether the outline turns around metal between a taper and its plate, as it does at no toe."""
    turn = turn_deg(taper.line, plate.line) if at_second else turn_deg(plate.line, taper.line)
    return TAPER_DEG[0] <= -turn <= TAPER_DEG[1] and not (taper.cut or plate.cut)


def _told_by(
    points: Points, runs: Sequence[Run], taper: Run, plate: Run, other: Run, at_second: bool, tolerance_mm: float
) -> Literal["taper", "doubt", "face"]:
    """Return what a run beside a plate is: its taper, part of the face, or either."""
    if abs(turn_deg(plate.line, other.line)) >= ALONG_DEG or taper.length < LEAST_SEEN_MM:
        return "face"
    count = len(points)
    inner, outer = (taper.start, taper.stop) if at_second else (taper.stop, taper.start)
    step, low = (float(other.line.offset(points[end % count])) for end in (outer, inner))
    if step < LEAST_STEP * tolerance_mm or low < -0.5 * step:
        return "face"
    thickness, others = _thickness(points, runs, plate), _thickness(points, runs, other)
    if thickness is not None and others is not None and thickness - others < THICKER * step:
        return "face"
    corner = _corner(points, taper, other, at_second, tolerance_mm)
    if corner < LIKE_ARC:
        return "face"
    long = taper.length >= LEAST_TAPER_MM and taper.stop - taper.start >= LEAST_TAPER_POINTS
    return "taper" if long and corner > UNLIKE_ARC else "doubt"


def _thickness(points: Points, runs: Sequence[Run], plate: Run) -> float | None:
    """Return how far the other side of a plate lies behind it, None where it is not seen."""
    back = opposite_run(points, plate, list(runs))
    if back is None:
        return None
    return -float(plate.line.offset(points[back.indices(len(points))[[0, -1]]]).mean())


def _corner(points: Points, taper: Run, other: Run, at_second: bool, tolerance_mm: float) -> float:
    """Return how far the outline leaves a straight run at its inner end, over what it would if it went on as bent."""
    count = len(points)
    ends = (other.stop, taper.start) if at_second else (taper.stop, other.start)
    way = points[(ends[0] + np.arange((ends[1] - ends[0]) % count + 1)) % count]
    own = points[taper.indices(count)]
    way, own = (way[::-1], own) if at_second else (way, own[::-1])
    line = Line.through(own[0], own[-1])  # from the inner end of the taper to its plate
    own = own[len(own) // 12 : len(own) - len(own) // 12]
    x, y = line.along(own), line.offset(own)
    if len(x) < FEWEST_POINTS:
        return 0.0
    straight, bent = np.polyfit(x, y, 1), np.polyfit(x, y, 2)
    spread = float(np.std(y - np.polyval(bent, x)))
    bend = abs(float(bent[0])) * taper.length**2 / 4 + max(spread, tolerance_mm / FLATTEST)
    away = -line.along(way)
    off = line.offset(way) - np.polyval(straight, -away)
    reach = min(taper.length, 0.6 * float(away.max()))
    far = (away > 0.5 * reach) & (away < reach)
    if not far.any():
        return 0.0
    share = 0.75 * reach / taper.length
    # A parabola of this sagitta, from the line through it to so many lengths beyond its end.
    expected = 4 * bend * (share**2 + share + 1 / 6)
    return float(np.median(np.abs(off[far]))) / expected


def told_tapers(face: ButtPair, back: ButtPair | None) -> tuple[tuple[Flag, ...], dict[str, str]]:
    """Return what is told of tapered plates, and the values that they leave without a meaning.

    Parameters
    ----------
    back
        The pair of the root side, whose first plate is the right one.
    """
    flags: tuple[Flag, ...] = ()
    unseen: dict[str, str] = {}
    for side, doubtful in (("left", face.doubt_first), ("right", face.doubt_second)):
        if doubtful:
            flags += (Flag("taper_suspected", SUSPECTED.format(side)),)
            unseen |= dict.fromkeys((*of_toe(side), "misalignment"), SUSPECTED.format(side))
    # Seen face up the root side runs the other way.
    behind = () if back is None else (("left", back.doubt_second), ("right", back.doubt_first))
    for side, doubtful in behind:
        if doubtful:
            flags += (Flag("taper_suspected", f"root side: {SUSPECTED.format(side)}"),)
            unseen |= dict.fromkeys(OF_ROOT_SIDE, SUSPECTED.format(side))
    on_face = {"left": face.beyond_first is not None, "right": face.beyond_second is not None}
    on_back = {
        "left": back is not None and back.beyond_second is not None,
        "right": back is not None and back.beyond_first is not None,
    }
    for side in ("left", "right"):
        if on_face[side] or on_back[side]:
            flags += (Flag("tapered_plate", TAPERED.format(side)),)
            unseen[f"thickness_{side}"] = OF_TAPER.format(side)
        if on_face[side]:
            unseen["angular_misalignment"] = (
                f"the {side} plate tapers towards the weld: its surface there shows no angle of the whole plate"
            )
    return flags, unseen
