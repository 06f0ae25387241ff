"""A closer look at the ticks of a graduation: how they fan out, and which of them are longer than the others.

Ticks are drawn side by side; a camera tilted about the rule's own direction makes them converge. Every so
many-th tick of a rule is longer, which tells a rule from saw teeth, mesh or thread, and one kind of rule from another.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.fan import UNSEEN_FAN, Fan
from calibration.graduation import Graduation
from calibration.inch import NO_HALVES, Halving, halving

MARKED_STEPS = (2, 4, 5, 8, 10, 16, 20, 32, 64)
"""How many spacings lie between longer ticks: tenths and their halves; the halves of an inch."""

TENTHS, INCH_PARTS = frozenset({5, 10, 20}), frozenset({4, 8, 16, 32, 64})

LONGER_CONTRAST = 0.35
"""Share of a tick's contrast above which a tick is taken to go on."""

LEAST_LONG, MOST_SHORT, LEAST_APART = 0.75, 0.15, 0.4
LEAST_LONE_TURNS = 3
"""Turns of a step of ten or more that are needed where no finer step is seen beside it: two may be two flaws."""

LEAST_SLOPE_STD = 1e-4


@dataclass(frozen=True, slots=True, eq=False)
class _Sight:
    """How a picture is sampled around ticks: along the rule from each tick and along the ticks, px."""

    gray: NDArray[np.uint8]
    graduation: Graduation
    fan: Fan

    def grey(self, x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the grey values, (ticks, len(y), len(x)), that lie x beside and y along each tick."""
        g = self.graduation
        lean = self.fan.slope_at(positions(g))
        aside = x[None, None, :] + lean[:, None, None] * y[None, :, None]
        points = g.points_px[:, None, None, :] + aside[..., None] * g.along + y[None, :, None, None] * g.tick
        maps = points.reshape(len(g.points_px), -1, 2).astype(np.float32)
        seen = cv2.remap(self.gray, maps[..., 0], maps[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        grey = np.asarray(seen, float).reshape(len(g.points_px), len(y), len(x))
        return -grey if g.dark else grey

    def shown(self, y: NDArray[np.float64]) -> NDArray[np.bool_]:
        """Return which places y along each tick, (ticks, len(y)), lie in the picture."""
        points = self.graduation.points_px[:, None, :] + y[None, :, None] * self.graduation.tick
        return np.asarray(((points > -0.5) & (points < np.array(self.gray.shape[::-1]) - 0.5)).all(axis=2))


def positions(graduation: Graduation) -> NDArray[np.float64]:
    """Return where along the rule each tick lies, px from the middle of all."""
    return np.asarray((graduation.points_px - graduation.points_px.mean(axis=0)) @ graduation.along)


def looked_closer(gray: NDArray[np.uint8], graduation: Graduation) -> Graduation:
    """Return the graduation with the fan of its ticks, the steps of the longer ones and their width filled in."""
    fan = _fan(gray, graduation)
    sight = _Sight(gray, graduation, fan)
    marks, halves = _marks(sight)
    return replace(graduation, fan=fan, marks=marks, halves=halves, width=_width(sight))


def _fan(gray: NDArray[np.uint8], graduation: Graduation) -> Fan:
    """Return how the ticks' direction changes along the rule, by the upper and the lower part of each tick."""
    half, period = graduation.half_length_px, graduation.period_px
    sight = _Sight(gray, graduation, UNSEEN_FAN)
    x = np.linspace(-0.42 * period, 0.42 * period, int(np.clip(round(3.4 * period), 13, 61)))
    share = np.linspace(0.3, 0.85, int(np.clip(round(0.55 * half), 3, 16)))
    upper, lower = (_middle(sight.grey(x, way * half * share).mean(axis=1), x) for way in (1.0, -1.0))
    slope = (upper - lower) / (2.0 * half * float(share.mean()))
    s = positions(graduation)
    kept = np.isfinite(slope)
    for _ in range(4):
        if kept.sum() < 6:
            return UNSEEN_FAN
        rate, level = np.polyfit(s[kept], slope[kept], 1)
        residual = np.abs(slope - rate * s - level)
        spread = 1.4826 * float(np.median(residual[kept]))
        better = np.isfinite(slope) & (residual < 4.0 * max(spread, LEAST_SLOPE_STD))
        if (better == kept).all():
            break
        kept = better
    noise = max(LEAST_SLOPE_STD, float(np.sqrt(np.sum(residual[kept] ** 2) / max(1, kept.sum() - 2))))
    return Fan(float(level), float(rate), noise / math.sqrt(float(np.sum((s[kept] - s[kept].mean()) ** 2))))


def _middle(profile: NDArray[np.float64], x: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the middle of the tick in each profile (N, M), nan where there is none."""
    ground = np.quantile(profile, 0.25, axis=1)[:, None]
    top = profile.max(axis=1, keepdims=True)
    rise = np.clip(profile - ground - 0.4 * (top - ground), 0.0, None)
    away = np.abs(x[None, :] - x[profile.argmax(axis=1)][:, None])
    rise = np.where(away < 0.55 * x[-1], rise, 0.0)
    weight = rise.sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.where(weight > 0, (rise @ x) / weight, np.nan))


def _marks(sight: _Sight) -> tuple[frozenset[int], Halving]:
    """Return every how many-th tick is longer, by the rows beyond the finest ticks, and the longest among halves."""
    g = sight.graduation
    half, period = g.half_length_px, g.period_px
    reach = max(8.0 * half, 2.5 * period)
    step = max(1.0, half / 8.0)
    y = np.arange(1.1 * half, reach, step)
    rows_of: dict[int, int] = {}
    inner = sight.grey(np.array([-0.5, 0.0, 0.5]) * period, np.linspace(-0.8 * half, 0.8 * half, 9))
    full = max(3.0, float(np.median(inner[:, :, 1] - 0.5 * (inner[:, :, 0] + inner[:, :, 2]))))
    least_rows = max(2, math.ceil(0.2 * half / step))
    halves = NO_HALVES
    for way in (1.0, -1.0):
        grey = sight.grey(np.array([-0.5, 0.0, 0.5]) * period, way * y)
        contrast = np.clip((grey[:, :, 1] - 0.5 * (grey[:, :, 0] + grey[:, :, 2])) / full, 0.0, 1.2)
        told = _step_of_rows(g.index, contrast, sight.shown(way * y))
        for step_count in set(told) - {0}:
            rows_of[step_count] = rows_of.get(step_count, 0) + _longest_run(told, step_count)
        if not INCH_PARTS.isdisjoint(told):
            halves = max(halves, halving(g.index, contrast), key=lambda seen: seen.step)
    return _of_one_family({step: rows for step, rows in rows_of.items() if rows >= least_rows}, g.count), halves


def _longest_run(told: list[int], step: int) -> int:
    longest = run = 0
    for value in told:
        run = run + 1 if value == step else 0
        longest = max(longest, run)
    return longest


def _of_one_family(rows_of: dict[int, int], count: int) -> frozenset[int]:
    """Drop tenths beside far more parts of an inch, or the other way round: figures and scratches tell some of each."""

    def weight(family: frozenset[int]) -> float:
        return sum(rows * count / step for step, rows in rows_of.items() if step in family)

    tenths, parts = weight(TENTHS), weight(INCH_PARTS)
    dropped = INCH_PARTS if tenths > 2 * parts else TENTHS if parts > 2 * tenths else frozenset()
    marks = frozenset(rows_of) - dropped
    lone = len(marks) == 1 and min(marks) >= 10 and count < LEAST_LONE_TURNS * min(marks)
    return frozenset() if lone else marks


def _step_of_rows(index: NDArray[np.int64], contrast: NDArray[np.float64], shown: NDArray[np.bool_]) -> list[int]:
    """Return the step at which ticks go on in each row (N, rows), 0 where they do so at none of the usual steps.

    What the picture does not show is left out. Of steps that fit the one is taken that accounts best for all ticks that
    go on: at twice the right step only half of them lie.
    """
    contrast = np.where(shown, contrast, 0.0)
    long = (contrast > LONGER_CONTRAST).astype(float)
    seen_ticks = shown.sum(axis=0)
    able = (long.sum(axis=0) >= 2) & (long.sum(axis=0) <= 0.65 * seen_ticks)
    rows = np.flatnonzero(able)
    result = np.zeros(contrast.shape[1], np.int64)
    if len(rows) == 0:
        return [int(step) for step in result]
    contrast, long, shown, seen_ticks = contrast[:, rows], long[:, rows], shown[:, rows], seen_ticks[rows]
    best = np.zeros(len(rows))
    every, every_long = contrast.sum(axis=0), long.sum(axis=0)
    at = np.arange(len(rows))
    for step in MARKED_STEPS:
        member = np.equal.outer(np.arange(step), index % step).astype(float)
        size, of_class = member @ shown, member @ contrast
        phase = np.argmax(np.where(size >= 2, of_class / np.maximum(size, 1.0), -1.0), axis=0)
        count, rest = size[phase, at], seen_ticks - size[phase, at]
        seen, seen_long = of_class[phase, at], (member @ long)[phase, at]
        enough = (count >= 2) & (rest > 0)
        count, rest = np.maximum(count, 1.0), np.maximum(rest, 1.0)
        fits = enough & (seen_long / count >= LEAST_LONG) & ((every_long - seen_long) / rest <= MOST_SHORT)
        fits &= seen / count - (every - seen) / rest > LEAST_APART
        accounts = 2.0 * seen_long / (count + every_long)
        better = fits & (accounts > best + 0.02)
        best[better], result[rows[better]] = accounts[better], step
    return [int(step) for step in result]


def _width(sight: _Sight) -> float:
    """Return which share of the spacing a tick fills, at half its height."""
    g = sight.graduation
    x = np.linspace(-0.5, 0.5, 33) * g.period_px
    profile = np.median(sight.grey(x, np.linspace(-0.8, 0.8, 7) * g.half_length_px).mean(axis=1), axis=0)
    level = 0.5 * (float(profile.max()) + float(profile.min()))
    return float(np.mean(profile[:-1] > level))
