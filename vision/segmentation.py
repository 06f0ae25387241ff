"""Coarse silhouettes: which regions of a reduced picture may be metal, whatever is darker.

No grey level is fixed. Each proposal is a way to split the picture in two; the outline of every large
region of it is handed on, and the shape of the outline decides which one is the section.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from core.geometry import Points, signed_area
from core.medians import median, quantile
from vision.strokes import beside, strokes_of, touched

Gray = NDArray[np.uint8]

REDUCED_LONG_SIDE_PX, LEAST_SIDE_PX, LITTLE_LONGER = 1000, 8, 1.1
"""Long side of the picture that is searched; shortest side of any; and what is left as it is, over the wanted side."""

TEXTURES_PX = (11, 21)
"""Widths of a median that takes out weave, grain and veins of the ground, in pixels of the reduced picture."""

SETTLED = 0.001
"""Share of a picture that still changes its class when the light is no longer evened further."""

OF_ONE_TONE = "of tone"
"""Name of the proposals that take what is of the grey levels about one peak of the histogram."""

LEAST_PEAK, MOST_TONES, STRIP_PX = 0.001, 5, 9
"""Share of the picture in a single grey level that makes a peak; peaks that are tried; breadth of a strip, in pixels of
the reduced picture, that is no metal."""

SMALLEST_REGION_SHARE = 0.004
"""Regions under this share of the picture are not handed on."""


@dataclass(frozen=True, slots=True, eq=False)
class Silhouette:
    """Outline of one region in the full picture's pixels.

    Attributes
    ----------
    points_px
        (N, 2), clockwise as seen in the picture, so that metal lies to the right of the direction.
    area_px
        Enclosed area.
    proposal
        Name of the split that gave it.
    crossed
        (N,) bool, True beside a stroke that ran over the outline and was taken away; None where none did.
    """

    points_px: Points
    area_px: float
    proposal: str
    crossed: NDArray[np.bool_] | None = None


@dataclass(frozen=True, slots=True, eq=False)
class ReducedPicture:
    """A denoised small copy of a picture and the factor that leads back."""

    gray: Gray
    factor: float


def reduce_picture(gray: Gray, long_side_px: int = REDUCED_LONG_SIDE_PX) -> ReducedPicture:
    """Return the picture about ``long_side_px`` long where it is longer, freed of grain and scratches."""
    small = gray
    # By halves as far as they go: a mean of two by two takes a fraction of the time of any other.
    while max(small.shape) >= 4 * long_side_px and min(small.shape) >= 2 * LEAST_SIDE_PX:
        small = _shrunk(small, 2)
    rest = max(small.shape) / long_side_px
    times = math.floor(rest)
    if 1.0 < rest < LITTLE_LONGER * times and min(small.shape) >= times * LEAST_SIDE_PX:
        small = _shrunk(small, times)
    elif rest > 1.0:
        height, width = (max(LEAST_SIDE_PX, round(length / rest)) for length in small.shape)
        small = np.asarray(cv2.resize(small, (width, height), interpolation=cv2.INTER_AREA), np.uint8)
    return ReducedPicture(np.asarray(cv2.medianBlur(small, 5), np.uint8), max(1.0, max(gray.shape) / max(small.shape)))


def _shrunk(gray: Gray, times: int) -> Gray:
    """Return the means of so many by so many pixels."""
    height, width = (length // times for length in gray.shape)
    whole = gray[: height * times, : width * times]
    return np.asarray(cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA), np.uint8)


def filled(rings_px: Iterable[Points], picture: ReducedPicture) -> NDArray[np.uint8]:
    """Return the mask, 0 and 255, of what closed rings (N, 2) of the full picture enclose in a reduced one."""
    mask = np.zeros(picture.gray.shape, np.uint8)
    for ring_px in rings_px:
        cv2.fillPoly(mask, [np.rint((ring_px + 0.5) / picture.factor - 0.5).astype(np.int32)], 255)
    return mask


def proposals(picture: ReducedPicture, flat: Gray | None = None) -> Iterator[tuple[str, NDArray[np.uint8]]]:
    """Yield named splits of a picture, and of it with its light evened, as masks of 0 and 255, likeliest first."""
    gray = picture.gray
    flat = flatten_light(gray) if flat is None else flat
    _, bright = cv2.threshold(flat, 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)
    yield "bright", np.asarray(bright, np.uint8)
    yield "dark", np.asarray(255 - bright, np.uint8)
    _, plain = cv2.threshold(gray, 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)
    if np.count_nonzero(plain != bright) > 0.005 * gray.size:
        yield "bright, light as it is", np.asarray(plain, np.uint8)
        yield "dark, light as it is", np.asarray(255 - plain, np.uint8)
    for source, name in ((flat, "evened"), (gray, "as it is")):
        low, high = _three_classes(source)
        yield f"all but the darkest of three, {name}", _mask(source > low)
        yield f"darkest of three, {name}", _mask(source <= low)
        yield f"brightest of three, {name}", _mask(source > high)
        yield f"all but the brightest of three, {name}", _mask(source <= high)
        yield f"all but the middle of three, {name}", _mask((source <= low) | (source > high))
        yield f"middle of three, {name}", _mask((source > low) & (source <= high))
    yield "unlike the border", _unlike_border(gray)
    local = cv2.adaptiveThreshold(gray, 255, cv2.ADAPTIVE_THRESH_MEAN_C, cv2.THRESH_BINARY, _odd(gray.shape[0] / 3), 0)
    yield "brighter than its surroundings", np.asarray(local, np.uint8)
    yield "darker than its surroundings", np.asarray(255 - local, np.uint8)
    for texture_px in TEXTURES_PX:
        smooth = cv2.medianBlur(flat, texture_px)
        _, bright = cv2.threshold(smooth, 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)
        for name, mask in (("bright", bright), ("dark", 255 - bright)):
            yield f"{name}, without texture of {texture_px}", _to_steepest(np.asarray(mask, np.uint8), gray, texture_px)
    for number, (low, high) in enumerate(_tones(gray), start=1):
        alike = cv2.morphologyEx(_mask((gray >= low) & (gray <= high)), cv2.MORPH_CLOSE, _disc(5))
        # A shadow passes through the tone of the metal in a strip: it is thin and hangs on by its end.
        alike = cv2.morphologyEx(alike, cv2.MORPH_OPEN, _disc(STRIP_PX))
        yield f"{OF_ONE_TONE} {number}", _to_steepest(np.asarray(alike, np.uint8), gray, TEXTURES_PX[0])


def _tones(gray: Gray) -> list[tuple[int, int]]:
    """Return the spans of grey levels about the peaks of the histogram, the largest share of the picture first.

    A deep shadow has every tone from the ground's down; metal is of one, which need not be on the way of any threshold.
    """
    histogram = cv2.calcHist([gray], [0], None, [256], [0, 256]).ravel()
    smooth = cv2.GaussianBlur(histogram[None], (0, 0), 1.5, borderType=cv2.BORDER_CONSTANT).ravel()
    found = []
    for peak in range(2, 254):
        if smooth[peak] < LEAST_PEAK * gray.size or smooth[peak] < smooth[max(0, peak - 4) : peak + 5].max():
            continue
        low = high = peak
        while low > 0 and smooth[low - 1] <= smooth[low] > 0.1 * smooth[peak]:
            low -= 1
        while high < 255 and smooth[high + 1] <= smooth[high] > 0.1 * smooth[peak]:
            high += 1
        found.append((float(smooth[low : high + 1].sum()), low, high))
    return [(low, high) for _, low, high in sorted(found, reverse=True)[:MOST_TONES]]


def _to_steepest(mask: NDArray[np.uint8], gray: Gray, reach_px: int) -> NDArray[np.uint8]:
    """Move the border of a mask to the steepest steps near it: what smooths a texture away rounds corners, too.

    By the watershed of the gradient (F. Meyer, Signal Processing 38, 1994, 113-125) between what is surely inside and
    what is surely outside.
    """
    disc = _disc(reach_px)
    markers = np.zeros(mask.shape, np.int32)
    markers[cv2.erode(mask, disc) > 0] = 1
    markers[cv2.dilate(mask, disc) == 0] = 2
    # The library floods by differences of colours of neighbours: what it is given is the gradient's own height.
    across, down = cv2.Scharr(gray, cv2.CV_32F, 1, 0), cv2.Scharr(gray, cv2.CV_32F, 0, 1)
    steep = np.clip(cv2.magnitude(across, down) / 16.0, 0, 255).astype(np.uint8)
    cv2.watershed(cv2.merge([steep, steep, steep]), markers)
    return _mask(markers == 1)


def silhouettes(mask: NDArray[np.uint8], picture: ReducedPicture, proposal: str, *, most: int = 6) -> list[Silhouette]:
    """Return the outlines of the largest regions of a mask, holes filled, largest first."""
    cleaned = cv2.morphologyEx(mask, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    cleaned = cv2.morphologyEx(cleaned, cv2.MORPH_CLOSE, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (5, 5)))
    strokes = strokes_of(np.asarray(cleaned, np.uint8))
    if strokes is not None:
        cleaned = cv2.subtract(cleaned, strokes)
        flares = beside(strokes)
    contours, tree = cv2.findContours(cleaned, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    # Outer borders only, also of what lies inside another region (a section in the ring of its mount); most of them are
    # specks, whose few points enclose too little.
    least = SMALLEST_REGION_SHARE * mask.size
    outer = (
        c
        for c, links in zip(contours, tree[0].tolist() if tree is not None else (), strict=True)
        if links[3] < 0 and len(c) > 2.0 * math.sqrt(least)
    )
    sized = sorted(((cv2.contourArea(c), c) for c in outer), key=lambda pair: -pair[0])[:most]
    found = []
    for area, contour in sized:
        if area < least or area > 0.97 * mask.size:
            continue
        points = contour.reshape(-1, 2).astype(float)
        # With y down, clockwise as seen on the screen.
        if signed_area(points) < 0:
            points = points[::-1]
        full = (points + 0.5) * picture.factor - 0.5
        crossed = None if strokes is None else touched(points, flares)
        found.append(Silhouette(full, area * picture.factor**2, proposal, crossed))
    return found


def flatten_light(gray: Gray) -> Gray:
    """Divide out slowly varying light by alternating a two-class split and a quadratic surface.

    The logarithm of the grey level is modelled as one level a class plus one common quadratic
    surface; a section and its background are lit by the same lamp.
    """
    step = max(1, max(gray.shape) // 96)
    small = np.log(gray[::step, ::step].astype(np.float64) + 4.0)
    rows, cols = np.mgrid[-1 : 1 : complex(small.shape[0]), -1 : 1 : complex(small.shape[1])]
    terms = np.stack([cols, rows, cols * cols, rows * rows, cols * rows], axis=-1).reshape(-1, 5)
    values = small.ravel()
    surface = np.zeros_like(values)
    before = np.zeros(len(values), bool)
    for _ in range(4):
        level = values - surface
        split = _otsu_float(level)
        high = level > split
        # The surface depends on the classes alone: where they settle, so does it.
        if high.all() or not high.any() or np.count_nonzero(high != before) < SETTLED * len(high):
            break
        before = high
        design = np.column_stack([terms, high, ~high])
        weights = np.ones(len(values))
        for _ in range(2):
            solution = _weighted_solution(design, values, weights)
            residual = values - design @ solution
            scale = 1.4826 * median(np.abs(residual)) + 1e-6
            weights = 1.0 / (1.0 + (residual / (2.5 * scale)) ** 2)
        surface = terms @ solution[:5]
    if np.ptp(surface) < 0.05:
        return gray
    gain = cv2.resize(
        np.exp(-surface).reshape(small.shape).astype(np.float32), gray.shape[::-1], interpolation=cv2.INTER_LINEAR
    )
    flat = cv2.multiply(gray, gain, dtype=cv2.CV_32F)
    sample = flat[::4, ::4]
    low, high_level = quantile(sample, 0.002), quantile(sample, 0.998)
    spread = 255.0 / max(high_level - low, 1.0)
    return np.asarray(cv2.addWeighted(flat, spread, flat, 0.0, -low * spread, dtype=cv2.CV_8U), np.uint8)


def _weighted_solution(
    design: NDArray[np.float64], values: NDArray[np.float64], weights: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Solve a small weighted least-squares problem by its normal equations (columns are of like size)."""
    weighted = design * weights[:, None]
    normal = design.T @ weighted + 1e-9 * len(values) * np.eye(design.shape[1])
    return np.asarray(np.linalg.solve(normal, weighted.T @ values), np.float64)


def _otsu_float(values: NDArray[np.float64]) -> float:
    low, high = float(values.min()), float(values.max())
    if high - low < 1e-9:
        return low
    scaled = np.clip((values - low) * (255.0 / (high - low)), 0, 255).astype(np.uint8)
    level, _ = cv2.threshold(scaled, 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)
    return low + (level + 0.5) * (high - low) / 255.0


def _three_classes(gray: Gray) -> tuple[int, int]:
    """Return the two levels that split the histogram in three with the largest variance between."""
    histogram = cv2.calcHist([gray], [0], None, [256], [0, 256]).astype(float).reshape(64, 4).sum(axis=1)
    weight = np.concatenate([[0.0], np.cumsum(histogram)])
    moment = np.concatenate([[0.0], np.cumsum(histogram * np.arange(64))])
    first, second = np.triu_indices(63, k=1)
    best = np.zeros(len(first))
    for low, high in (
        (np.zeros_like(first), first + 1),
        (first + 1, second + 1),
        (second + 1, np.full_like(first, 64)),
    ):
        share = weight[high] - weight[low]
        best += np.where(share > 0, (moment[high] - moment[low]) ** 2 / np.maximum(share, 1e-9), 0.0)
    index = int(np.argmax(best))
    return int(first[index]) * 4 + 3, int(second[index]) * 4 + 3


def _unlike_border(gray: Gray) -> NDArray[np.uint8]:
    """Split by difference from a quadratic surface through the picture's border."""
    height, width = gray.shape
    band = max(2, round(0.02 * max(height, width)))
    inside = np.zeros(gray.shape, bool)
    inside[band:-band, band:-band] = True
    rows, cols = np.nonzero(~inside)
    pick = slice(None, None, max(1, len(rows) // 4000))
    rows, cols = rows[pick], cols[pick]
    design = _quadratic(cols / width, rows / height)
    values = gray[rows, cols].astype(float)
    weights = np.ones(len(values))
    solution = np.zeros(6)
    for _ in range(6):
        solution = _weighted_solution(design, values, weights)
        residual = values - design @ solution
        scale = 1.4826 * float(np.median(np.abs(residual))) + 1.0
        weights = 1.0 / (1.0 + (residual / (2.0 * scale)) ** 2)
    constant, by_x, by_y, by_xx, by_yy, by_xy = solution.astype(np.float32)
    x, y = np.arange(width, dtype=np.float32) / width, (np.arange(height, dtype=np.float32) / height)[:, None]
    # In powers of x with factors for each row: no table of all terms for each pixel.
    surface = (by_xx * x * x + constant) + (by_xy * y + by_x) * x + (by_yy * y + by_y) * y
    difference = np.minimum(cv2.absdiff(gray.astype(np.float32), surface), 255.0).astype(np.uint8)
    _, mask = cv2.threshold(difference, 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)
    return np.asarray(mask, np.uint8)


def _quadratic(x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.column_stack([np.ones_like(x), x, y, x * x, y * y, x * y])


def contrast_of(outline: Silhouette, picture: ReducedPicture) -> float:
    """Return the difference of the median grey levels inside and outside an outline, in grey levels, signed.

    Within four reduced pixels on either side, at some hundred points of it.
    """
    points = (outline.points_px + 0.5) / picture.factor - 0.5
    count = len(points)
    index = np.arange(0, count, max(1, count // CONTRAST_POINTS))
    out = outwards(points, index, 3)
    inner, outer = (
        _levels_at(points[index] + out * steps[:, None, None], picture.gray) for steps in (-BESIDE_PX, BESIDE_PX)
    )
    return median(inner) - median(outer) if len(inner) and len(outer) else 0.0


def outwards(points: Points, index: NDArray[np.intp], reach: int) -> Points:
    """Return the unit vectors out of a closed outline at some of its points, from those so many before and behind."""
    along = points[(index + reach) % len(points)] - points[index - reach]
    return np.asarray(np.column_stack([along[:, 1], -along[:, 0]]) / (np.hypot(*along.T)[:, None] + 1e-9))


CONTRAST_POINTS = 400
BESIDE_PX = np.arange(1.0, 5.0)


def _levels_at(places: NDArray[np.float64], gray: Gray) -> NDArray[np.float64]:
    """Return the grey levels at those of some places, (..., 2), that lie in the picture, (N,)."""
    x, y = np.rint(places[..., 0]).astype(np.intp), np.rint(places[..., 1]).astype(np.intp)
    seen = (x >= 0) & (y >= 0) & (x < gray.shape[1]) & (y < gray.shape[0])
    return np.asarray(gray[y[seen], x[seen]], np.float64)


def _mask(chosen: NDArray[np.bool_]) -> NDArray[np.uint8]:
    return chosen.astype(np.uint8) * np.uint8(255)


def _disc(width_px: int) -> NDArray[np.uint8]:
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (width_px, width_px)), np.uint8)


def _odd(value: float) -> int:
    return max(3, int(value) // 2 * 2 + 1)
