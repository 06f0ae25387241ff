"""Stains on the way of a fusion line: where the metal on one side of a path has a tone of its own.

What dried on an etched surface darkens weld metal and parent metal alike, by a factor, and its rim is as sharp as the
fusion line and often stronger. In the logarithm of tone the fusion line keeps its own step within a stain, and the rim
has a step of another height. So a path is sought once more by steps of the usual height, a higher one counting less,
and is led straight on where one of its sides still stands out from the same side before and behind.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from core.geometry import Points
from core.medians import median
from vision.fusion_path import Paths, Rows, Strip, best_paths, contrast

Mask = NDArray[np.bool_]

DARK_SHARE = 0.08
"""Added to every tone, as a share of that of weld metal: the grain of what is nearly black is no ratio."""

USUAL, TOO_HIGH = 1.25, 0.5
"""Steps over the usual one up to which a step counts in full, and what a higher one loses of what it has beyond."""

STIFF = 0.3
"""Cost of a squared step between rows, in units of contrast over noise: grain and stains bend a path, weld metal does
so little."""

OFF, OFF_OWN = 0.35, 4.5
"""Difference of tone, over the usual step across the line and over what that side scatters along it, from which one
side of a path is stained."""

BESIDE_MM = ((-0.6, -0.15), (0.15, 0.6))
AROUND_SHARE = 0.6
"""A side is held against the middle of what it is over this share of the line about each place: light and etch may
change slowly."""

JOINED_MM, LEAST_MM, WIDER_MM = 0.4, 0.25, 0.3
"""Stains nearer to each other than this are one, shorter ones are grain, and their rims spoil this much beyond."""

STEEPEST = 3.0
"""Stations from row to row beyond which a path leads along its row, as at the flanks of a finger of weld metal: what
lies before and behind on that row is then not what lies beside the path."""

END_SHARE = 0.05
"""Next to its toes, which are known, the surface's edge reaches into what lies beside a line."""

LEAST_METAL, GAP_RIM_MM = 0.4, 0.25
"""Least share of metal that tells the tone of a side, and how far beside a gap between plates its rim darkens it."""

ROUNDS, MOST_SHARE = 2, 0.5
"""A path is led across what it ran along so often; where more than this share of it is off, the usual is not known."""


Guard = Callable[[Rows], Rows]
"""Puts what a path may not do into scores (2, I, J)."""


@dataclass(frozen=True, slots=True, eq=False)
class Stains:
    """What tells stains: the logarithm of tone, gaps between plates that darken it (I, J), what a path may not do."""

    logs: Strip
    gap: Mask
    guarded: Guard


def log_tone(values: Rows, core: float) -> Rows:
    """Return the logarithm of tones, (I, J); ``core`` is the tone of weld metal."""
    return np.asarray(np.log(np.maximum(values, 0.0) + (DARK_SHARE * core + 1.0)), np.float32)


def past_stains(paths: Paths, scores: Rows, points: Points, stains: Stains) -> tuple[Paths, Mask]:
    """Return paths that pass stains by, and on which of their rows they lie in one, (2, I).

    Paths by contrast alone stand where each of their sides looks alike all along: nothing is stained then.

    Parameters
    ----------
    paths
        The best ones by contrast alone.
    scores
        (2, I, J) contrast over noise, for a step up and for one down.
    points
        (I, J, 2) mm, the frame's.
    """
    ratio = contrast(stains.logs)
    ratios = np.stack([ratio, -ratio])
    hidden = _told(stains, paths, _usual(ratios, paths), points)
    if not hidden.any():
        return paths, hidden
    hidden[:] = False
    sheets = scores.copy()
    for _ in range(ROUNDS + 1):
        heights, usual = _usual(scores, paths), _usual(ratios, paths)
        for number, (height, step) in enumerate(zip(heights, usual, strict=True)):
            if min(height, step) > 0:
                sheets[number] = height * _as_usual(ratios[number] / step)
        sheets[hidden] = 0.0
        paths = best_paths(stains.guarded(sheets), bend=STIFF)
        told = _told(stains, paths, usual, points)
        if not (told & ~hidden).any():
            break
        hidden |= told
    return paths, hidden


def _usual(sheets: Rows, paths: Paths) -> list[float]:
    """Return the middle of what each sheet has along its path."""
    rows = np.arange(sheets.shape[1])
    return [median(sheet[rows, paths.path(number)]) for number, sheet in enumerate(sheets)]


def _told(stains: Stains, paths: Paths, usual: list[float], points: Points) -> Mask:
    """Return where each path is stained, (2, I); a path without a step of its sign tells nothing."""
    told = np.zeros((len(usual), len(points)), bool)
    for number, step in enumerate(usual):
        if step > 0:
            told[number] = stained_rows(stains, paths.path(number), step, points)
    return told


def _as_usual(share: Rows) -> Rows:
    """Return steps over the usual one, those that are too high counting the less the higher they are."""
    beyond = USUAL - TOO_HIGH * (share - USUAL)
    return np.where(share > USUAL, np.maximum(beyond, 0.0), share).astype(np.float32)


def stained_rows(stains: Stains, path: NDArray[np.int64], usual: float, points: Points) -> Mask:
    """Return at which places of a path, (I,), the metal on one of its sides is stained.

    Parameters
    ----------
    usual
        The step across the path, in the logarithm of tone.
    points
        (I, J, 2) mm, the frame's.
    """
    count = len(path)
    line = points[np.arange(count), path]
    row_mm = float(np.hypot(*np.diff(line, axis=0).T).sum()) / max(count - 1, 1)
    logs = stains.logs
    windows = np.array([[round(end / logs.step_mm) for end in span] for span in BESIDE_MM])
    level, share = logs.over_at(np.clip(path, 0, logs.stations - 1), windows)
    beside = np.abs(np.arange(stains.gap.shape[1]) - path[:, None]) <= windows.max()
    in_gap = (stains.gap & beside).any(axis=1).astype(np.uint8)
    plain = cv2.dilate(in_gap[:, None], _stretch(2 * GAP_RIM_MM / row_mm)).ravel() == 0
    plain &= np.abs(np.gradient(path.astype(float))) <= STEEPEST
    off = np.zeros(count, bool)
    for values, known in zip(level.T, (plain[:, None] & (share > LEAST_METAL)).T, strict=True):
        if np.count_nonzero(known) < 10:
            continue
        filled = np.interp(np.arange(count), np.flatnonzero(known), values[known])
        away = np.abs(filled - _around(filled, max(3, int(0.5 * AROUND_SHARE * count))))
        limit = max(OFF * usual, OFF_OWN * 1.4826 * median(away[known]))
        off |= known & (away > limit)
    ends = math.ceil(END_SHARE * count)
    off[:ends], off[count - ends :] = False, False
    joined = cv2.morphologyEx(off.astype(np.uint8)[:, None], cv2.MORPH_CLOSE, _stretch(JOINED_MM / row_mm))
    kept = cv2.morphologyEx(joined, cv2.MORPH_OPEN, _stretch(LEAST_MM / row_mm))
    found = np.asarray(cv2.dilate(kept, _stretch(2 * WIDER_MM / row_mm)).ravel() > 0)
    return found if np.count_nonzero(found) <= MOST_SHARE * count else np.zeros(count, bool)


def _around(values: NDArray[np.float64], half: int) -> NDArray[np.float64]:
    """Return the median of values and so many on both sides, (I,)."""
    half = min(half, len(values) - 1)
    padded = np.pad(values, half, mode="reflect")
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1)
    return np.asarray(np.partition(windows, half, axis=1)[:, half])


def _stretch(rows: float) -> NDArray[np.uint8]:
    return np.ones((max(1, round(rows)) | 1, 1), np.uint8)
