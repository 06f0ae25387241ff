"""One grey picture made of three colours: the sum of channels in which a section stands out most from its ground.

Metal is nearly grey. On wood, a cutting mat or coloured card its brightness may be that of the ground where a single
channel, or the difference of two, tells them well apart. Sought is Fisher's linear discriminant (R. A. Fisher, Annals
of Eugenics 7, 1936, 179-188) of two classes that are not known beforehand: Otsu's split of what the last one gave.
"""

from __future__ import annotations

from collections.abc import Iterator

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.tone import ToneCurve, light_table

Plane = NDArray[np.uint8]

SAMPLE_LONG_SIDE_PX = 400
TURNS = 4
STRIP_ROWS = 256
LEAST_CHROMA_LEVELS = 10.0
"""Pictures whose channels differ by less than this nearly everywhere hold no colour to use."""

MUCH_BETTER = 1.15
"""The share of variance that is left inside the classes has to fall by this factor against that of brightness alone."""

BRIGHTNESS = np.array([0.299, 0.587, 0.114])
"""Of red, green and blue (ITU-R BT.601)."""

STARTS = (
    BRIGHTNESS,
    (1.0, 0.0, 0.0),
    (0.0, 1.0, 0.0),
    (0.0, 0.0, 1.0),
    (1.0, -1.0, 0.0),
    (1.0, 0.0, -1.0),
    (0.0, 1.0, -1.0),
)


def colour_plane(rgb: NDArray[np.uint8], curve: ToneCurve, within: NDArray[np.bool_] | None = None) -> Plane | None:
    """Return the sum of channels that splits a picture best in two, None where brightness alone does as well.

    Parameters
    ----------
    rgb
        (H, W, 3) uint8.
    curve
        On which curve the channels store light; where it is known the plane holds light in proportion.
    within
        (H, W) bool, the part of the picture that is to be split; all of it where None.
    """
    lit = light_table().astype(float) if curve == "srgb" else np.arange(256.0)
    step = max(1.0, max(rgb.shape[:2]) / SAMPLE_LONG_SIDE_PX)
    size = (max(8, round(rgb.shape[1] / step)), max(8, round(rgb.shape[0] / step)))
    small = cv2.medianBlur(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA), 3)
    looked = np.ones(small.shape[:2], bool)
    if within is not None:
        looked = cv2.resize(within.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
    if not looked.any() or float(np.percentile(np.ptp(small[looked], axis=1), 95)) < LEAST_CHROMA_LEVELS:
        return None
    sample = lit[small[looked]]
    # A quarter of it tells the weights of three channels as well.
    few = lit[small[::2, ::2][looked[::2, ::2]]]
    best = min((_settled(few, np.asarray(start, float)) for start in STARTS), key=lambda found: found[1])
    if best[1] * MUCH_BETTER > _within_share(few @ BRIGHTNESS)[0]:
        return None
    weights = best[0]
    low, high = np.percentile(sample @ weights, [0.2, 99.8])
    gain = 235.0 / max(float(high - low), 1e-9)
    table = (lit[:, None] * weights * gain).astype(np.float32)
    offset = np.float32(10.5 - float(low) * gain)
    plane = np.empty(rgb.shape[:2], np.uint8)
    # Strip by strip: three planes of floating-point numbers of a large picture take a gigabyte.
    for top in range(0, len(rgb), STRIP_ROWS):
        rows = rgb[top : top + STRIP_ROWS]
        total = offset + sum(cv2.LUT(rows[..., channel], table[:, channel]) for channel in range(3))
        plane[top : top + STRIP_ROWS] = np.clip(total, 0, 255)
    return plane


def _settled(sample: NDArray[np.float64], start: NDArray[np.float64]) -> tuple[NDArray[np.float64], float]:
    """Return the discriminant that a first one leads to, and the share of variance inside its classes."""
    weights, (share, upper) = start, _within_share(sample @ start)
    for turned in _turns(sample, upper):
        found, classes = _within_share(sample @ turned)
        if found >= share:
            break
        weights, share, upper = turned, found, classes
    return weights, share


def _turns(sample: NDArray[np.float64], upper: NDArray[np.bool_]) -> Iterator[NDArray[np.float64]]:
    for _ in range(TURNS):
        one, other = sample[upper], sample[~upper]
        if min(len(one), len(other)) < 10:
            return
        within = (np.cov(one.T) * len(one) + np.cov(other.T) * len(other)) / len(sample)
        within += np.eye(3) * (1e-4 * np.trace(within) + 1e-9)
        weights = np.linalg.solve(within, one.mean(axis=0) - other.mean(axis=0))
        weights /= max(float(np.abs(weights).sum()), 1e-12)
        yield weights
        upper = _within_share(sample @ weights)[1]


def _within_share(values: NDArray[np.float64]) -> tuple[float, NDArray[np.bool_]]:
    """Return the share of variance that Otsu's two classes leave, and which values are of the upper class."""
    low, high = float(values.min()), float(values.max())
    if high - low < 1e-9:
        return 1.0, np.zeros(len(values), bool)
    scaled = ((values - low) * (255.0 / (high - low))).astype(np.uint8)
    level, _ = cv2.threshold(scaled, 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)
    upper = scaled > level
    if upper.all() or not upper.any():
        return 1.0, upper
    inside = values[upper].var() * upper.mean() + values[~upper].var() * (1 - upper.mean())
    return float(inside / values.var()), upper
