"""Where a path along a plate leaves it for the face of a weld: at no pit, bead of spatter or wave of the plate."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from core.geometry import Points, arc_length, distance

WIDEST_SPATTER_MM = 1.5
"""A bump on a plate that is narrower than this, and falls below the plate line after it, is not where a face begins."""

STAYS_ON_PLATE_MM = 0.5
"""A surface that follows the plate line this far beyond a bump is plate again: the bump was no weld."""

LONG_LOW_MM = 1.0
"""What lies off the plate line by no more than two thresholds, and is no longer than this, is the plate's wander."""

STRAY_POINTS, STRAY_SHARE = 3, 1.5
"""So few points off the plate line, by no more than so many thresholds, are scatter."""

MOST_BETWEEN = 0.5
"""What takes up so much of the way between the straight stretches of both plates is the face, and no pit beside it."""

WAVE_THRESHOLDS, LEAST_WAVE_MM = 2.0, 0.3
"""A plate that lies off its line by up to so many thresholds, over at least this length, before it turns sharply into a
steep face wanders, and the face begins at the turn."""

TURN_WITHIN_MM, TURNED_DEG, TURNED_TIMES = 0.4, 20.0, 4.0
"""Such a turn: over this length the face rises at so many degrees, and so many times as steeply as before."""

WIDEST_UNDERCUT_MM = 5.0
"""A hollow wider than this beside a rising face is the face itself (plates offset, face hollow), not undercut."""

FLATTEST_UNDERCUT = 0.06
"""A hollow flatter than this (depth over width) is the gentle beginning of a face, not a groove."""

HALF_OF_FACE, MOST_OF_FACE, STEEP_UNDERCUT = 0.5, 0.7, 0.12
"""An undercut is no wider than the first share of the face that rises beyond it, or the second where it is deeper than
the last number (depth over width): a weld that lacks metal beside a cap sinks gently."""

UNSEEN_MM = 0.3
"""Neighbouring points of a face or a plate farther apart than this leave open what lies between."""

LEAST_SWINGS = 2
"""So often points of disturbed light change from one side of a plate to the other."""

STAYS_SHARE = 0.2
"""What lies off the plate line was no weld where the surface then follows it for `STAYS_ON_PLATE_MM` and this share of
its length."""


def departure(
    path: Points,
    offset: Points,
    threshold: float,
    face_sign: int,
    between: tuple[int, int],
) -> tuple[int, int | None]:
    """Return on which side of the plate line the face goes, and the last index that is still on it."""
    if face_sign > 0:
        apex = int(np.argmax(offset))
        below = np.flatnonzero(offset[:apex] <= threshold)
        return 1, (_past_wave(path[:apex], offset[:apex], int(below[-1]), threshold) if len(below) else None)
    # A shallow cap may lie on either side: take the first departure that is not a pit or a spatter bead,
    # that is, after which the surface does not go on along the plate.
    length = arc_length(path)
    begin, face_stop = float(length[between[0]]), between[1]
    most = MOST_BETWEEN * (float(length[face_stop]) - begin)
    # Stretches above the plate line (1), below it (-1) and on it (0), each from an index to the next one's.
    side = (offset > threshold).astype(np.int8) - (offset < -threshold)
    starts = _starts(side)
    # A few points that scatter a little beyond it do not part a plate.
    for first, last in zip(starts, [*starts[1:], len(path)], strict=True):
        if side[first] and last - first <= STRAY_POINTS and np.abs(offset[first:last]).max() < STRAY_SHARE * threshold:
            side[first:last] = 0
    starts = _starts(side)
    # Nor do a few that scatter up to it part a hollow.
    for before, first, last in zip(starts, starts[1:], starts[2:], strict=False):
        if side[first] == 0 and last - first <= STRAY_POINTS and side[before] == side[last] < 0:
            side[first:last] = side[before]
    starts = _starts(side)
    sides = [*side[starts].tolist(), 0, 0]
    stops = [*starts[1:], len(path), len(path)]
    past = _past_dropouts(path, sides, starts, between[0])
    resumed = 0
    for at, index in enumerate(starts):
        resumed = max(resumed, past.get(at, 0))
        if sides[at] == 0 or at < resumed:
            continue
        end = stops[at]
        if end == len(path):
            return sides[at], max(0, index - 1)
        # Where the surface goes on after it has lain on the plate line, if it comes back to that at once, and where to.
        on = sides[at + 1] == 0
        resume, then = (stops[at + 1], sides[at + 2]) if on else (end, sides[at + 1])
        on_plate = float(length[min(resume, len(path) - 1)] - length[end])
        peak = float(np.abs(offset[index:end]).max())
        extent = float(length[end] - length[index])
        # Of what lies between the plates' straight stretches the face takes up the most, however much plate is seen.
        shared = min(float(length[end]), float(length[face_stop])) - max(float(length[index]), begin)
        wide = extent > 0.15 * float(length[-1]) or shared > max(most, LONG_LOW_MM)
        # a long dip that ends in a gentle crossing is within the threshold for a while, too
        stays = STAYS_ON_PLATE_MM + STAYS_SHARE * extent
        if wide or (on_plate < stays and (peak > 2.0 * threshold or extent > LONG_LOW_MM)):
            if sides[at] > 0:
                # Before a groove, beyond which the face rises, it is a bead of spatter on its rim; where nothing rises
                # any more it is the face itself, which runs down to a plate that lies lower.
                later = zip(sides[at + 2 :], starts[at + 2 :], strict=False)
                rises = any(side > 0 for side, begins in later if begins < face_stop)
                if wide or then >= 0 or extent > WIDEST_SPATTER_MM or not rises:
                    return 1, max(0, index - 1)
                continue
            face_ahead = float(length[min(face_stop, len(path) - 1)] - length[end])
            across = distance(path[end], path[index])  # a deep groove is longer than it is wide
            flattest, widest = FLATTEST_UNDERCUT, HALF_OF_FACE
            if across > HALF_OF_FACE * face_ahead:
                flattest, widest = STEEP_UNDERCUT, MOST_OF_FACE
            narrow = across < WIDEST_UNDERCUT_MM and across < widest * face_ahead and peak > flattest * across
            if narrow and then > 0:
                # A groove that comes up again beside the face: the face crosses the plate line there.
                crossing = end + int(np.argmax(offset[end : resume + 1] > 0))
                return 1, max(0, crossing - 1)
            return -1, max(0, index - 1)
    return 0, None


def _past_dropouts(path: Points, sides: list[int], starts: list[int], begin: int) -> dict[int, int]:
    """Return for the stretch at which light of a plate is disturbed the one from which the plate is seen again.

    Where a line is dim, or ends for a while, its points stray to both sides of the plate: none of the stretches next to
    each other is followed by plate at once, all of them together are. Within the plate's own straight stretch (it ends
    at index ``begin``) they may be many; beyond it points are missing among them or before them, and they are no longer
    than spatter, or twice that where they go from side to side in turn and the plate behind is as long.
    """
    steps = np.hypot(*np.diff(path, axis=0).T)
    gap = steps > UNSEEN_MM
    seen = np.concatenate([[0.0], np.cumsum(np.where(gap, 0.0, steps))]).tolist()
    gaps = np.concatenate([[0], np.cumsum(gap)]).tolist()
    stops = [*starts[1:], len(path)]
    past: dict[int, int] = {}
    for at, index in enumerate(starts):
        if sides[at] == 0:
            continue
        for then in range(at + 2, len(starts)):
            extent = seen[starts[then]] - seen[index]
            within = starts[then] <= begin
            if not within and extent > 2.0 * WIDEST_SPATTER_MM:
                break
            enough = STAYS_ON_PLATE_MM + STAYS_SHARE * extent
            if not within and extent > WIDEST_SPATTER_MM:
                turns = np.count_nonzero(np.diff([side for side in sides[at:then] if side]))
                enough = max(enough, extent) if turns >= LEAST_SWINGS else math.inf
            if sides[then] != 0 or seen[stops[then] - 1] - seen[starts[then]] < enough:
                continue
            if within or gaps[starts[then]] > gaps[max(index - 1, 0)]:
                past[at] = then
            break
    return past


def _past_wave(path: Points, offset: Points, leave: int, threshold: float) -> int:
    """Return the last index before a steep face, past a low wave of the plate in front of it; else ``leave``."""
    low = np.flatnonzero(offset[leave:] <= WAVE_THRESHOLDS * threshold)
    turn = leave + int(low[-1])
    way = distance(path[turn], path[leave])
    if way < LEAST_WAVE_MM:
        return leave
    beyond = np.flatnonzero(np.hypot(*(path[turn:] - path[turn]).T) >= TURN_WITHIN_MM)
    if len(beyond) == 0:
        return leave
    rise = (offset[turn + int(beyond[0])] - offset[turn]) / TURN_WITHIN_MM
    before = (offset[turn] - offset[leave]) / way
    return turn if rise > max(math.sin(math.radians(TURNED_DEG)), TURNED_TIMES * before) else leave


def _starts(side: NDArray[np.int8]) -> list[int]:
    """Return where stretches of one side begin, the first at 0."""
    return [0, *(np.flatnonzero(side[1:] != side[:-1]) + 1).tolist()]
