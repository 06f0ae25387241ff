"""A soft stretch of an outline, led along the sharp edge beside it: round a stain on the metal, or a glare.

A stain that is nearly as dark as the ground, or a glare nearly as bright as it, splits off from the metal with the
ground, and the outline runs round its soft rim. The edge of the metal goes on beside it, with less contrast and as
sharp as elsewhere, from where the outline leaves it to where it comes back.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from core.geometry import Points
from vision.edge import normals_of
from vision.outline import MOST_UNSHARP, Outline, refine_outline
from vision.tone import ToneCurve

LONGEST_SHARE = 0.08
"""Largest share of an outline that is led on: what is longer is the rim of a shadow, or another thing."""

MARGIN_PX, TANGENT_PX = 12.0, 24.0
"""Length of outline beside a soft stretch that leaves the edge already, and that tells its direction before that."""

REACH_PX, REACH_SHARE, FARTHEST_PX = 4.0, 0.04, 9.0
"""How far from the curve between the two ends the edge may lie: at least, as a share of their distance, at most."""

NEAREST_GAP_PX, FAINT = 20.0, 0.6
"""Soft stretches that lie nearer to one another are one, and so is with them what has less of the usual step: beside
the stain the outline still runs along its rim."""

FAINTER = 0.4
"""The same where all of a face has less of the usual step, being darker than its plates."""


def led_along_edge(
    gray: NDArray[np.uint8], outline: Outline, *, step_px: float | None = None, curve: ToneCurve = "linear"
) -> Outline:
    """Return an outline without the soft stretches beside which a sharp edge goes on.

    Parameters
    ----------
    gray
        (H, W) uint8, the picture in which the outline was followed.
    """
    if outline.soft is None or outline.steps is None or outline.blunt is None or outline.unsharp > MOST_UNSHARP:
        return outline
    stretches = _astray(outline, np.abs(outline.steps), outline.soft & ~outline.cut, outline.blunt)
    for _ in range(2):
        if not stretches:
            return outline
        drawn, reach = _with_curves(outline, stretches)
        led = refine_outline(gray, drawn, reach, step_px=step_px, curve=curve)
        sharp = [each for each in stretches if _is_sharp(led, outline, each)]
        if len(sharp) == len(stretches):
            return replace(led, led_on=True)
        stretches = sharp
    return outline


def _astray(
    outline: Outline, size: NDArray[np.float64], soft: NDArray[np.bool_], blunt: NDArray[np.bool_]
) -> list[tuple[int, int]]:
    """Return the stretches that may run round something, in order: first and last place, the last may lie beyond all.

    Those with something soft, and those that bite into the metal and have less of the usual step: the noise of a faint
    rim makes it as sharp for its step as an edge is, and so does the blur of a picture.

    Parameters
    ----------
    size, soft, blunt
        (N,) of each place of the outline, how large its step is, and whether it is soft or blunt.
    """
    inner = ~outline.cut
    usual = float(np.median(size[inner]))
    if not soft.any() and not (inner & (size < FAINT * usual)).any():
        return []
    margin, count = round(MARGIN_PX / outline.step_px), len(inner)
    found: list[tuple[int, int]] = []
    for least in (FAINT, FAINTER):
        along_rim = (soft | blunt | (size < least * usual)) & inner
        for first, last in _stretches(along_rim, round(NEAREST_GAP_PX / outline.step_px)):
            start = (first - margin) % count
            each = (start, start + last - first + 2 * margin)
            if each[1] - each[0] >= LONGEST_SHARE * count or any(_overlap(each, other, count) for other in found):
                continue
            here = np.arange(first, last + 1) % count
            if soft[here].any() or (last - first > margin and _bites(outline, each)):
                found.append(each)
    return sorted(found)


def _overlap(one: tuple[int, int], other: tuple[int, int], count: int) -> bool:
    """Tell whether two stretches of a ring of so many places have any in common."""
    return any(one[0] + turn <= other[1] and other[0] <= one[1] + turn for turn in (-count, 0, count))


def _bites(outline: Outline, stretch: tuple[int, int]) -> bool:
    """Tell whether a stretch lies farther inside the curve between its ends than an edge is looked for from there."""
    first, last = stretch
    curve, _ = _bridge(outline.points_px, outline.step_px, first, last)
    outwards = normals_of(curve)
    some = np.arange(first, last + 1, max(1, round(FARTHEST_PX / 3 / outline.step_px))) % len(outline.points_px)
    for point in outline.points_px[some]:
        away = point - curve
        nearest = int(np.argmin(np.square(away).sum(axis=1)))
        if float(away[nearest] @ outwards[nearest]) < -FARTHEST_PX:
            return True
    return False


def _stretches(marked: NDArray[np.bool_], gap: int) -> list[tuple[int, int]]:
    """Return the first and the last place of each stretch on a ring, short gaps closed; the last may lie beyond it."""
    places = np.flatnonzero(marked)
    if len(places) == 0 or len(places) == len(marked):
        return []
    # The ring is opened in the middle of its longest stretch without marks.
    ahead = np.diff(np.append(places, places[0] + len(marked)))
    places = np.roll(places, -int(np.argmax(ahead)) - 1)
    places = np.where(places < places[0], places + len(marked), places)
    ends = np.flatnonzero(np.diff(places) > gap)
    starts, stops = places[np.append(0, ends + 1)], places[np.append(ends, len(places) - 1)]
    return list(zip(starts.tolist(), stops.tolist(), strict=True))


def _with_curves(outline: Outline, stretches: list[tuple[int, int]]) -> tuple[Points, float]:
    """Return the points of an outline with a curve in the place of each stretch, and how far off its edge may lie."""
    # The ring is opened where the first curve begins.
    start = stretches[0][0]
    opened = np.roll(outline.points_px, -start, axis=0)
    pieces, longest, behind = [], 0.0, 0
    for first, last in ((first - start, last - start) for first, last in stretches):
        curve, chord = _bridge(opened, outline.step_px, first, last)
        pieces += [opened[behind : first + 1], curve]
        longest, behind = max(longest, chord), last
    return np.vstack([*pieces, opened[behind:]]), min(max(REACH_PX, REACH_SHARE * longest), FARTHEST_PX)


def _bridge(ring: Points, step_px: float, first: int, last: int) -> tuple[Points, float]:
    """Return a curve between two places of a ring in the directions it has there, and how far these are apart."""
    arm = round(TANGENT_PX / step_px)
    before, after = (
        ring[np.arange(first - arm, first + 1) % len(ring)],
        ring[np.arange(last, last + arm + 1) % len(ring)],
    )
    chord = float(np.hypot(*(after[0] - before[-1])))
    return _curve(before, after, max(2, round(chord / step_px))), chord


def _curve(before: Points, after: Points, count: int) -> Points:
    """Return ``count`` points between the last of one stretch and the first of another, with their directions there.

    The cubic of C. Hermite.
    """
    start, stop = before[-1], after[0]
    chord = float(np.hypot(*(stop - start)))
    leaving, coming = _direction(before, at_end=True), _direction(after, at_end=False)
    t = np.linspace(0.0, 1.0, count + 2)[1:-1, None]
    return np.asarray(
        (2 * t**3 - 3 * t**2 + 1) * start
        + (t**3 - 2 * t**2 + t) * chord * leaving
        + (3 * t**2 - 2 * t**3) * stop
        + (t**3 - t**2) * chord * coming
    )


def _direction(stretch: Points, *, at_end: bool) -> Points:
    """Return the direction of a bent stretch at one of its ends, a unit vector."""
    t = np.linspace(-1.0, 0.0, len(stretch)) if at_end else np.linspace(0.0, 1.0, len(stretch))
    slope = np.array([np.polyfit(t, stretch[:, axis], 2)[1] for axis in (0, 1)])
    return np.asarray(slope / max(float(np.hypot(*slope)), 1e-9))


def _is_sharp(led: Outline, outline: Outline, stretch: tuple[int, int]) -> bool:
    """Tell whether an edge that is seen and sharp was found in the place of a stretch."""
    if led.soft is None or led.seen is None or led.steps is None:
        return False
    ends = outline.points_px[np.array(stretch) % len(outline.points_px)]
    first, last = (int(np.argmin(np.hypot(*(led.points_px - end).T))) for end in ends)
    count = len(led.points_px)
    index = np.arange(first, first + (last - first) % count + 1) % count
    clear = led.seen & ~led.soft & (led.steps * led.contrast > 0)
    return len(index) < LONGEST_SHARE * count and bool(clear[index].all())
