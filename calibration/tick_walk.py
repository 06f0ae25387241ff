"""Ticks followed one by one along the mean profile of a rule, from where they were seen to both ends."""

from __future__ import annotations

import bisect

import cv2
import numpy as np
from numpy.typing import NDArray

LEAST_TICKS = 8
NEAR = 0.25
"""Share of the spacing within which a tick must lie of where it is expected."""

LONGEST_GAP = 40
"""Ticks that may be hidden in one stretch, if as many are seen before it."""

Walked = tuple[NDArray[np.int64], NDArray[np.float64], float, float, bool]
"""Index and position of each tick, their median depth, the noise between, and whether they are dark."""


def walk(profile: NDArray[np.float64], start: float, period: float) -> Walked | None:
    """Return index and position of each tick, their median depth, the noise between, and if they are dark."""
    window = max(3, round(period) | 1)
    base = cv2.blur(profile[None, :], (window, 1), borderType=cv2.BORDER_REFLECT)[0]
    ripple = profile - base
    near = ripple[max(0, round(start - 4 * period)) : round(start + 4 * period)]
    if len(near) < 4:
        return None
    dark = float(-near.min()) >= float(near.max())
    signal = -ripple if dark else ripple
    signal = cv2.GaussianBlur(signal[None, :], (0, 0), max(0.6, period / 24))[0]
    peaks = np.flatnonzero((signal[1:-1] > signal[:-2]) & (signal[1:-1] >= signal[2:])) + 1
    level = np.quantile(signal[max(0, round(start - 4 * period)) : round(start + 4 * period)], 0.97)
    peaks = peaks[signal[peaks] > 0.3 * level]
    if len(peaks) < LEAST_TICKS:
        return None
    forward = _steps(peaks, signal, start, period, 1)
    backward = _steps(peaks, signal, start, period, -1)
    chosen = {**backward, **forward}
    if len(chosen) < LEAST_TICKS:
        return None
    index = _without_strays(np.array(sorted(chosen), np.int64))
    if len(index) < LEAST_TICKS:
        return None
    at = np.array([chosen[i] for i in index])
    heights = signal[at]
    depth = float(np.median(heights))
    kept = heights > 0.35 * depth
    index, at = index[kept], at[kept]
    if len(index) < LEAST_TICKS:
        return None
    position = _centroids(signal, at, period)
    between = np.concatenate([signal[p + round(0.35 * period) : p + round(0.65 * period) + 1] for p in at])
    return index, position, depth, float(np.std(between)), dark


def _steps(
    peaks: NDArray[np.int64], signal: NDArray[np.float64], start: float, period: float, way: int
) -> dict[int, int]:
    """Walk from the start one way, one expected tick after the other; the index counts spacings."""
    first = int(peaks[np.argmin(np.abs(peaks - start))])
    places, heights, end = peaks.tolist(), signal[peaks].tolist(), len(signal)
    found = {0: first}
    recent = [0]
    local, missing, number = period, 0, 0
    near_height = float(signal[first])
    while True:
        number += way
        last = recent[-1]
        expected = found[last] + (number - last) * local
        if not 0 <= expected < end:
            return found
        place = bisect.bisect_left(places, expected)
        if place == len(places) or (place > 0 and expected - places[place - 1] < places[place] - expected):
            place -= 1
        nearest, height = places[place], heights[place]
        if abs(nearest - expected) < NEAR * period and height > 0.35 * near_height:
            found[number] = nearest
            recent = [*recent[-11:], number]
            if len(recent) >= 5:
                local = _slope(recent, [found[i] for i in recent])
            near_height += 0.2 * (min(height, 2 * near_height) - near_height)
            missing = 0
        else:
            missing += 1
            if missing > min(LONGEST_GAP, len(found)):
                return found


def _slope(x: list[int], y: list[int]) -> float:
    middle_x, middle_y = sum(x) / len(x), sum(y) / len(y)
    moment = sum((a - middle_x) * (b - middle_y) for a, b in zip(x, y, strict=True))
    return moment / sum((a - middle_x) ** 2 for a in x)


def _without_strays(index: NDArray[np.int64]) -> NDArray[np.int64]:
    """Drop ticks that stand alone behind a gap: the edge of a rule, a scratch, a figure.

    Beyond the last tick a rule goes on blank for a few spacings and then ends: before the first and behind
    the last tick the gap may be that of two hidden ticks, inside the rule ticks may stand between such gaps.
    """
    runs = np.split(index, np.flatnonzero(np.diff(index) > 3) + 1)
    kept = [run for run in runs if len(run) >= 4]
    if not kept:
        return index[:0]
    index = np.concatenate(kept)
    runs = np.split(index, np.flatnonzero(np.diff(index) > 2) + 1)
    while len(runs) > 1 and len(runs[0]) < 4:
        runs = runs[1:]
    while len(runs) > 1 and len(runs[-1]) < 4:
        runs = runs[:-1]
    return np.concatenate(runs)


def _centroids(signal: NDArray[np.float64], peaks: NDArray[np.int64], period: float) -> NDArray[np.float64]:
    """Return the middle of each tick, samples, from what rises above 0.4 of its height around its peak."""
    reach = max(1, round(0.4 * period))
    step = np.arange(-reach, reach + 1)
    places = peaks[:, None] + step
    inside = (places >= 0) & (places < len(signal))
    part = np.where(inside, signal[np.clip(places, 0, len(signal) - 1)], -np.inf)
    rise = np.clip(part - 0.4 * signal[peaks][:, None], 0.0, None)
    up = rise > 0
    joined = np.empty_like(up)
    joined[:, reach:] = np.logical_and.accumulate(up[:, reach:], axis=1)
    joined[:, : reach + 1] = np.logical_and.accumulate(up[:, reach::-1], axis=1)[:, ::-1]
    rise = np.where(joined, rise, 0.0)
    return np.asarray(peaks + (rise @ step) / rise.sum(axis=1), float)
