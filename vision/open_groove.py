"""A prepared joint in an open profile: two plates in line, and between them faces that go down to a root.

A line on one side shows outside surfaces and bevels. The root faces stand along the light and the inside lies in the
dark, so a bevel is taken to where it is last seen: that is its edge with the root face.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from core.geometry import Line, Points, step_lengths
from core.medians import median
from vision.groove_ends import ON_LINE_MM, ROUNDING_MM, WIDE_STEPS
from vision.member_ends import NEAR_END, along_face, before_rise, before_the_gap, gap_in_face, least_gap_mm, members_end
from vision.runs import Run, turn_deg
from vision.square_gap import Chosen, gap_among
from vision.strip_in_gap import ends_above_strip

LARGEST_PEAKING_DEG = 12.0
LEAST_TURN_DEG = 15.0
"""Faces of a preparation go down at least this steeply; a hollow weld does not."""

MUCH_LONGER, IN_LINE_DEG, IN_LINE_MM = 2.0, 2.5, 0.5
"""A surface so many times longer than the nearest outside surface of a groove, turned or offset against it by more than
the others, is a plate of its own."""

MOST_STRAY, FEWEST_TO_A_STRAY = 2, 30
"""So many points of a groove, and one of so many, may lie above its surfaces, or below: sparks at an edge."""

ROUNDED_BEFORE, ROUNDED_BEHIND = 3, 14
"""Points before and behind the end of a straight run within which its surface ends."""

LEAST_DEPTH_MM = 0.8
LEAST_FACE_SHARE = 0.25
"""A bevel reaches over at least this share of the depth."""


@dataclass(frozen=True, slots=True, eq=False)
class OpenGroove:
    """Runs of a groove in the order of the profile: outside left, faces down, faces up, outside right.

    ``end_left`` and ``end_right`` index the last points of the members, at the root. ``square_gap`` is where two square
    edges were taken to lie, and where else they may.
    """

    outside_left: Run
    outside_right: Run
    faces_left: tuple[Run, ...]
    faces_right: tuple[Run, ...]
    end_left: int
    end_right: int
    score: float
    square_gap: Chosen | None = None


def find_open_groove(points: Points, runs: Sequence[Run]) -> OpenGroove | None:
    """Return the groove of an open profile (N, 2) with air above, None where there is none."""
    best: OpenGroove | None = None
    for left in runs:
        for right in runs:
            if right.start <= left.stop or abs(turn_deg(left.line, right.line)) > LARGEST_PEAKING_DEG:
                continue
            found = _between(points, runs, left, right)
            if found is None or (best is not None and found.score <= best.score):
                continue
            if not any(_goes_on_otherwise(points, run, left, right) for run in runs):
                best = found
    return best


def _goes_on_otherwise(points: Points, run: Run, left: Run, right: Run) -> bool:
    """Tell whether beyond the outside surfaces of a groove lies a much longer one that is not in line with its own.

    It is a plate then, and what was taken for the groove the undercut beside a cap, or a step.
    """
    near = right if run.start >= right.stop else left if run.stop <= left.start else None
    if near is None or run.length < MUCH_LONGER * near.length:
        return False
    end = points[run.start if near is right else run.stop]
    return abs(turn_deg(near.line, run.line)) > IN_LINE_DEG or abs(float(near.line.offset(end))) > IN_LINE_MM


def find_square_gap(points: Points, runs: list[Run]) -> OpenGroove | None:
    """Return two square edges with a gap between them, where a person has said that the joint is a groove.

    From one side they show nothing but two surfaces and the dark between. A plate with points missing looks the same:
    where there are several such places the surfaces tell which it is, or the width of the gap stays open.
    """
    steps = step_lengths(points)
    wide = np.flatnonzero(steps > least_gap_mm(median(steps)))
    if len(wide) == 0:
        return None
    chosen = gap_among(points, wide.tolist())
    if chosen is None or chosen.place.width(points) > WIDEST_SQUARE_MM:
        return None
    first, last = chosen.place.first, chosen.place.last - 1
    runs = [piece for run in runs for piece in _parted(points, run, first) if piece.stop - piece.start >= FEWEST_POINTS]
    left = [run for run in runs if run.stop <= first + NEAR_END]
    right = [run for run in runs if run.start >= last + 1 - NEAR_END]
    if not left or not right:
        return None
    one, other = (max(side, key=lambda run: run.length) for side in (left, right))
    left_stop, right_start = one.stop, other.start
    one, other = replace(one, stop=max(one.stop, first)), replace(other, start=min(other.start, last + 1))
    offset = abs(float(one.line.offset(points[last + 1])))
    if abs(turn_deg(one.line, other.line)) > LARGEST_PEAKING_DEG or offset > MOST_SQUARE_OFFSET_MM:
        return None
    # The surfaces end at the gap, but for what a thick line may round.
    beside = (
        (one.line, points[left_stop : first + 1 - NEAR_END]),
        (other.line, points[last + 1 + NEAR_END : right_start]),
    )
    if any(not _ends_on(line, part, towards) for (line, part), towards in zip(beside, (-1, 1), strict=True)):
        return None
    return OpenGroove(one, other, (), (), first, last + 1, one.length + other.length, chosen)


def _ends_on(line: Line, part: Points, towards: int) -> bool:
    """Tell whether a surface lies on its line up to the gap; sparks may stand on it, not at the gap."""
    off = np.flatnonzero(np.abs(line.offset(part[::towards])) > ON_LINE_MM)
    return len(off) == 0 or (int(off[0]) >= FEWEST_POINTS and len(off) <= SPARKS_SHARE * len(part))


def _parted(points: Points, run: Run, at: int) -> list[Run]:
    """Return a run in two where it goes on over missing points, each with the line that both lie on."""
    if not run.start < at < run.stop - 1:
        return [run]
    ends = ((run.start, at), (at + 1, run.stop))
    return [
        replace(run, start=start, stop=stop, length=float(np.hypot(*(points[stop] - points[start]))))
        for start, stop in ends
    ]


FEWEST_POINTS = 12
"""A surface of fewer points does not tell its line."""

SPARKS_SHARE = 0.2
"""So much of a surface beside a gap may be sparks on it."""

WIDEST_SQUARE_MM, MOST_SQUARE_OFFSET_MM = 8.0, 4.0


def _between(points: Points, runs: Sequence[Run], left: Run, right: Run) -> OpenGroove | None:
    inner = points[left.stop : right.start + 1]
    if len(inner) < 6:
        return None
    above_left, above_right = left.line.offset(inner), right.line.offset(inner)
    # Below the lower surface, and nothing above the upper one: plates may be offset, a lap ends at its plate.
    stray = min(MOST_STRAY, len(inner) // FEWEST_TO_A_STRAY)
    deepest = float(-np.sort(np.maximum(above_left, above_right))[stray])
    highest = float(np.sort(np.minimum(above_left, above_right))[-1 - stray])
    width = float(np.hypot(*(inner[-1] - inner[0])))
    if deepest < LEAST_DEPTH_MM or highest > 0.3 or deepest < 0.1 * width:
        return None
    if min(left.length, right.length) < 0.1 * width:
        return None
    within = [run for run in runs if run.start >= left.stop - 2 and run.stop <= right.start + 2]
    within = before_the_gap(points, within, left)
    down = tuple(run for run in within if -160 <= turn_deg(left.line, run.line) <= -LEAST_TURN_DEG)
    up = tuple(run for run in within if LEAST_TURN_DEG <= turn_deg(right.line, run.line) <= 160)
    if not (down or up) or (down and up and down[-1].stop > up[0].start + 2):
        return None
    # A square edge shows no face: its side then goes over into the dark at once.
    if (not down and not _dark_after(points, left.stop)) or (not up and not _dark_after(points, right.start - 1)):
        return None
    if any(side and sum(run.length for run in side) < LEAST_FACE_SHARE * deepest for side in (down, up)):
        return None
    # The bevel begins where the plate ends: nothing of another kind lies between.
    if down and not _follows(points, left, down[0], down[0].stop - left.stop):
        return None
    if up and not _follows(points, up[-1], right, right.start - up[-1].start):
        return None
    strip = ends_above_strip(points, within, left, right, down[-1], up[0]) if down and up else None
    gap = gap_in_face(points, down[-1], up[0], left, right) if down and up and strip is None else None
    if strip is not None:
        end_left, end_right = strip
    elif gap is not None:
        # The faces of both members happen to lie in line across it.
        down, up = _ended(down, 0, gap), _ended(up, gap + 1, len(points))
        if not (down and up):
            return None
        end_left, end_right = gap, gap + 1
    else:
        end_left, end_right = _members_end(points, left, right, down, up)
    return OpenGroove(left, right, down, up, end_left, end_right, left.length + right.length - 0.1 * width)


def _members_end(points: Points, left: Run, right: Run, down: tuple[Run, ...], up: tuple[Run, ...]) -> tuple[int, int]:
    """Return the last points of both members, at the root."""
    stop, start = down[-1].stop if down else left.stop, up[0].start if up else right.start
    end_left, end_right = members_end(points, stop, start)
    if down:
        end_left = along_face(points, down[-1], end_left, end_right, step=1)
        end_left = before_rise(points, left, down[-1].stop, end_left, step=1)
    if up:
        end_right = along_face(points, up[0], end_right, end_left, step=-1)
        end_right = before_rise(points, right, up[0].start, end_right, step=-1)
    return end_left, end_right


def _ended(faces: tuple[Run, ...], first: int, last: int) -> tuple[Run, ...]:
    """Return the faces as far as they lie between two points, without those of which too little is left."""
    cut = (replace(run, start=max(run.start, first), stop=min(run.stop, last)) for run in faces)
    return tuple(run for run in cut if run.stop - run.start >= NEAR_END)


def _follows(points: Points, first: Run, second: Run, reach: int) -> bool:
    """Tell whether a run follows another, of which the face takes up so many points with what lies between.

    A few points are rounded at a corner; more of them belong to one or the other, though they scatter more there.
    """
    if second.start - first.stop <= 0.3 * reach + 3:
        return True
    between = points[first.stop : second.start]
    away = np.minimum(np.abs(first.line.offset(between)), np.abs(second.line.offset(between)))
    return float(away.max()) < ROUNDING_MM


def _dark_after(points: Points, index: int) -> bool:
    """Tell whether a wide step lies within a few points of an index: a spark or the line's own width rounds an edge."""
    near = points[max(0, index - ROUNDED_BEFORE) : index + ROUNDED_BEHIND]
    steps = step_lengths(near)
    return bool(steps.max() > WIDE_STEPS * median(step_lengths(points)))
