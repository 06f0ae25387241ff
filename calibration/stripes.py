"""Where a picture holds stripes at an even spacing, whatever their direction: candidates for a rule.

A tile of a rule has its energy in one spectral line and that line's multiples; print, scratches and a
chessboard do not: print and scratches have no line, a chessboard or a woven ground has lines in two
directions. Tiles are taken from a pyramid, so that one tile size serves every spacing.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from core.geometry import Points

TILE_PX = 64
SHORTEST_PERIOD_PX, LONGEST_PERIOD_PX = 3.4, 10.0
LEAST_PEAK_RATIO = 12.0
LARGEST_CROSS_RATIO = 0.4
LEAST_ABOVE = 1.5
"""Height of a spectral line over what lies at lower frequencies than it."""

LEAST_GREY_STD, BOLD_GREY_STD = 1.5, 20.0
"""A tile that is livelier than the first, in grey levels, may hold a rule; ground with a grain of its own, of wood or
cloth, is seldom livelier than the second, graduations are."""

MOST_TILES = 500
MOST_OF_BATCH = 48
MOST_GROUPS = 60


@dataclass(frozen=True, slots=True, eq=False)
class Stripes:
    """Evenly spaced stripes somewhere in the picture.

    Attributes
    ----------
    centre_px
        (2,) in the full picture.
    direction
        (2,) unit vector across the stripes, x right and y down.
    period_px
        Their spacing in the full picture.
    reach_px
        Half the side of the tile they were seen in, in the full picture.
    strength
        Spectral peak over the mean of the spectrum.
    """

    centre_px: Points
    direction: Points
    period_px: float
    reach_px: float
    strength: float


def pyramid(gray: NDArray[np.uint8]) -> list[NDArray[np.uint8]]:
    """Return the picture and its halvings, down to two tiles across."""
    levels = [gray]
    while min(levels[-1].shape) >= 2 * TILE_PX and len(levels) < 7:
        height, width = levels[-1].shape
        smaller = cv2.resize(levels[-1], (width // 2, height // 2), interpolation=cv2.INTER_AREA)
        levels.append(np.asarray(smaller, np.uint8))
    return levels


def find_stripes(level_gray: NDArray[np.uint8], level: int, least_std: float = LEAST_GREY_STD) -> list[Stripes]:
    """Return the striped tiles of one pyramid level, strongest first, of those that are lively enough."""
    found: list[Stripes] = []
    grid = _Spectrum()
    for centres, tiles in _tile_batches(level_gray, least_std):
        found.extend(_striped(grid, centres, tiles, level))
    return sorted(found, key=lambda s: -s.strength)


def grouped(stripes: list[Stripes]) -> list[Stripes]:
    """Return one candidate a rule: tiles on one line with one spacing, the strongest for all.

    ``strength`` of a group is the sum of its tiles, groups come strongest first.
    """
    groups: list[tuple[Stripes, float]] = []
    for tile in stripes[:MOST_TILES]:
        for index, (head, total) in enumerate(groups):
            if _same_rule(head, tile):
                groups[index] = (head, total + tile.strength)
                break
        else:
            if len(groups) < MOST_GROUPS:
                groups.append((tile, tile.strength))
    heads = [Stripes(h.centre_px, h.direction, h.period_px, h.reach_px, total) for h, total in groups]
    return sorted(heads, key=lambda s: -s.strength)


def _same_rule(head: Stripes, tile: Stripes) -> bool:
    if not 0.93 < head.period_px / tile.period_px < 1.07:
        return False
    if abs(float(head.direction @ tile.direction)) < math.cos(math.radians(5.0)):
        return False
    step = tile.centre_px - head.centre_px
    across = abs(float(step[0] * head.direction[1] - step[1] * head.direction[0]))
    along = abs(float(step @ head.direction))
    return across < 1.2 * head.reach_px + 0.06 * along


def _tile_batches(
    gray: NDArray[np.uint8], least_std: float, batch: int = 256
) -> Iterator[tuple[Points, NDArray[np.float32]]]:
    height, width = gray.shape
    if min(height, width) < TILE_PX:
        return
    rows = _starts(height)
    columns = _starts(width)
    windows = np.lib.stride_tricks.sliding_window_view(gray, (TILE_PX, TILE_PX))
    y, x = (a.ravel() for a in np.meshgrid(rows, columns, indexing="ij"))
    for start in range(0, len(y), batch):
        part = slice(start, start + batch)
        tiles = windows[y[part], x[part]].astype(np.float32)
        tiles -= tiles.mean(axis=(1, 2), keepdims=True)
        lively = np.einsum("nij,nij->n", tiles, tiles) > (least_std * TILE_PX) ** 2
        if lively.any():
            half = (TILE_PX - 1) / 2
            yield np.column_stack([x[part] + half, y[part] + half])[lively], tiles[lively]


def _starts(length: int) -> NDArray[np.int64]:
    count = max(1, math.ceil((length - TILE_PX) / (TILE_PX // 2)) + 1)
    return np.linspace(0, length - TILE_PX, count).astype(np.int64)


class _Spectrum:
    """The frequencies at which stripes are looked for, (rows, columns), and the masks that go with them.

    Only these are computed, by products of matrices for all tiles at once: a third of the whole spectrum, and several
    times faster than transforming tile by tile.
    """

    def __init__(self) -> None:
        hann = np.hanning(TILE_PX + 2)[1:-1].astype(np.float32)
        self.most = math.ceil(TILE_PX / SHORTEST_PERIOD_PX)
        self.fy = np.arange(-self.most, self.most + 1)[:, None] / TILE_PX
        self.fx = np.arange(self.most + 1)[None, :] / TILE_PX
        self.radius = np.hypot(self.fx, self.fy)
        self.ring = (self.radius > 1 / LONGEST_PERIOD_PX) & (self.radius < 1 / SHORTEST_PERIOD_PX)
        self.weight = (self.radius * self.ring).astype(np.float32)
        # A real picture's spectrum is the same at opposite frequencies; of the first column both are held.
        self.ring_count = int(self.ring.sum())
        place = np.arange(TILE_PX)
        across = np.exp(-2j * np.pi * place[:, None] * self.fx) * hann[:, None]
        down = np.exp(-2j * np.pi * self.fy * place[None, :]) * hann[None, :]
        self.across = np.ascontiguousarray(np.concatenate([across.real, across.imag], axis=1), np.float32)
        self.down_real, self.down_imag = (np.ascontiguousarray(part, np.float32) for part in (down.real, down.imag))

    def of(self, tiles: NDArray[np.float32]) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Return real and imaginary part of the spectra of tiles (N, T, T), each (N, rows, columns)."""
        columns = self.most + 1
        lines = (tiles.reshape(-1, TILE_PX) @ self.across).reshape(-1, TILE_PX, 2 * columns)
        one, other = self.down_real @ lines, self.down_imag @ lines
        return one[..., :columns] - other[..., columns:], one[..., columns:] + other[..., :columns]


def _striped(grid: _Spectrum, centres: Points, tiles: NDArray[np.float32], level: int) -> list[Stripes]:
    real, imaginary = grid.of(tiles)
    size2 = real**2 + imaginary**2
    power = size2 * grid.weight
    flat = power.reshape(len(power), -1)
    peak = flat.argmax(axis=1)
    ratio = flat[np.arange(len(flat)), peak] * grid.ring_count / np.maximum(flat.sum(axis=1), 1e-9)
    found = []
    order = np.argsort(-ratio)[:MOST_OF_BATCH]
    for index in order[ratio[order] > LEAST_PEAK_RATIO]:
        row, column = divmod(int(peak[index]), power.shape[2])
        frequency = _refined_peak(grid, power[index], row, column)
        size = float(np.hypot(*frequency))
        if size == 0 or _cross_ratio(grid, power[index], frequency) > LARGEST_CROSS_RATIO:
            continue
        if not _is_line(grid, size2[index], row, column):
            continue
        scale = 2.0**level
        found.append(
            Stripes(
                (centres[index] + 0.5) * scale - 0.5,
                frequency / size,
                scale / size,
                TILE_PX / 2 * scale,
                float(ratio[index]),
            )
        )
    return found


def _is_line(grid: _Spectrum, size2: NDArray[np.float32], row: int, column: int) -> bool:
    """Tell whether a peak stands above what lies nearer to the middle of the spectrum, in the direction of it.

    A straight edge spreads over all frequencies in one direction, the lower the stronger.
    """
    down = row - grid.most
    between = [size2[grid.most + round(share * down), round(share * column)] for share in (0.6, 0.7)]
    return bool(math.sqrt(size2[row, column]) > LEAST_ABOVE * float(np.mean(np.sqrt(between))))


def _refined_peak(grid: _Spectrum, power: NDArray[np.float32], row: int, column: int) -> Points:
    """Return the frequency of a peak, cycles per pixel (x, y), by the centroid of its neighbours."""
    rows = slice(max(0, row - 1), row + 2)
    columns = slice(max(0, column - 1), column + 2)
    patch = power[rows, columns].astype(float)
    total = float(patch.sum())
    fx = float(patch.sum(axis=0) @ grid.fx[0, columns]) / total
    return np.array([fx, float(patch.sum(axis=1) @ grid.fy[rows, 0]) / total])


def _cross_ratio(grid: _Spectrum, power: NDArray[np.float32], frequency: Points) -> float:
    """Return the strongest line in another direction over the strongest line."""
    unit = frequency / np.hypot(*frequency)
    along = np.abs(grid.fx * unit[0] + grid.fy * unit[1])
    elsewhere = grid.ring & (along < 0.75 * grid.radius)
    return float((power * elsewhere).max() / max(float(power.max()), 1e-9))
