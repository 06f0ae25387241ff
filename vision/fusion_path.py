"""The path of greatest contrast across the rows of a frame, and the test that it is a boundary at all.

The path maximises the sum of the two-sided contrast (mean of a window behind it less mean of one before it),
by dynamic programming. A path through mere grain is the best of many too: it follows what grains there are.
So the test looks away from it: windows a gap off the path, wider than the grain that the path could follow,
must differ, block by block and with one sign, by more than these blocks scatter among each other.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from core.medians import median

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


@dataclass(frozen=True, slots=True, eq=False)
class Strip:
    """What a picture shows on the rows of a frame, ready for means over any window along a row.

    Attributes
    ----------
    sums
        (2, I, J + 1 + 2 * reach) running sums along rows: of the values in metal, and of metal; with a rim on both
        sides, where there is no more metal.
    reach
        Width of that rim.
    step_mm
        Distance of stations along a row.
    """

    sums: Floats
    reach: int
    step_mm: float

    @property
    def stations(self) -> int:
        """Return how many stations a row has."""
        return int(self.sums.shape[2]) - 1 - 2 * self.reach

    def over(self, first: int, last: int) -> tuple[Rows, Rows]:
        """Return mean and share of metal of the stations from first to last relative to each station, (I, J).

        Neither lies farther off than the reach.
        """
        low, high = self.reach + first, self.reach + last + 1
        total, number = self.sums[..., high : high + self.stations] - self.sums[..., low : low + self.stations]
        total /= np.maximum(number, 1e-6)
        return np.asarray(total, np.float32), np.asarray(number / (last - first + 1), np.float32)

    def over_at(self, at: NDArray[np.int64], windows: NDArray[np.int64]) -> tuple[Floats, Floats]:
        """Return mean and share of metal of the stations from first to last relative to one of each row, (I, K).

        Parameters
        ----------
        windows
            (K, 2) first and last.
        """
        bounds = self.reach + _within(at[:, None, None] + windows + np.array([0, 1]), self.stations)
        sums = self.sums[:, np.arange(len(at))[:, None, None], bounds]
        total, number = sums[..., 1] - sums[..., 0]
        length = windows[:, 1] - windows[:, 0] + 1
        return np.asarray(total / np.maximum(number, 1e-6)), np.asarray(number / length)


def _within(stations: NDArray[np.int64], last: int) -> NDArray[np.int64]:
    """Return stations, those before the first or behind the last moved there."""
    return np.minimum(np.maximum(stations, 0), last)


def strip(values: Rows, metal: Rows, step_mm: float) -> Strip:
    """Return the strip of values and metal, (I, J) each."""
    rows, count = values.shape
    reach = _window(step_mm) + 1
    sums = np.zeros((2, rows, count + 1 + 2 * reach))
    inner = slice(reach + 1, reach + 1 + count)
    np.cumsum(values * metal, axis=1, dtype=np.float64, out=sums[0, :, inner])
    np.cumsum(metal, axis=1, dtype=np.float64, out=sums[1, :, inner])
    sums[:, :, inner.stop :] = sums[:, :, inner.stop - 1, None]
    return Strip(sums, reach, step_mm)


def _window(step_mm: float) -> int:
    """Return how many stations the window of the contrast reaches to one side."""
    return max(3, round(WINDOW_MM / step_mm))


def contrast(shown: Strip) -> Rows:
    """Return the contrast of both sides at every station of every row (outside less inside), 0 without enough metal."""
    near, far = 1, _window(shown.step_mm)
    inside, inside_share = shown.over(-far, -near)
    outside, outside_share = shown.over(near, far)
    found = outside - inside
    found[np.minimum(inside_share, outside_share) < 0.5] = 0.0
    return np.asarray(cv2.blur(found, (1, 3), borderType=cv2.BORDER_REPLICATE), np.float32)


@dataclass(frozen=True, slots=True, eq=False)
class Paths:
    """The paths of greatest sum over some score sheets, each followed when it is asked for.

    Attributes
    ----------
    totals
        (H,) the sum of each, the costs of its bends taken off.
    """

    totals: Rows
    _sums: Rows
    _price: Rows
    _middles: NDArray[np.int64]
    _rows: int

    def path(self, number: int) -> NDArray[np.int64]:
        """Return the station on each row, (I,)."""
        half, back, sheets = len(self._sums), self._rows // 2, len(self.totals)
        path = np.zeros(self._rows, np.int64)
        at = int(self._middles[number])
        _trace(self._sums[:, number], at, self._price, path[half - 1 :: -1])
        last = self._sums.shape[2] - 2 * JUMP - 1
        # Behind the middle the path goes on from the best station that a jump leads to.
        ahead = int((self._sums[-1, sheets + number, at : at + 2 * JUMP + 1] - self._price).argmax())
        _trace(
            self._sums[half - back :, sheets + number],
            min(max(at + ahead - JUMP, 0), last),
            self._price,
            path[half:],
        )
        return path


def best_paths(scores: Rows, *, bend: float = BEND) -> Paths:
    """Return for each of H score sheets (H, I, J) the path of greatest sum.

    The paths grow from the first and from the last row at once, as sheets beside each other, and join in the middle.
    """
    sheets, rows, stations = scores.shape
    half, back = rows - rows // 2, rows // 2
    steps = np.arange(-JUMP, JUMP + 1)
    price = (bend * steps**2).astype(np.float32)
    grown = np.zeros((half, 2 * sheets, stations), np.float32)
    grown[:, :sheets] = scores[:, :half].transpose(1, 0, 2)
    # Of the second half there may be one row less: it begins with a row of nothing.
    grown[half - back :, sheets:] = scores[:, : half - 1 : -1].transpose(1, 0, 2)
    sums = np.full((half, 2 * sheets, stations + 2 * JUMP), -1e9, np.float32)
    inner = sums[:, :, JUMP:-JUMP]
    # Row by row and jump by jump what it leads to, (half, jumps, 2 * sheets, stations).
    row_step, sheet_step, station_step = sums.strides
    reachable: Rows = np.ndarray(
        (half, len(steps), 2 * sheets, stations),
        np.float32,
        sums,
        strides=(row_step, station_step, sheet_step, station_step),
    )
    choices, prices = np.empty((len(steps), 2 * sheets, stations), np.float32), price[:, None, None]
    inner[0] = grown[0]
    for before, total, score in zip(reachable[:-1], inner[1:], grown[1:], strict=True):
        np.subtract(before, prices, out=choices)
        np.maximum.reduce(choices, axis=0, out=total)
        np.add(total, score, out=total)
    joined = inner[-1, :sheets] + np.max(reachable[-1, :, sheets:] - prices, axis=0)
    return Paths(joined.max(axis=1), sums, price, joined.argmax(axis=1), rows)


def _trace(totals: Rows, at: int, price: Rows, path: NDArray[np.int64]) -> None:
    """Write the stations of the best path that ends at one on the last row, last row first, into ``path``."""
    last = totals.shape[1] - 2 * JUMP - 1
    if len(path) > 0:
        path[0] = at
    for number, row in enumerate(totals[-2::-1][: max(0, len(path) - 1)], 1):
        at = min(max(at + int((row[at : at + 2 * JUMP + 1] - price).argmax()) - JUMP, 0), last)
        path[number] = at


def support(shown: Strip, path: NDArray[np.int64], length_mm: float) -> Support:
    """Test a path (I,) of stations: does metal a gap off on both sides differ by more than it scatters?"""
    count = len(path)
    gap, far = max(1, round(GAP_MM / shown.step_mm)), max(3, round((GAP_MM + WINDOW_MM) / shown.step_mm))
    # Inside, outside, and as far again inside.
    windows = np.array([(-far, -gap), (gap, far), (-2 * far, -far - gap)])
    value, share = shown.over_at(_within(path, shown.stations - 1), windows)
    blocks = min(max(4, round(length_mm / BLOCK_MM)), count)
    bounds = -(-np.arange(blocks + 1) * count // blocks)
    starts, rows = bounds[:-1], bounds[1:] - bounds[:-1]
    weight = np.where(share > 0.4, share, 0.0)
    total = np.add.reduceat(weight, starts)
    levels = np.add.reduceat(weight * value, starts) / np.maximum(total, 1e-9)
    enough = total > 0.25 * rows[:, None]
    usable = np.flatnonzero(enough[:, 0] & enough[:, 1])
    if len(usable) < 4:
        return Support(0.0, 0.0, 0.0, 0.0, np.zeros(count))
    inner, outer = levels[usable, 0], levels[usable, 1]
    # Neighbouring blocks differ by their noise; a slow drift of the etch does not count.
    scatter = [1.4826 * median(np.abs(level[1:] - level[:-1])) for level in (inner, outer)]
    noise = math.sqrt(0.5) * math.hypot(*scatter) + 1e-6
    step = outer - inner
    mean_step = float(step.sum()) / len(usable)
    deep = enough[:, 0] & enough[:, 2]
    drift = abs(float((levels[deep, 0] - levels[deep, 2]).sum())) / max(int(np.count_nonzero(deep)), 1)
    signed = step * (math.copysign(1.0, mean_step) / noise)
    centres = (np.arange(blocks) + 0.5) * count / blocks
    confidence = np.interp(np.arange(count), centres[usable], signed)
    score = abs(mean_step) / (noise / math.sqrt(len(usable)))
    seen = np.count_nonzero(signed > 2.0) / len(usable)
    return Support(mean_step, drift, score, seen, confidence, float(inner.sum()) / len(usable))
