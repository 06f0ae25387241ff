"""The path of greatest contrast across the rows of a frame, and the test that it is a boundary at all.

The path maximises the sum of the two-sided contrast (mean of a window behind it less mean of one before it),
by dynamic programming. A path through mere grain is the best of many too: it follows what grains there are.
So the test looks away from it: windows a gap off the path, wider than the grain that the path could follow,
must differ, block by block and with one sign, by more than these blocks scatter among each other.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Rows = NDArray[np.float32]

WINDOW_MM = 0.55
GAP_MM = 0.18
BLOCK_MM = 0.7
BEND = 0.10
"""Cost of a squared step between rows, in units of contrast over noise."""
JUMP = 4


@dataclass(frozen=True, slots=True, eq=False)
class Support:
    """How well the picture supports a path.

    Attributes
    ----------
    step
        Mean step across it (outside less inside), in the channel's unit.
    drift
        Mean change on the inner side over the same distance away from the path: an etch that grows darker
        little by little gives a step everywhere.
    score
        Mean step over its standard uncertainty.
    seen
        Share of its blocks whose step has the mean's sign and stands clear of the noise.
    confidence
        (I,) signed step over noise, row by row.
    inside
        Level on the inner side.
    """

    step: float
    drift: float
    score: float
    seen: float
    confidence: Floats
    inside: float = 0.0


def contrast(values: Rows, metal: Rows, step_mm: float) -> Rows:
    """Return the contrast of both sides at every station of every row (outside less inside), 0 without enough metal."""
    near, far = 1, max(3, round(WINDOW_MM / step_mm))
    sums = _sums(values, metal)
    inside, inside_share = _window(sums, -far, -near)
    outside, outside_share = _window(sums, near, far)
    found = outside - inside
    found[(inside_share < 0.5) | (outside_share < 0.5)] = 0.0
    return np.asarray(cv2.blur(found, (1, 3), borderType=cv2.BORDER_REPLICATE), np.float32)


def _sums(values: Rows, metal: Rows) -> tuple[Floats, Floats]:
    """Return running sums along rows of the values in metal and of metal, one longer than the rows."""
    rows, count = values.shape
    sums, shares = np.zeros((rows, count + 1)), np.zeros((rows, count + 1))
    np.cumsum(values * metal, axis=1, dtype=np.float64, out=sums[:, 1:])
    np.cumsum(metal, axis=1, dtype=np.float64, out=shares[:, 1:])
    return sums, shares


def _window(sums: tuple[Floats, Floats], first: int, last: int) -> tuple[Rows, Rows]:
    """Return mean and share of metal of the stations from first to last relative to each station."""
    count = sums[0].shape[1] - 1
    at = np.arange(count)
    low, high = np.clip(at + first, 0, count), np.clip(at + last + 1, 0, count)
    number = sums[1][:, high] - sums[1][:, low]
    mean = (sums[0][:, high] - sums[0][:, low]) / np.maximum(number, 1e-6)
    return np.asarray(mean, np.float32), np.asarray(number / (last - first + 1), np.float32)


def _window_at(sums: tuple[Floats, Floats], at: NDArray[np.int64], first: int, last: int) -> tuple[Floats, Floats]:
    """Return mean and share of metal of the stations from first to last relative to one station of each row, (I,)."""
    count = sums[0].shape[1] - 1
    rows = np.arange(len(at))
    low, high = np.clip(at + first, 0, count), np.clip(at + last + 1, 0, count)
    number = sums[1][rows, high] - sums[1][rows, low]
    mean = (sums[0][rows, high] - sums[0][rows, low]) / np.maximum(number, 1e-6)
    return np.asarray(mean), np.asarray(number / (last - first + 1))


def best_paths(scores: Rows, *, bend: float = BEND) -> NDArray[np.int64]:
    """Return for each of H score sheets (H, I, J) the station on each row, (H, I), of the path of greatest sum."""
    sheets, rows, stations = scores.shape
    steps = np.arange(-JUMP, JUMP + 1)
    price = (bend * steps**2).astype(np.float32)
    came = np.zeros((rows, sheets * stations), np.int8)
    padded = np.full((sheets, stations + 2 * JUMP), -1e9, np.float32)
    # One view of the padded row serves all rows: it shows what is written into it.
    total, reachable = padded[:, JUMP:-JUMP], np.lib.stride_tricks.sliding_window_view(padded, 2 * JUMP + 1, axis=1)
    total[:] = scores[:, 0]
    choices = np.empty(reachable.shape, np.float32)
    flat, first = choices.reshape(-1), np.arange(sheets * stations) * len(steps)
    for row in range(1, rows):
        np.subtract(reachable, price, out=choices)
        best = choices.argmax(axis=2).ravel()
        came[row] = best
        np.add(flat[first + best].reshape(sheets, stations), scores[:, row], out=total)
    path = np.zeros((sheets, rows), np.int64)
    for sheet in range(sheets):
        at = int(total[sheet].argmax())
        for row in range(rows - 1, 0, -1):
            path[sheet, row] = at
            at = min(max(at + int(came[row, sheet * stations + at]) - JUMP, 0), stations - 1)
        path[sheet, 0] = at
    return path


def support(values: Rows, metal: Rows, path: Floats, length_mm: float, step_mm: float) -> Support:
    """Test a path (I,) of stations: does metal a gap off on both sides differ by more than it scatters?"""
    rows = np.arange(len(path))
    gap, far = max(1, round(GAP_MM / step_mm)), max(3, round((GAP_MM + WINDOW_MM) / step_mm))
    at = np.clip(np.rint(path), 0, values.shape[1] - 1).astype(int)
    sums, sides = _sums(values, metal), []
    deeper = far + gap + (far - gap)
    for first, last in ((-far, -gap), (gap, far), (-deeper, -far - gap)):
        sides.append(_window_at(sums, at, first, last))
    blocks = max(4, round(length_mm / BLOCK_MM))
    number = np.minimum(rows * blocks // len(path), blocks - 1)
    means, scatter2 = [], 0.0
    usable = np.ones(blocks, bool)
    for number_of_side, (value, share) in enumerate(sides):
        weight = np.where(share > 0.4, share, 0.0)
        total = np.bincount(number, weight, blocks)
        enough = total > 0.25 * np.bincount(number, minlength=blocks)
        if number_of_side < 2:
            usable &= enough
        level = np.asarray(np.bincount(number, weight * value, blocks), np.float64) / np.maximum(total, 1e-9)
        means.append(np.where(enough, level, np.nan))
    if usable.sum() < 4:
        return Support(0.0, 0.0, 0.0, 0.0, np.zeros(len(path)))
    for level in means[:2]:
        # Neighbouring blocks differ by their noise; a slow drift of the etch does not count.
        differences = np.diff(level[usable])
        scatter2 += 0.5 * (1.4826 * float(np.median(np.abs(differences)))) ** 2
    noise = float(np.sqrt(scatter2)) + 1e-6
    step = np.where(usable, means[1] - means[0], np.nan)
    mean_step = float(np.nanmean(step))
    slope = means[0] - means[2]
    drift = abs(float(np.nanmean(slope))) if np.isfinite(slope).any() else 0.0
    signed = step * np.sign(mean_step) / noise
    filled = np.interp(np.arange(blocks), np.flatnonzero(usable), signed[usable])
    centres = (np.arange(blocks) + 0.5) * len(path) / blocks
    confidence = np.interp(rows, centres, filled)
    score = abs(mean_step) / (noise / np.sqrt(usable.sum()))
    return Support(
        mean_step, drift, score, float(np.mean(signed[usable] > 2.0)), confidence, float(np.mean(means[0][usable]))
    )
