"""A strip of the picture laid along a rule, and how it is brought into line with the ticks.

The stripes' local spacing and phase come from complex demodulation of each row; that gives the line on
which the ticks lie, their slant and the spacing to start with.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from core.geometry import Points

SAMPLES_PER_PERIOD = 8

HOLDS_STRIPES, HOLDS_ALL = 0.5, 0.55
"""Share of the strongest rows' stripes above which rows are taken for ticks, and for the ticks that all share: where
every second one alone goes on, as on rules of halves, stripes are half as strong."""


@dataclass(frozen=True, slots=True, eq=False)
class Strip:
    """A parallelogram of the picture: ``origin`` at its middle, ``along`` the rule, ``tick`` along the ticks."""

    origin: Points
    along: Points
    tick: Points
    period_px: float

    def to_picture(self, x: NDArray[np.float64], y: NDArray[np.float64] | float) -> Points:
        """Map strip coordinates in px to picture points, (N, 2)."""
        return np.asarray(self.origin + np.multiply.outer(x, self.along) + np.multiply.outer(y, self.tick))

    def sample(
        self, gray: NDArray[np.uint8], first_px: float, last_px: float, half_height_px: float, step_px: float
    ) -> NDArray[np.float32]:
        """Return the strip as a picture, sampled every ``step_px`` both ways; outside is NaN-free edge grey."""
        columns = max(2, round((last_px - first_px) / step_px) + 1)
        rows = max(2, 2 * round(half_height_px / step_px) + 1)
        corner = self.to_picture(np.array([first_px]), -step_px * (rows // 2))[0]
        matrix = np.column_stack([self.along * step_px, self.tick * step_px, corner])
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        warped = cv2.warpAffine(gray, matrix, (columns, rows), flags=flags, borderMode=cv2.BORDER_REPLICATE)
        return np.asarray(warped, np.float32)


def bands(gray: NDArray[np.uint8], strip: Strip, half: float) -> list[tuple[float, float]]:
    """Return up to three groups of rows (from, to) in which the stripes are strong."""
    step = strip.period_px / SAMPLES_PER_PERIOD
    span = 6 * strip.period_px
    z = demodulated(strip.sample(gray, -span, span, half, step))
    profile = np.abs(z[:, z.shape[1] // 2 - 3 : z.shape[1] // 2 + 4]).mean(axis=1)
    rows = (np.arange(len(profile)) - len(profile) // 2) * step
    left = profile.copy()
    found = []
    for _ in range(3):
        peak = int(left.argmax())
        if left[peak] < 0.3 * profile.max():
            break
        run = np.flatnonzero(run_around(profile > 0.6 * profile[peak], peak))
        left[run[0] : run[-1] + 1] = 0.0
        if len(run) >= 2:
            found.append((float(rows[run[0]]), float(rows[run[-1]])))
    return found


def align(
    gray: NDArray[np.uint8], strip: Strip, reach: float, band: tuple[float, float]
) -> tuple[Strip, tuple[float, float]] | None:
    """Return the strip with better line, slant, spacing and middle, and the rows (from, to) of its ticks."""
    step = strip.period_px / SAMPLES_PER_PERIOD
    tall = band[1] - band[0]
    half = max(abs(band[0]), abs(band[1])) + max(tall, strip.period_px)
    span = reach * strip.period_px
    picture = strip.sample(gray, -span, span, half, step)
    z = demodulated(picture)
    amplitude = np.abs(z)
    rows = (np.arange(picture.shape[0]) - picture.shape[0] // 2) * step
    centre = slice(max(0, z.shape[1] // 2 - 4), z.shape[1] // 2 + 5)
    profile = amplitude[:, centre].mean(axis=1)
    inside = (rows >= band[0] - 0.25 * tall) & (rows <= band[1] + 0.25 * tall)
    peak = int(np.where(inside, profile, 0.0).argmax())
    run = np.flatnonzero(run_around(inside & (profile > HOLDS_STRIPES * profile[peak]), peak))
    low, high = int(run[0]), int(run[-1]) + 1
    shared = np.flatnonzero(run_around(inside & (profile > HOLDS_ALL * profile[peak]), peak))
    phase = z[low:high].sum(axis=0)
    seen = np.abs(phase) > 0.35 * np.median(np.abs(phase[centre]))
    good = run_around(seen, len(seen) // 2)
    if high - low < 2 or good.sum() < 4:
        return None
    x = (np.arange(z.shape[1]) - (z.shape[1] - 1) / 2) * strip.period_px
    drift = np.polyfit(x[good], np.unwrap(np.angle(phase[good])), 1)[0]
    turn = z[low + 1 : high] * np.conj(z[low : high - 1])
    slant = float(np.angle(turn[:, good].sum())) / step
    wave = 2 * math.pi / strip.period_px + drift
    if not 0.7 < wave * strip.period_px / (2 * math.pi) < 1.4:
        return None
    slope, offset = _row_line(amplitude, rows, (low, high), x, good)
    tick = strip.tick - slant / wave * strip.along
    along = strip.along + slope * strip.tick
    origin = strip.origin + offset * tick
    length = float(np.hypot(*along))
    moved = Strip(origin, along / length, tick / np.hypot(*tick), 2 * math.pi / wave * length)
    return moved, (float(rows[shared[0]] - offset), float(rows[shared[-1]] - offset))


def demodulated(picture: NDArray[np.float32]) -> NDArray[np.complex64]:
    """Return the complex amplitude of the expected spacing in each row, one value a period."""
    columns = picture.shape[1]
    carrier = np.exp(-2j * np.pi * (np.arange(columns) - (columns - 1) / 2) / SAMPLES_PER_PERIOD).astype(np.complex64)
    mixed = (picture - picture.mean(axis=1, keepdims=True)) * carrier
    width = 3 * SAMPLES_PER_PERIOD
    window = np.hanning(width + 2)[1:-1]
    window = np.convolve(window, np.ones(SAMPLES_PER_PERIOD))
    window = (window / window.sum()).astype(np.float32)
    real = cv2.filter2D(np.ascontiguousarray(mixed.real), cv2.CV_32F, window[None, :], borderType=cv2.BORDER_CONSTANT)
    imag = cv2.filter2D(np.ascontiguousarray(mixed.imag), cv2.CV_32F, window[None, :], borderType=cv2.BORDER_CONSTANT)
    middle = (columns - 1) // 2
    kept = np.arange(middle % SAMPLES_PER_PERIOD, columns, SAMPLES_PER_PERIOD)
    return np.asarray((real + 1j * imag)[:, kept], np.complex64)


def run_around(flags: NDArray[np.bool_], start: int) -> NDArray[np.bool_]:
    result = np.zeros(len(flags), bool)
    low = high = start
    while low > 0 and flags[low - 1]:
        low -= 1
    while high < len(flags) - 1 and flags[high + 1]:
        high += 1
    result[low : high + 1] = True
    return result


def _row_line(
    amplitude: NDArray[np.float32],
    rows: NDArray[np.float64],
    band: tuple[int, int],
    x: NDArray[np.float64],
    good: NDArray[np.bool_],
) -> tuple[float, float]:
    """Return slope and offset of the middle of the ticks, fitted over the good periods."""
    low, high = band
    margin = max(1, (high - low) // 4)
    low, high = max(0, low - margin), min(len(rows), high + margin)
    part = amplitude[low:high]
    strong = np.where(part > 0.5 * part.max(axis=0), 1.0, 0.0)
    middle = (strong * rows[low:high, None]).sum(axis=0) / np.maximum(strong.sum(axis=0), 1e-9)
    if good.sum() < 6:
        return 0.0, float(np.median(middle[good]))
    weight = good.astype(float)
    slope = offset = 0.0
    for _ in range(4):
        slope, offset = np.polyfit(x, middle, 1, w=np.sqrt(weight) + 1e-9)
        residual = np.abs(middle - slope * x - offset)
        weight = good / (1.0 + (residual / max(1e-6, 1.5 * float(np.median(residual[good])))) ** 2)
    return float(np.clip(slope, -0.2, 0.2)), float(offset)


def chord(strip: Strip, width: int, height: int) -> tuple[float, float]:
    """Return where the strip's middle line enters and leaves the picture, px from its origin."""
    low, high = -math.inf, math.inf
    for position, way, size in zip(strip.origin, strip.along, (width, height), strict=True):
        if abs(way) > 1e-9:
            ends = sorted((-position / way, (size - 1 - position) / way))
            low, high = max(low, ends[0]), min(high, ends[1])
    return low, high
