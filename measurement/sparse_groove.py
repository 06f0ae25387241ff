"""A groove beside a toe where points lie nearly as far apart as it is wide: how deep it is, or how deep it may be.

A mean over several points, which tells a groove of many points from noise, reaches beyond a narrow one. Grooves of two
forms and of all likely widths are laid against the points instead, each point standing for the stretch that it was
averaged over; the depth of each is a least-squares fit, and those that agree with the points nearly as well as the best
one tell how far the depth is known (profile likelihood). What no point speaks against may be there.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from core.geometry import Points
from measurement.uncertainty import Noise

COARSE_MM = 0.075
"""Points farther apart than this leave some ten on a groove of a usual width."""

WIDTHS_MM = (0.6, 0.7, 0.8, 0.9, 1.0, 1.1, 1.2, 1.35, 1.5, 1.75, 2.0)
"""Widths of grooves that are looked for; what is narrower than the least one is a scratch to a cloud."""

LATEST_START_MM, START_STEP_MM = 0.8, 0.1
"""A groove begins at its toe, which may be placed too far into the weld."""

STANDS_OUT = 4.5
"""Standard uncertainties by which the best of some ten independent grooves must exceed nothing."""

AGREE = 4.0
"""Growth of the sum of squares up to which a groove agrees with the points: two standard deviations."""

FORM_DOUBT, FORM_POINTS = 0.13, 4.0
"""Share of a depth by which a groove of another form would be deeper or shallower, and the number of points on a groove
beyond which they tell its form the better the more they are (judged on drawn grooves)."""

WIDTH_DOUBT = 0.15
"""Share of a width by which a groove of another form, or with rounded rims, would be wider (judged on drawn ones)."""

PARTS = 7


@dataclass(frozen=True, slots=True)
class Groove:
    """The groove most like the points, or the deepest that they allow.

    Attributes
    ----------
    depth, std
        Depth and its standard uncertainty, mm; 0 and half the deepest groove that may be there when none stands out.
    start, width, width_std
        Where it begins beside the toe and how wide it is, mm.
    present
        Whether it stands out of the noise.
    """

    depth: float
    std: float
    start: float
    width: float
    width_std: float
    present: bool


def is_coarse(noise: Noise) -> bool:
    """Tell whether points of a scanned surface are too far apart for the mean of neighbours to show a groove."""
    return noise.of_line and noise.resolution_mm > COARSE_MM


def sparse_groove(along: Points, depth: Points, noise: Noise, base_std: float) -> Groove:
    """Return the groove beside a toe that few points show.

    Parameters
    ----------
    along, depth
        (N,) distance from the toe outwards, rising, and depth below the plate line, mm.
    base_std
        Standard uncertainty of the plate line there.
    """
    starts, widths = _grid()
    window = math.sqrt(12.0) * noise.blur_mm
    form = _forms(along, starts, widths, window)
    starts, widths = (np.tile(values, len(form) // len(values)) for values in (starts, widths))
    size = np.sum(form**2, axis=1)
    seen = size > 1e-9
    starts, widths, form, size = starts[seen], widths[seen], form[seen], size[seen]
    if len(size) == 0:
        return Groove(0.0, math.inf, 0.0, 0.0, 0.0, present=False)
    fitted = form @ depth / size
    white = noise.of_mean(1.0) * math.sqrt(noise.correlation_points)
    gain = fitted * np.abs(fitted) * size / white**2
    # The line moves all depths alike: what a form's weights make of that comes on top.
    base = base_std * form.sum(axis=1) / size
    std = np.hypot(white / np.sqrt(size), base)
    best = int(np.argmax(gain))
    if fitted[best] > STANDS_OUT * std[best]:
        beside = along < starts[best] + widths[best] + LATEST_START_MM
        left = depth[beside] - fitted[best] * form[best, beside]
        misfit = max(1.0, float(left @ left) / white**2 / max(len(left) - 3, 1))
        # Those that agree: their depth may go as far from their own best as is left of the agreement.
        spare = AGREE * misfit - (gain[best] - gain)
        near = spare >= 0
        reach = np.sqrt(spare[near] / size[near]) * white
        deepest, least = float((fitted[near] + reach).max()), float((fitted[near] - reach).min())
        found = float(fitted[best])
        half = max(deepest - found, found - least) / 2
        spread = float(np.ptp(widths[near])) / 2
        return Groove(
            found,
            math.hypot(
                half, base[best], FORM_DOUBT * min(1.0, FORM_POINTS * noise.resolution_mm / widths[best]) * found
            ),
            float(starts[best]),
            float(widths[best]),
            math.hypot(max(spread, START_STEP_MM), WIDTH_DOUBT * float(widths[best])),
            present=True,
        )
    hidden = float((np.maximum(fitted, 0.0) + math.sqrt(AGREE) * std).max())
    return Groove(0.0, (1.0 + FORM_DOUBT) * hidden / 2, 0.0, 0.0, 0.0, present=False)


@lru_cache(maxsize=1)
def _grid() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    starts = np.arange(0.0, LATEST_START_MM + START_STEP_MM / 2, START_STEP_MM)
    first, wide = np.meshgrid(starts, WIDTHS_MM, indexing="ij")
    return first.ravel(), wide.ravel()


def _forms(
    along: Points, starts: NDArray[np.float64], widths: NDArray[np.float64], window: float
) -> NDArray[np.float64]:
    """Return what grooves of depth 1 give at the points, averaged over each point's stretch, (3 times grooves, N).

    They are round (half a wave), round with rounded rims (a whole one), or sharp (two straight walls).
    """
    total = np.zeros((3, len(starts), len(along)))
    for part in (np.arange(PARTS) + 0.5) / PARTS - 0.5:
        inside = np.clip((along[None] + part * window - starts[:, None]) / widths[:, None], 0.0, 1.0)
        wave = np.sin(math.pi * inside)
        total += np.stack([wave, wave * wave, 1.0 - np.abs(2.0 * inside - 1.0)])
    return np.asarray(total.reshape(-1, len(along)) / PARTS)
