"""Following a rule from a striped tile: a strip is brought into line with it, then the rows of its ticks are found.

Figures stand at the spacing of the ticks and are often the stronger stripes; the ticks are in rows beside them.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from calibration.graduation import Graduation, is_even, take_ticks
from calibration.strip import SAMPLES_PER_PERIOD, Strip, align, bands, chord, demodulated
from calibration.stripes import Stripes
from core.geometry import Points

CLEAR_UNTIDINESS, ROWS_OF_ONE_RULE = 0.01, 6.0
"""Ticks as tidy as this need no second look, and how many spacings other rows of the same rule lie away."""

SAME_SPACING, SAME_WAY = 0.03, math.cos(math.radians(3.0))
ROW_REACH, ROW_STEP, ROWS_TRIED = 5.0, 0.35, 6
"""Rows beside untidy ticks are looked through so far and so closely, in spacings; ticks are taken of the most even."""


def follow(gray: NDArray[np.uint8], reduced: NDArray[np.uint8], scale: float, start: Stripes) -> list[Graduation]:
    """Return the graduations that a striped tile shows: ticks, and rows of figures that look like them.

    Parameters
    ----------
    reduced, scale
        The pyramid level in which the spacing is a few pixels, and picture pixels per pixel of it;
        the line is found there, the ticks in ``gray``.
    """
    first = Strip(
        (start.centre_px + 0.5) / scale - 0.5,
        start.direction,
        np.array([-start.direction[1], start.direction[0]]),
        start.period_px / scale,
    )
    half = max(start.reach_px / scale, 3 * first.period_px)
    found: list[Graduation] = []
    clear: list[tuple[float, Graduation]] = []
    for low, high in bands(reduced, first, half):
        small, band = first, (low, high)
        for reach in (6.0, 12.0, 24.0):
            aligned = align(reduced, small, reach, band)
            if aligned is None:
                break
            small, band = aligned
        else:
            strip = Strip((small.origin + 0.5) * scale - 0.5, small.along, small.tick, small.period_px * scale)
            middle = strip.origin + 0.5 * scale * (band[0] + band[1]) * strip.tick
            if any(_alike(p, strip.period_px) and _on_one_rule(g, middle, strip.along, 0.0) for p, g in clear):
                continue
            if not is_even(gray, strip, (band[0] * scale, band[1] * scale)):
                continue
            rows = _best_rows(gray, strip, (band[0] * scale, band[1] * scale))
            clear.extend((strip.period_px, g) for g in rows if g.untidiness < CLEAR_UNTIDINESS)
            found.extend(rows)
    return found


def is_followed(start: Stripes, found: list[Graduation]) -> bool:
    """Tell whether stripes are the ticks of a rule that was followed clearly from other stripes."""
    return any(
        g.untidiness < CLEAR_UNTIDINESS
        and _on_one_rule(g, start.centre_px, start.direction, start.reach_px)
        and _alike(_period_near(g, start.centre_px), start.period_px)
        for g in found
    )


def _alike(one_px: float, other_px: float) -> bool:
    return abs(one_px / other_px - 1.0) < SAME_SPACING


def _on_one_rule(graduation: Graduation, at: Points, along: Points, reach_px: float) -> bool:
    """Tell whether stripes around a place, to within ``reach_px``, lie on the rule that a graduation is of."""
    if abs(float(graduation.along @ along)) < SAME_WAY:
        return False
    ahead = (graduation.points_px - at) @ graduation.along
    nearest = graduation.points_px[int(np.argmin(np.abs(ahead)))] - at
    across = abs(float(nearest[0] * graduation.along[1] - nearest[1] * graduation.along[0]))
    near = ROWS_OF_ONE_RULE * graduation.period_px
    return across < max(near, reach_px + graduation.half_length_px) and float(np.abs(ahead).min()) < near + reach_px


def _period_near(graduation: Graduation, at: Points) -> float:
    """Return the spacing of a graduation where it comes nearest to a place, px."""
    nearest = int(np.argmin(np.abs((graduation.points_px - at) @ graduation.along)))
    low, high = max(0, nearest - 4), min(graduation.count - 1, nearest + 4)
    span = float(np.linalg.norm(graduation.points_px[high] - graduation.points_px[low]))
    return span / float(graduation.index[high] - graduation.index[low])


def _best_rows(gray: NDArray[np.uint8], strip: Strip, band: tuple[float, float]) -> list[Graduation]:
    """Return the ticks of the given rows, and of neighbouring rows when they are cleaner there."""
    graduation = take_ticks(gray, strip, band)
    if graduation is None:
        return []
    hopeless = graduation.count < 16 or graduation.seen_share < 0.6
    if hopeless or graduation.untidiness < 0.05:
        return [graduation]
    found = [graduation]
    low_px = max(1.0, 0.3 * strip.period_px)
    for offset in _even_rows(gray, strip):
        other = take_ticks(gray, strip, (offset - low_px, offset + low_px))
        if other is not None:
            found.append(other)
    return sorted(found, key=lambda g: g.untidiness)[:2]


def _even_rows(gray: NDArray[np.uint8], strip: Strip) -> list[float]:
    """Return the rows (px from the strip's middle) in which stripes stand out most from all else in the row."""
    step = strip.period_px / SAMPLES_PER_PERIOD
    first, last = chord(strip, gray.shape[1], gray.shape[0])
    picture = strip.sample(gray, first, last, (ROW_REACH + 0.3) * strip.period_px, step)
    lively = np.maximum(picture.std(axis=1), 1.0)
    even = np.abs(demodulated(picture)).mean(axis=1) / lively
    rows = (np.arange(len(even)) - len(even) // 2) * step
    offsets = np.arange(-ROW_REACH, ROW_REACH + 0.01, ROW_STEP) * strip.period_px
    score = np.interp(offsets, rows, even)
    return [float(offsets[i]) for i in np.argsort(-score)[:ROWS_TRIED]]
