"""The ticks of one rule along the whole picture, one by one from the mean profile of the rows that all ticks share."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.fan import UNSEEN_FAN, Fan
from calibration.inch import NO_HALVES, Halving
from calibration.strip import Strip, chord, run_around
from calibration.tick_walk import LEAST_TICKS, Walked, walk
from core.geometry import Points

LEAST_OFF = 0.05
"""Share of the spacing that an outermost tick may lie off in any case: ticks are not drawn or seen better."""

SHARE_ON_STEP = 0.85
"""Share of the ticks that must lie on every second (third, ...) expected place for the rest to be strays."""

MOST_UNEVEN = 0.18
"""Share of the spacing by which marks that are no ticks are off: places taken at random are off by a seventh."""

MOST_UNEVEN_NEAR, NEAR_REACH = 0.11, 16.0
"""The same of marks within so many spacings of where they were seen."""

MOST_ASIDE = 0.05
"""Share of the spacing by which the end of a tick that the picture cuts may seem to lie beside it."""

INSET = 0.15
"""Share of the rows at either end that is left out: there the ticks begin and end."""


@dataclass(frozen=True, slots=True, eq=False)
class Graduation:
    """Ticks found along one rule.

    Attributes
    ----------
    index
        (N,) whole numbers, increasing along the rule; hidden ticks leave gaps.
    points_px
        (N, 2) middle of the stretch that all ticks share, in the picture.
    along, tick
        (2,) unit vectors along the rule and along a tick.
    half_length_px
        Half the length of the finest ticks.
    period_px
        Median spacing.
    residual_px
        rms distance of the ticks from the fitted spacing, along the rule.
    contrast
        Depth of a tick over the noise between ticks.
    dark
        Ticks darker than the rule.
    lengths
        (N,) relative tick lengths, 1 for the shortest.
    halved
        Largest strength of ticks half-way between, in any row near the rule, relative to the ticks.
    solid
        Share of the ticks' length that is drawn through; a line of print is not.
    shortest_px
        Length of the shortest ticks.
    fan, marks, halves, width
        How the ticks converge, every how many-th of them is longer, which are longest among halves of halves, and
        which share of the spacing one fills; filled in by ``ticks.looked_closer`` where a graduation is worth it.
    """

    index: NDArray[np.int64]
    points_px: Points
    along: Points
    tick: Points
    half_length_px: float
    period_px: float
    residual_px: float
    contrast: float
    dark: bool
    lengths: NDArray[np.float64]

    halved: float
    solid: float
    shortest_px: float
    fan: Fan = UNSEEN_FAN
    marks: frozenset[int] = frozenset()
    halves: Halving = NO_HALVES
    width: float = 0.0

    @property
    def count(self) -> int:
        return len(self.index)

    @property
    def seen_share(self) -> float:
        """Share of the ticks found, hidden stretches of more than three left out."""
        steps = np.diff(self.index)
        return self.count / (1 + int(steps[steps <= 4].sum()) + int(np.count_nonzero(steps > 4)))

    @property
    def untidiness(self) -> float:
        """Residual in units of the spacing, enlarged by the ticks that are missing."""
        return self.residual_px / self.period_px + 0.2 * (1.0 - self.seen_share)


def is_even(gray: NDArray[np.uint8], strip: Strip, band: tuple[float, float]) -> bool:
    """Tell whether marks stand at an even spacing around the middle of a strip, where they were seen.

    A look at a few of them spares following marks at random places along the whole picture.
    """
    first, last = chord(strip, gray.shape[1], gray.shape[0])
    seen = _marks_of(
        gray, strip, band, max(first, -NEAR_REACH * strip.period_px), min(last, NEAR_REACH * strip.period_px)
    )
    if seen is None:
        return False
    (index, position, *_), step, _, _ = seen
    return float(np.std(_smooth_fit(index, position)[1])) * step < MOST_UNEVEN_NEAR * strip.period_px


def take_ticks(gray: NDArray[np.uint8], strip: Strip, band: tuple[float, float]) -> Graduation | None:
    """Return the ticks in the rows ``band`` (from, to) of a strip, None where they are too few or by far too uneven."""
    first, last = chord(strip, gray.shape[1], gray.shape[0])
    seen = _marks_of(gray, strip, band, first, last)
    if seen is None:
        return None
    (index, position, depth, noise, dark), step, centred, half = seen
    x = first + position * step
    whole = _drawn_whole(gray, centred, x, half)
    index, x = index[whole], x[whole]
    for _ in range(3):
        coefficients, residual = _smooth_fit(index, x)
        wide = np.abs(residual) > max(4.0 * 1.4826 * float(np.median(np.abs(residual))), 0.12 * strip.period_px)
        if not wide.any() or len(index) - wide.sum() < LEAST_TICKS:
            break
        index, x = index[~wide], x[~wide]
    kept = _ends_in_line(index, x, strip.period_px)
    index, x = index[kept], x[kept]
    step, on = _common_step(index)
    index, x = (index[on] - index[on][0]) // step, x[on]
    if len(index) < LEAST_TICKS:
        return None
    coefficients, residual = _smooth_fit(index, x)
    period = float(np.median(np.abs(np.polyval(np.polyder(coefficients), index))))
    rms = float(np.sqrt(np.mean(residual**2)))
    if rms > MOST_UNEVEN * period:
        return None
    lengths_px, solid = _tick_lengths(gray, centred, x, half, dark)
    shortest = max(1.0, float(np.quantile(lengths_px, 0.1)))
    return Graduation(
        index - index[0],
        centred.to_picture(x, 0.0),
        centred.along,
        centred.tick,
        half + INSET * (band[1] - band[0]),
        period,
        rms,
        depth / max(noise, 0.5),
        dark,
        lengths_px / shortest,
        _halved(gray, centred, index, x, coefficients, half, dark),
        solid,
        shortest,
    )


def _marks_of(
    gray: NDArray[np.uint8], strip: Strip, band: tuple[float, float], first: float, last: float
) -> tuple[Walked, float, Strip, float] | None:
    """Return the marks in rows of a strip, px a sample, the strip along the rows' middle and half their height."""
    step = min(1.0, strip.period_px / 16)
    half = float(max(1.0, 0.5 * (band[1] - band[0]) * (1.0 - 2.0 * INSET)))
    middle = 0.5 * (band[0] + band[1])
    centred = Strip(strip.origin + middle * strip.tick, strip.along, strip.tick, strip.period_px)
    profile = centred.sample(gray, first, last, half, step).mean(axis=0).astype(float)
    seen = walk(profile, -first / step, strip.period_px / step)
    return None if seen is None else (seen, step, centred, half)


def _drawn_whole(gray: NDArray[np.uint8], strip: Strip, x: NDArray[np.float64], half: float) -> NDArray[np.bool_]:
    """Return which ticks the picture's edge does not move; all, where too few are left.

    Beyond its edge a picture is taken to go on as it ends: what is there of an oblique tick seems to lie beside it.
    """
    ends = np.stack([strip.to_picture(x, -half), strip.to_picture(x, half)])
    beyond = np.clip(ends, 0.0, np.array(gray.shape[::-1]) - 1.0) - ends
    aside = np.linalg.inv(np.column_stack([strip.along, strip.tick]))[0]
    whole = np.asarray((np.abs(beyond @ aside) < MOST_ASIDE * strip.period_px).all(axis=0))
    return whole if whole.sum() >= LEAST_TICKS else np.ones(len(x), bool)


def _ends_in_line(index: NDArray[np.int64], x: NDArray[np.float64], period: float) -> slice:
    """Return the ticks without those at either end that are not where all others put them.

    The outermost tick draws the fit to itself, so its own residual does not betray it: both ends are left
    out of the fit and compared with its prediction, whose spread grows outwards.
    """
    first, last = 0, len(index)
    while last - first > LEAST_TICKS + 2:
        inner = slice(first + 1, last - 1)
        centre = float(np.mean(index[inner]))
        reach = float(np.ptp(index[inner]))
        unit = (index - centre) / reach
        design = np.vander(unit, 4 if last - first > 26 else 3)
        coefficients = np.linalg.lstsq(design[inner], x[inner], rcond=None)[0]
        residual = x - design @ coefficients
        spread = 1.4826 * float(np.median(np.abs(residual[inner])))
        inverse = np.linalg.inv(design[inner].T @ design[inner])
        ends = np.array([first, last - 1])
        leverage = np.einsum("ni,ij,nj->n", design[ends], inverse, design[ends])
        off = np.abs(residual[ends]) > np.maximum(4.0 * spread * np.sqrt(1.0 + leverage), LEAST_OFF * period)
        if not off.any():
            break
        first, last = first + int(off[0]), last - int(off[1])
    return slice(first, last)


def _smooth_fit(index: NDArray[np.int64], x: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Fit position over index by a cubic; return its coefficients and the residuals."""
    coefficients = np.polyfit(index, x, 3 if len(index) > 24 else 2)
    return coefficients, x - np.polyval(coefficients, index)


def _tick_lengths(
    gray: NDArray[np.uint8], strip: Strip, x: NDArray[np.float64], half: float, dark: bool
) -> tuple[NDArray[np.float64], float]:
    """Return how long each tick is, px, by its own contrast, and which share of the shared rows is drawn through."""
    reach = 5.0 * half
    step = max(1.0, half / 12)
    y = np.arange(-reach, reach + 1.0, step)
    tick = _look(gray, strip, x, y, 0.0)
    beside = 0.5 * (_look(gray, strip, x, y, 0.5) + _look(gray, strip, x, y, -0.5))
    contrast = (beside - tick) if dark else (tick - beside)
    inner = np.abs(y) <= half
    strong = contrast > 0.5 * np.median(contrast[:, inner], axis=1)[:, None]
    middle = len(y) // 2
    lengths = np.array([run_around(row, middle).sum() for row in strong], float)
    core = contrast[:, np.abs(y) <= 0.8 * half]
    solid = float(np.mean(core > 0.3 * np.median(core, axis=1)[:, None]))
    return lengths * step, solid


def _halved(
    gray: NDArray[np.uint8],
    strip: Strip,
    index: NDArray[np.int64],
    x: NDArray[np.float64],
    coefficients: NDArray[np.float64],
    half: float,
    dark: bool,
) -> float:
    """Return how strong ticks half-way between are, in any row near the rule, relative to the ticks."""
    period = float(np.median(np.abs(np.polyval(np.polyder(coefficients), index))))
    reach = max(3.0 * half, 3.0 * period)
    y = np.arange(-reach, reach + 1.0, max(1.0, reach / 24))
    middle = np.polyval(coefficients, index[:-1] + 0.5)
    unit = period / strip.period_px
    rows = _look(gray, strip, middle, y, 0.0)
    flank = 0.5 * (_look(gray, strip, middle, y, 0.25 * unit) + _look(gray, strip, middle, y, -0.25 * unit))
    dip = np.quantile((flank - rows) if dark else (rows - flank), 0.25, axis=0)
    own = _look(gray, strip, x, y, 0.0)
    beside = 0.5 * (_look(gray, strip, x, y, 0.25 * unit) + _look(gray, strip, x, y, -0.25 * unit))
    tick = np.median((beside - own) if dark else (own - beside), axis=0)
    inner = float(np.median(tick[np.abs(y) <= half]))
    return float(np.clip(dip, 0.0, None).max() / max(inner, 1.0))


def _common_step(index: NDArray[np.int64]) -> tuple[int, NDArray[np.bool_]]:
    """Return the step that the ticks share when a fraction of the true spacing was followed, and which share it.

    Between the ticks of a rule a figure or a scratch may stand where a fraction expects one.
    """
    for step in (5, 4, 3, 2):
        counts = np.bincount(index % step, minlength=step)
        on = index % step == int(counts.argmax())
        gaps = np.diff(index[on]) // step
        if on.mean() > SHARE_ON_STEP and (gaps == 1).mean() > SHARE_ON_STEP:
            return step, on
    return 1, np.ones(len(index), bool)


def _look(
    gray: NDArray[np.uint8], strip: Strip, x: NDArray[np.float64], y: NDArray[np.float64], aside: float
) -> NDArray[np.float64]:
    base = strip.to_picture(x + aside * strip.period_px, 0.0)
    points = base[:, None, :] + y[None, :, None] * strip.tick
    maps = points.astype(np.float32)
    seen = cv2.remap(gray, maps[..., 0], maps[..., 1], interpolation=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(seen, float)
