"""The sub-pixel centre of a laser line, column by column, in a band along its course.

Two estimators stand ready. The peak of a logarithmic parabola after a Gaussian of the line's own width lies on the
Cramér-Rao bound for white noise; with coherent speckle a wide centroid is better by a third. Which of them
scatters less along the line is seen in the frame itself, from third differences, so that no camera need be
described. Saturated columns always take the centroid: their top is flat. Columns are independent: nothing is
smoothed along the line, corners stay corners.

The bound for a column, all of height, ground and width unknown: sd = 1.062 (noise / height) sqrt(sigma).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from core.medians import median, quantile
from vision.line_scatter import APART, THIRD_SPREAD, scatter_std, third_difference
from vision.stripe_estimators import centroid, drawn_aside, flanks, log_parabola
from vision.stripe_ground import UNEVEN, Moved, ground_courses, moved_by_ground
from vision.stripe_stuck import stuck
from vision.stripe_width import FULL, counted, cut_off_width, variances, widths

Estimator = Literal["gaussian", "centroid"]

FWHM = 2.3548
LEAST_STD_PX = 0.02
"""What no model of a line tells: pixels differ, lenses are no pinholes (common practice, no source)."""

CENTROID_SIGMAS = 4.0
LEAST_SNR = 5.0
DISTURBED = 4.0
"""A column that fits the line's shape this many times worse than usual shows something else too."""

LEAST_OF_NOISE = 0.7
"""Share of the scatter that noise alone would give a wide centroid, as far as that noise may be overrated."""


WIDE = 2.2
SWOLLEN = 1.3


@dataclass(frozen=True, slots=True, eq=False)
class Centres:
    """Centres along one direction.

    Attributes
    ----------
    position
        (N,) across the line, px; NaN where there is none.
    std
        (N,) standard uncertainty, px.
    height
        (N,) grey levels of 255 above the ground.
    saturated, faint, disturbed
        (N,) bool.
    sigma_px, noise
        Width of the line and noise of a pixel.
    estimator
        Which one was taken for columns that are not saturated.
    spread_px
        How far light is spread along the rows, by blur alone, and along the columns, by its sheet's thickness as well.
    together
        Neighbouring columns that are off alike: more than one on a ground with a texture.
    band_px
        Width across its direction of a line that is overexposed along most of its course, as the standard deviation of
        a Gaussian that is half as high over as much; else 0.
    """

    position: NDArray[np.float64]
    std: NDArray[np.float64]
    height: NDArray[np.float64]
    saturated: NDArray[np.bool_]
    faint: NDArray[np.bool_]
    disturbed: NDArray[np.bool_]
    sigma_px: float
    noise: float
    estimator: Estimator
    spread_px: tuple[float, float]
    together: float = 1.0
    band_px: float = 0.0


def line_sigma(gray: NDArray[Any], columns: NDArray[np.int64], course: NDArray[np.float64], reach: int) -> float:
    """Return the width of a line as the standard deviation of a Gaussian, from the height of its half."""
    pick = np.linspace(0, len(columns) - 1, min(len(columns), 160)).astype(int)
    band, _ = _band(gray, columns[pick], course[pick], reach)
    ground = np.minimum(band[:3].mean(axis=0), band[-3:].mean(axis=0))
    smooth = cv2.blur(band, (1, 3), borderType=cv2.BORDER_REPLICATE) - ground
    above = counted(smooth > 0.5 * smooth.max(axis=0))
    # The blur of three pixels adds 2/3 px² to the variance of a Gaussian.
    return math.sqrt(max(0.36, (median(above) / FWHM) ** 2 - 2.0 / 3.0))


def centres(
    gray: NDArray[Any],
    columns: NDArray[np.int64],
    course: NDArray[np.float64],
    sigma_px: float,
    *,
    slack: int = 5,
    estimator: Estimator | None = None,
    turned: bool = False,
    blocks_noise: float = 0.0,
) -> Centres:
    """Return the centre of the line in each of the given columns near its course.

    Parameters
    ----------
    gray
        (H, W) uint8 or uint16.
    columns, course
        (N,) whole columns, and the row where the line is expected in each, good to ``slack`` px.
    sigma_px
        Width of the line across the columns.
    estimator
        None takes the one that scatters less.
    turned
        The columns are rows of the frame, taken where the line runs along the columns for a while.
    blocks_noise
        Noise of a pixel as blocks of pixels tell it. Where they scatter by more than pixels do, the ground has a
        texture: what it does to the centres is looked up beside the line.
    """
    half = math.ceil(4.5 * sigma_px) + slack + 3
    band, origin = _band(gray, columns, course, half)
    saturated = _saturated(band[half - slack - 1 : half + slack + 2])
    ground, noise = _ground(band)
    size = (1, 2 * math.ceil(3.5 * sigma_px) + 1)
    smooth = np.asarray(cv2.GaussianBlur(band, size, sigma_px, borderType=cv2.BORDER_REPLICATE), np.float32)
    low, high = half - slack, half + slack + 1
    peak = low + np.argmax(smooth[low:high], axis=0)
    gauss, height, bend = log_parabola(smooth, peak, ground)
    # A line smoothed by its own width keeps 1/sqrt(2) of its height.
    slope = np.abs(_slope(course))
    variance, told = variances(band, ground, bend, saturated, sigma_px)
    wide, spread_px = widths(variance, told, slope, sigma_px, turned=turned)
    height = height * np.sqrt(1 + (sigma_px / wide) ** 2)
    theory = 1.062 * noise / np.maximum(height, 1e-3) * math.sqrt(sigma_px)
    reach = CENTROID_SIGMAS * sigma_px
    wide_theory = noise * math.sqrt(2 * reach**3 / 3) / (np.maximum(height, 1e-3) * sigma_px * math.sqrt(2 * math.pi))
    uneven = blocks_noise > UNEVEN * noise
    moved = _moved_by_ground(gray, columns, course, sigma_px, reach) if uneven else None
    tall = max(median(height), 1.0) if moved else 1.0
    chosen = estimator or _steadier(
        band,
        gauss,
        ground,
        reach,
        columns,
        origin,
        saturated,
        LEAST_OF_NOISE * median(wide_theory),
        (moved.peak / tall, moved.centroid / tall) if moved else (0.0, 0.0),
    )
    position, std = gauss, theory
    if chosen == "centroid":
        position, std = centroid(band, gauss, ground, reach), wide_theory
        drawn = drawn_aside(position, gauss, sigma_px, reach)
        if drawn.any():
            position, std = np.where(drawn, gauss, position), np.where(drawn, theory, std)
    if saturated.any():
        position = position.copy()
        position[saturated] = flanks(band[:, saturated], gauss[saturated], ground[saturated], reach)
        std = np.where(saturated, 2 * noise / np.maximum(height, 1e-3), std)
    overexposed = 2 * np.count_nonzero(saturated) > len(saturated)
    spread, above = _misfit(band, position, ground, height, wide, noise)
    usual = max(median(spread), 0.01)
    faint = height < LEAST_SNR * noise / math.sqrt(max(1.0, 2.0 * sigma_px))
    allowed = WIDE * FWHM * wide + 3
    # The width of an overexposed line depends on its brightness, and changes little from column to column.
    local = cv2.medianBlur(np.clip(above, 0, 255).astype(np.uint8)[None], 31)[0] if saturated.any() else above
    # What the width is off by counts in as many more pixels as the line is wider along a steep column; where the course
    # is steep for a few columns only, it steps aside for something else.
    steady = cv2.erode(slope.astype(np.float32)[None], np.ones((1, 4 * slack + 1)))[0]
    unlike = spread > DISTURBED * usual * (1 + np.minimum(steady, 4.0) ** 2) ** 0.25
    disturbed = np.where(saturated, above > SWOLLEN * local + 2.5, unlike | (above > allowed))
    if overexposed:
        disturbed |= stuck(band, ground, position, origin)
    at_rim = (position < 1.5) | (position > len(band) - 2.5) | ~np.isfinite(position)
    placed = position + origin
    seen = np.isfinite(placed) & (placed > sigma_px) & (placed < gray.shape[0] - 1 - sigma_px)
    placed = np.where(at_rim | faint | disturbed | ~seen, np.nan, placed)
    scatter = scatter_std(columns, placed)
    known = np.isfinite(placed)
    typical = median(std[known]) if known.any() else 0.0
    extra = math.sqrt(max(0.0, scatter**2 - typical**2)) if math.isfinite(scatter) else 0.0
    std = np.sqrt(std**2 + extra**2 + LEAST_STD_PX**2)
    together = 1.0
    if moved:
        std, together = _with_ground(std, height, moved, chosen)
    band_px = cut_off_width(band, ground, saturated, slope) / FWHM if overexposed else 0.0
    return Centres(
        placed, std, height, saturated, faint, disturbed & ~faint, sigma_px, noise, chosen, spread_px, together, band_px
    )


def _moved_by_ground(
    gray: NDArray[Any], columns: NDArray[np.int64], course: NDArray[np.float64], sigma_px: float, reach: float
) -> Moved | None:
    """Return what the ground beside a line does to its centre, None where there is no room for it."""
    half = math.ceil(reach)
    sides = ground_courses(course, gray.shape[0], sigma_px, half)
    if not sides:
        return None
    return moved_by_ground([_band(gray, columns[inside], rows, half)[0] for inside, rows in sides], sigma_px, reach)


def _with_ground(
    std: NDArray[np.float64], height: NDArray[np.float64], moved: Moved, chosen: Estimator
) -> tuple[NDArray[np.float64], float]:
    """Return the uncertainty of points with what the ground moves them, and how many neighbours are off alike."""
    step, points = (moved.centroid, moved.centroid_points) if chosen == "centroid" else (moved.peak, moved.peak_points)
    ground = step / np.maximum(height, 1.0)
    total = np.hypot(std, ground)
    return total, 1.0 + (points - 1.0) * median((ground / total) ** 2)


def _slope(course: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the change from place to place, half of that over two places except at the ends."""
    slope = np.zeros(len(course))
    if len(course) > 1:
        slope[1:-1] = 0.5 * (course[2:] - course[:-2])
        slope[0], slope[-1] = course[1] - course[0], course[-1] - course[-2]
    return slope


def _band(
    gray: NDArray[Any], columns: NDArray[np.int64], course: NDArray[np.float64], half: int
) -> tuple[NDArray[np.float32], NDArray[np.int64]]:
    """Return the pixels around the course, (2 half + 1, N) in grey levels of 255, and the row of the first.

    Columns of the frame lie side by side, as in the frame: sums across the line then go over whole rows at a time.
    """
    origin = np.rint(course).astype(np.int64) - half
    if not (gray.flags.c_contiguous or gray.flags.f_contiguous):
        gray = np.ascontiguousarray(gray)
    # One index for each pixel instead of two, in the order in which the frame (or its transpose) lies in memory.
    down, right = (stride // gray.itemsize for stride in gray.strides)
    steps = np.arange(2 * half + 1)[:, None]
    index = steps * down + (origin * down + columns * right)
    beyond = np.flatnonzero((origin < 0) | (origin + 2 * half >= gray.shape[0]))
    if len(beyond):
        rows = np.clip(origin[beyond] + steps, 0, gray.shape[0] - 1)
        index[:, beyond] = rows * down + columns[beyond] * right
    # No index lies outside by now; what is told to clip is taken without a look at each.
    band = gray.ravel(order="K").take(index, mode="clip").astype(np.float32)
    if gray.dtype == np.uint16:
        band *= np.float32(1 / 257)
    return band, origin


def _saturated(band: NDArray[np.float32]) -> NDArray[np.bool_]:
    """Return the columns of which at least three pixels are at the sensor's limit."""
    if float(band.max(initial=0.0)) < FULL - 0.5:
        return np.zeros(band.shape[1], bool)
    return np.asarray((band >= FULL - 0.5).sum(axis=0) >= 3)


def _ground(band: NDArray[np.float32]) -> tuple[NDArray[np.float32], float]:
    """Return the ground of each column from both rims of the band, and the noise of a pixel."""
    rim = 4
    first, last = band[:rim], band[-rim:]
    ground = np.minimum(first.mean(axis=0), last.mean(axis=0))
    step = np.abs(np.concatenate([first[1:] - first[:-1], last[1:] - last[:-1]]))
    # A step between two pixels of whole levels; never below what rounding adds.
    return ground, max(quantile(step, 0.6827) / math.sqrt(2.0), math.sqrt(1 / 12))


def _steadier(
    band: NDArray[np.float32],
    gauss: NDArray[np.float64],
    ground: NDArray[np.float32],
    reach: float,
    columns: NDArray[np.int64],
    rows: NDArray[np.int64],
    saturated: NDArray[np.bool_],
    least: float,
    moved: tuple[float, float],
) -> Estimator:
    """Return the estimator that scatters less along the line, judged on some groups of near columns.

    A wide centroid scatters by no less than ``least``, what the noise of pixels does to it: it need not be tried where
    the other does better. What an uneven ground does to the peak and to the centroid (``moved``, px) counts as well.
    """
    count = len(columns)
    if count < 60:
        return "gaussian"
    first = np.arange(0, count - 3 * APART, max(3, count // 200))
    first = first[(columns[first + 3 * APART] - columns[first] == 3 * APART) & ~saturated[first]]
    if len(first) < 12:
        return "gaussian"
    index = np.concatenate([first + i * APART for i in range(4)])
    origin = rows[index]
    narrow = 1.4826 * median(np.abs(third_difference(*(gauss[index] + origin).reshape(4, -1)))) / THIRD_SPREAD
    if narrow < least:
        return "gaussian"
    wide = centroid(np.take(band, index, axis=1), gauss[index], ground[index], reach)
    broad = 1.4826 * median(np.abs(third_difference(*(wide + origin).reshape(4, -1)))) / THIRD_SPREAD
    return "centroid" if math.hypot(broad, moved[1]) < math.hypot(narrow, moved[0]) else "gaussian"


def _misfit(
    band: NDArray[np.float32],
    position: NDArray[np.float64],
    ground: NDArray[np.float32],
    height: NDArray[np.float64],
    sigma_px: NDArray[np.float64],
    noise: float,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return each column's width, and its distance from a line's shape beyond noise, relative to its height (first)."""
    light = band - ground
    tall = np.maximum(height, 1e-3).astype(np.float32)
    away = np.arange(len(band), dtype=np.float32)[:, None] - position.astype(np.float32)
    # In place: a band fills a processor's nearest memory, and each further one of its size pushes others out of it.
    away *= away
    away *= (-0.5 / sigma_px**2).astype(np.float32)
    model = np.exp(away, out=away)
    model *= tall
    np.subtract(light, model, out=model)
    np.abs(model, out=model)
    spread = (model.mean(axis=0) - 0.8 * noise) / tall
    return spread.astype(float), counted(light > 0.5 * tall).astype(float)
