"""The last step of a fusion line: where the blurred step lies, given the grain on both sides.

A line that is right within a few pixels is taken apart into a smooth base and a shift across it. Where a gap between
plates ends at the line nothing shows: it runs on from both sides. Then the matched filter of ``fusion_matched`` is
asked for the shift, with blur, levels and grain estimated anew in every round along the line as it then lies. A blur
that is the same in all directions also fades short waves and draws curves inwards; both are undone as far as the
noise allows.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from core.geometry import Points, arc_length
from core.medians import median
from vision.fusion_band import averaged, beside, level, normals_of, resampled, sampled, smoothed
from vision.fusion_line import stretches
from vision.fusion_matched import (
    NODES,
    SHORTEST_PX,
    Edge,
    blur_of,
    information,
    normal_share,
    texture_of,
    wander_of,
    waves,
)
from vision.fusion_sheet import Sheet

Gray = NDArray[np.uint8]
Floats = NDArray[np.float64]

USUAL_MM_PER_PX = 0.023
"""Lengths along the line below hold at this scale; in finer pictures they grow with it."""
STEP_PX = 2.0
BASE_PX, FIRST_PX = 16.0, 8.0
"""Lengths of the averages that give the base, and the shift to begin with (standard deviations)."""
ROUNDS = 2
LEVEL_MM = 0.9
LEAST_BAND_PX, MOST_BAND_PX, HOLLOW_PX = 12, 24, 6
ACROSS_BLURS = 1.5
CLIP = 0.5
"""A grey level that lies farther off than this share of the step counts as no farther."""
GAP_REACH_PX, GAP_RIM_PX, GAP_WIDE_PX, GAP_SLOPE = 8, 4, 22, 10
GAP_LEVELS, GAP_CLEAR = 12.0, 6.0
"""A dark gap behind the line is narrower than GAP_WIDE_PX and this much darker than what is beside it, in grey levels
and in usual dips of the grain."""
TURNING_RAD = 0.5
"""A line that, smoothed, turns more than this within 32 px has a corner: the air or the grain behind it is no gap."""


@dataclass(frozen=True, slots=True, eq=False)
class Settled:
    """A line, (N, 2) px, ``step_px`` apart; the standard uncertainty that grain and noise leave it, px; the blur of
    the step, px; how far the line turns round each place, rad (N,); where nothing shows it, (N,) bool."""

    points_px: Points
    step_px: float
    std_px: float
    blur_px: float
    turning: Floats
    blind: NDArray[np.bool_]


def settled(
    gray: Gray, sheet: Sheet, line: Points, mm_per_px: float, outside: float, anchors: tuple[bool, bool]
) -> Settled:
    """Move a line that is right within a few pixels to where the blurred step lies.

    Parameters
    ----------
    outside
        +1 when outside lies to the left of the way along the line as numbers (x, y) go, -1 to the right.
    anchors
        Whether its ends are known and stay.
    """
    scale = max(1.0, USUAL_MM_PER_PX / mm_per_px)
    # The Fourier transform of a number of points with large prime factors takes several times as long.
    fine = resampled(line, STEP_PX * scale, multiple=8)
    spacing = float(arc_length(fine)[-1]) / (len(fine) - 1)
    fine, blind = over_gaps(gray, sheet, fine, normals_of(smoothed(fine, BASE_PX / STEP_PX, anchors)) * outside, scale)
    base = smoothed(fine, BASE_PX / STEP_PX, anchors)
    normals = normals_of(base) * outside
    before = np.sum((fine - base) * normals, axis=1)
    shift = averaged(before, FIRST_PX / STEP_PX)
    basis = waves(len(base), spacing, tied=anchors, shortest_px=SHORTEST_PX * scale)
    frequencies = basis.frequencies
    bend = np.sum(np.gradient(np.gradient(base, axis=0), axis=0) * normals, axis=1) / spacing**2
    bend[:3], bend[-3:] = 0.0, 0.0
    spread = max(3.0, LEVEL_MM / mm_per_px / spacing)
    blur, std, moved = 3.0, 1.0, shift
    for _ in range(ROUNDS):
        # Of a wide blur in a fine picture fewer samples tell as much.
        across = min(scale, max(1.0, blur / ACROSS_BLURS))
        half = math.ceil(min(max(math.ceil(3 * blur) + 8, LEAST_BAND_PX), MOST_BAND_PX) / across)
        offsets = across * np.arange(-half, half + 1, dtype=np.float64)
        at = beside(base, normals, offsets, shift)
        places = sheet.at_places(*at)
        metal = places.metal
        metal[blind] = 0.0
        edge, rest = _edge(sampled(gray, at), metal, offsets, blur, spread, (spacing, across))
        blur = edge.blur_px
        weights, gathered = _by_wave(edge, offsets, frequencies, spacing)
        apparent = np.sum(weights * basis.of(rest), axis=1) + basis.of(shift)
        # What the blur does to a wave, and to the base: a circle of radius r shrinks by blur^2 / (2 r).
        fade = np.exp(-2 * np.pi**2 * blur**2 * np.minimum(frequencies, 0.25 / blur) ** 2)
        bent = 0.5 * blur**2 * bend
        found, gathered = (apparent - basis.of(bent)) / fade, gathered * fade**2
        wander = wander_of(found, gathered, frequencies, scale)
        kept = found * wander / (wander + 1 / gathered)
        std = math.sqrt(float(np.sum(1 / (gathered + 1 / wander))) / len(base))
        # At a hollow the line is the hollow's edge, which the step before has found.
        dark = np.asarray(places.hollow[:, np.abs(offsets) <= HOLLOW_PX].any(axis=1), np.uint8)
        stays = averaged(cv2.dilate(dark[:, None], np.ones((9, 1), np.uint8)).ravel().astype(np.float64), 2.0)
        shift = stays * before + (1 - stays) * (bent + basis.along(fade * kept))
        moved = stays * before + (1 - stays) * basis.along(kept)
    settled_px = base + moved[:, None] * normals
    return Settled(settled_px, spacing, std, blur, turning_of(settled_px), blind)


def _edge(
    rows: NDArray[np.float32],
    metal: NDArray[np.float32],
    offsets: Floats,
    blur: float,
    spread: float,
    spacing: tuple[float, float],
) -> tuple[Edge, Floats]:
    """Return the step as rows (N, J) across the line show it, and what they leave over it, (N, J) grey levels.

    ``spacing`` is the distance of samples along the line and across it, px.
    """
    rim = max(4, (len(offsets) - 1) // 2 - math.ceil(2 * blur / spacing[1]))
    sides = (slice(0, rim), slice(-rim, None))
    inner, outer = (level(rows[:, side], metal[:, side], spread) for side in sides)
    sign = 1.0 if float(np.mean(outer - inner)) >= 0 else -1.0
    step = np.maximum(sign * (outer - inner), 4.0) * sign
    good = metal > 0
    blur = blur_of(rows, good, offsets, inner, step)
    model = inner[:, None] + step[:, None] * normal_share(offsets / blur)
    rest = np.where(good, rows - model, 0.0)
    rest = np.clip(rest, -CLIP * np.abs(step)[:, None], CLIP * np.abs(step)[:, None])
    (weld, noise), (parent, other) = (texture_of(rest[:, side], good[:, side], spacing) for side in sides)
    strength = float(np.sqrt(np.mean(step**2)))
    edge = Edge(sign * strength, blur, weld, parent, min(noise, other))
    return edge, rest * (strength / np.abs(step))[:, None]


def _by_wave(edge: Edge, offsets: Floats, frequencies: Floats, spacing: float) -> tuple[Floats, Floats]:
    """Return weights (K, J) and information (K,) at every frequency, interpolated between some."""
    at = np.log(frequencies)
    among = np.linspace(at[0], at[-1], NODES)
    weights, gathered = information(edge, offsets, np.exp(among), spacing)
    low = np.clip(np.searchsorted(among, at) - 1, 0, NODES - 2)
    share = ((at - among[low]) / (among[low + 1] - among[low]))[:, None]
    between = np.asarray((1 - share) * weights[low] + share * weights[low + 1], np.float64)
    return between, np.asarray(np.exp(np.interp(at, among, np.log(gathered))), np.float64)


def turning_of(line: Points, reach: int = 5) -> Floats:
    """Return how far a line (N, 2) turns between ``reach`` points before and behind each, rad (N,)."""
    if len(line) < 4 * reach:
        return np.zeros(len(line))
    way = np.zeros((len(line), 2))
    way[reach:] = line[reach:] - line[:-reach]
    after = np.zeros_like(way)
    after[:-reach] = way[reach:]
    turn = np.abs(np.arctan2(way[:, 0] * after[:, 1] - way[:, 1] * after[:, 0], np.sum(way * after, axis=1)))
    turn[:reach], turn[-reach:] = 0.0, 0.0
    return np.asarray(turn)


def over_gaps(
    gray: Gray, sheet: Sheet, line: Points, normals: Points, scale: float = 1.0
) -> tuple[Points, NDArray[np.bool_]]:
    """Return a line that runs on over places where nothing shows it, and which those are, (N,) bool.

    Those are places with little metal on one side (a hollow apart), and dark gaps that end at the line from
    outside. The line's points are STEP_PX times ``scale`` apart.
    """
    places = sheet.at_places(*beside(line, normals, np.arange(-GAP_REACH_PX, GAP_REACH_PX + 1.0)))
    metal, dark = places.metal, places.hollow.any(axis=1)
    sides = (metal[:, :GAP_REACH_PX].mean(axis=1), metal[:, -GAP_REACH_PX:].mean(axis=1))
    blind = np.minimum(*sides) < 0.5
    tone = sampled(gray, beside(line, normals, np.arange(4.0, 15.0))).mean(axis=1)
    wide = np.ones((int(GAP_WIDE_PX / STEP_PX) | 1, 1), np.uint8)
    dip = cv2.morphologyEx(tone[:, None], cv2.MORPH_CLOSE, wide).ravel() - tone
    straight = turning_of(smoothed(line, BASE_PX / STEP_PX, (True, True)), 8) < TURNING_RAD
    blind |= (dip > max(GAP_LEVELS, GAP_CLEAR * median(dip))) & straight
    blind &= ~dark
    rim = np.ones((int(2 * GAP_RIM_PX / STEP_PX) + 1, 1), np.uint8)
    blind = cv2.dilate(blind.astype(np.uint8)[:, None], rim).ravel() > 0
    moved = line.copy()
    for gap in stretches(blind):
        if gap.start > GAP_SLOPE and gap.stop < len(line) - GAP_SLOPE:
            moved[gap] = _bridge(line, gap.start - 1, gap.stop)
    return moved, blind


def _bridge(line: Points, before: int, after: int) -> Points:
    """Return the points between two of a line on a cubic that goes on from both sides: a chord would cut a bowl."""
    length = after - before
    share = (np.arange(before + 1, after) - before)[:, None] / length
    start, end = line[before], line[after]
    out = (start - line[before - GAP_SLOPE]) * (length / GAP_SLOPE)
    into = (line[after + GAP_SLOPE] - end) * (length / GAP_SLOPE)
    return np.asarray(
        (1 + 2 * share) * (1 - share) ** 2 * start
        + share**2 * (3 - 2 * share) * end
        + share * (1 - share) ** 2 * out
        - share**2 * (1 - share) * into
    )
