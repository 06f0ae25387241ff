"""One section of a point cloud: points of a slab, seen along the seam with the air above, to an open profile.

Points come in no order and with a scatter as large as their spacing, so that neighbours cannot be joined one by one.
Columns of a pilot pass tell the surface that is seen from the air from points in the air above it and from a surface
behind it; along that surface the points of short stretches are averaged, and each mean knows how well it is known.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from core.geometry import Points, arc_length
from vision.cloud_bench import bench_ends
from vision.cloud_ends import Scattered, out_to_the_rims
from vision.cloud_scatter import more_than_told, scatter_of_points
from vision.profile import Gap, Profile

LEAST_POINTS = 40
COLUMN_MM = (0.4, 2.0)
"""Narrowest and widest column of the pilot pass."""

A_COLUMN, A_MEAN = 8, 4
"""Points wanted in a column, and at least in a stretch that is averaged."""

MEAN_STD_MM = 0.03
"""Points are averaged until a mean is known so well, where the longest stretch allows it."""

STRETCH_MM = (0.08, 0.3)
STEEPEST = 2.5
"""A surface seen from the air rises by no more than this per mm across, else it counts as a jump."""

LAYER_MM = 1.0
"""Points of one column farther apart in height than this lie on different surfaces."""

FEW_EMPTY = 1
"""Empty columns that the surface goes straight over; beyond more of them it may begin anew in another direction."""

LOOK_BACK = 12
"""A chain goes on from one of so many filled columns before."""

JUMP_COST, SKIP_COST, TOP_REWARD = 15.0, 0.7, 0.4
OUTLIER, ROUGH_MM = 3.5, 0.02
LEAST_MEANS = 8
LEAST_GAP_STEPS, NARROW_GAP_STEPS = 4.0, 2.5
"""Steps so many times longer than others have points missing; from the second on they may, if both sides end there."""

SMOOTHED = 1.7
"""Means that stray so many times more than the scatter of single points tells share it; by chance they stray less."""

MISSING = "the cloud has no points here"


@dataclass(frozen=True, slots=True, eq=False)
class SlabProfile:
    """A profile with what its points said about themselves.

    Attributes
    ----------
    profile
        Open, left to right, air above.
    noise_mm
        Robust standard deviation of single points across the surface.
    used, left_out
        Points on the surface, and points that lie in the air, behind, or stray.
    """

    profile: Profile
    noise_mm: float
    used: int
    left_out: int


def profile_of_slab(points: Points) -> SlabProfile | None:
    """Return the profile that a slab's points (N, 2), air above, show; None where there are too few.

    The surface is followed from column to column by dynamic programming: the uppermost layer is preferred, a jump
    costs, and a column may be left out (a hole through which only something behind is seen).
    """
    if len(points) < LEAST_POINTS:
        return None
    extent = float(np.ptp(points[:, 0]))
    if extent <= 0:
        return None
    width = float(np.clip(A_COLUMN * extent / len(points), *COLUMN_MM))
    layers = _layers(points, width)
    chain = _chain(layers, width)
    if len(chain) < 4:
        return None
    chain, jumps = _with_rims(layers, chain, width)
    node = _nodes(layers, chain)
    near_surface = points[(node >= 0) | (layers.of_point < 0)]
    kept, node = points[node >= 0], node[node >= 0]
    empty = np.diff(layers.column[chain]) > FEW_EMPTY + 1
    pilot, shift = _led_on(layers.middle[chain], empty | jumps, width)
    along, across = _on_polyline(kept, pilot, node + shift[node])
    return _averaged(kept, along, across, near_surface, len(points))


@dataclass(frozen=True, slots=True, eq=False)
class _Layers:
    """Layers of all columns, from left to right and in a column from the top down; layer and column of each point.

    ``extent`` holds the highest and the lowest height of each.
    """

    column: NDArray[np.int64]
    middle: Points
    extent: Points
    top: NDArray[np.bool_]
    filled: NDArray[np.bool_]
    of_point: NDArray[np.int64]
    of_column: NDArray[np.int64]


def _layers(points: Points, width: float) -> _Layers:
    """Split every column where its heights leave a space; layers of very few points are no surface (-1)."""
    column = np.floor((points[:, 0] - points[:, 0].min()) / width).astype(np.int64)
    order = np.lexsort((-points[:, 1], column))
    sorted_column, height = column[order], points[order, 1]
    space = max(LAYER_MM, 2.0 * width)
    starts = np.concatenate([[True], (np.diff(sorted_column) != 0) | (-np.diff(height) > space)])
    layer = np.cumsum(starts) - 1
    count = np.bincount(layer)
    usual = float(np.median(count[count > 2])) if (count > 2).any() else 3.0
    good = count >= max(2.0, 0.2 * usual)
    number = np.where(good, np.cumsum(good) - 1, -1)
    of_point = np.empty(len(points), np.int64)
    of_point[order] = number[layer]
    first = np.flatnonzero(starts)
    # Heights go down within a layer: the one in its middle is the median.
    across = np.bincount(layer, points[order, 0]) / count
    middle = np.column_stack([across, height[first + count // 2]])[good]
    extent = np.column_stack([height[first], height[first + count - 1]])[good]
    at = sorted_column[first][good]
    top = np.concatenate([[True], np.diff(at) != 0]) if len(at) else np.empty(0, bool)
    filled = np.zeros(int(column.max()) + 2, bool)
    filled[at] = True
    return _Layers(at, middle, extent, top, filled, of_point, column)


def _chain(layers: _Layers, width: float) -> list[int]:
    """Return the layers that make up the visible surface, at most one a column."""
    count = len(layers.column)
    best = np.zeros(count)
    before = np.full(count, -1)
    filled = np.concatenate([[0], np.cumsum(layers.filled)])
    columns, x, y = layers.column.tolist(), layers.middle[:, 0].tolist(), layers.middle[:, 1].tolist()
    before_column = filled.tolist()
    first = 0
    for i in range(count):
        # Empty columns do not count: the edge of a lap that is not seen leaves many.
        while before_column[columns[i]] - before_column[columns[first]] > LOOK_BACK:
            first += 1
        gain = 0.0
        for j in range(first, i):
            if columns[j] == columns[i]:
                break
            excess = abs(y[i] - y[j]) - STEEPEST * max(x[i] - x[j], width)
            jump = min(JUMP_COST, max(0.0, excess))
            skipped = int(filled[columns[i]] - filled[columns[j] + 1])
            value = best[j] - jump - SKIP_COST * skipped
            if value > gain:
                gain, before[i] = value, j
        best[i] = gain + 1.0 + (TOP_REWARD if layers.top[i] else 0.0)
    chain: list[int] = []
    at = int(np.argmax(best)) if count else -1
    while at >= 0:
        chain.append(at)
        at = int(before[at])
    return chain[::-1]


def _with_rims(layers: _Layers, chain: list[int], width: float) -> tuple[list[int], NDArray[np.bool_]]:
    """Return the chain with the layers that lead its surfaces on to where it jumps between them, and the jumps.

    A column in which one surface ends and the other begins has a layer of each, and the chain but one of them. Jumps
    (N - 1,) are told where such layers are, or nothing lies between: an upright edge that is seen is a layer by itself.
    """
    across, up = np.abs(np.diff(layers.middle[chain], axis=0)).T
    steep = up > STEEPEST * np.maximum(across, width)
    high, low = layers.extent[chain].T
    empty = np.maximum(low[:-1] - high[1:], low[1:] - high[:-1]) > LAYER_MM
    longer, jumps = [chain[0]], []
    for here, there, may_jump, bare in zip(chain[:-1], chain[1:], steep, steep & empty, strict=True):
        before = _beside(layers, here, there, width) if may_jump else []
        behind = _beside(layers, there, here, width)[::-1] if may_jump else []
        longer += [*before, *behind, there]
        jumps += [False] * len(before) + [bool(bare or before or behind)] + [False] * len(behind)
    return longer, np.array(jumps, bool)


def _beside(layers: _Layers, end: int, other: int, width: float) -> list[int]:
    """Return the layers that lead a surface on from its last node in a chain, as far as the column of the next one."""
    found: list[int] = []
    step = 1 if other > end else -1
    for column in range(layers.column[end] + step, layers.column[other] + step, step):
        first, last = np.searchsorted(layers.column, [column, column + 1])
        own = np.abs(layers.middle[first:last, 1] - float(layers.middle[found[-1] if found else end, 1]))
        if not len(own) or own.min() > STEEPEST * width:
            break
        found.append(int(first + own.argmin()))
    return found


def _nodes(layers: _Layers, chain: list[int]) -> NDArray[np.int64]:
    """Return which node of the chain each point belongs to, -1 for none.

    In a column that the surface reaches with too few points for a layer, where it ends, they belong to the next one.
    """
    number = np.full(len(layers.column) + 1, -1)
    number[chain] = np.arange(len(chain))
    node = number[layers.of_point]  # the last entry serves points of no layer
    columns = np.full(int(layers.of_column.max()) + 3, -1)
    columns[layers.column[chain] + 1] = np.arange(len(chain))
    beside = np.maximum(columns[layers.of_column], columns[layers.of_column + 2])
    alone = (layers.of_point < 0) & (columns[layers.of_column + 1] < 0)
    node[alone] = beside[alone]
    return node


def _led_on(pilot: Points, empty: NDArray[np.bool_], width: float) -> tuple[Points, NDArray[np.int64]]:
    """Lead a pilot straight on, by a column, from its nodes on both sides of what is empty.

    Returns the longer pilot and by how much the number of each of its nodes has grown.
    """
    steps = np.diff(pilot, axis=0)
    steps *= width / np.hypot(steps[:, 0], steps[:, 1])[:, None]
    before = np.flatnonzero(empty[1:-1]) + 1
    extra = np.stack([pilot[before] + steps[before - 1], pilot[before + 1] - steps[before + 1]], axis=1)
    longer = np.insert(pilot, np.repeat(before + 1, 2), extra.reshape(-1, 2), axis=0)
    shift = np.zeros(len(pilot), np.int64)
    shift[before + 1] = 2
    return longer, np.cumsum(shift)


def _on_polyline(points: Points, pilot: Points, near: NDArray[np.int64]) -> tuple[Points, Points]:
    """Return each point's place along the pilot polyline and its distance to the left of it.

    ``near`` is the node of the point's own column; the nearest of the segments about it is taken.
    """
    length = arc_length(pilot)
    along, across = np.zeros(len(points)), np.zeros(len(points))
    nearest = np.full(len(points), np.inf)
    for shift in (-2, -1, 0, 1):
        segment = np.clip(near + shift, 0, len(pilot) - 2)
        step = pilot[segment + 1] - pilot[segment]
        size = np.hypot(step[:, 0], step[:, 1])
        offset = points - pilot[segment]
        share = np.sum(offset * step, axis=1) / size**2
        # The ends of the pilot go on straight: points beyond its last nodes belong to the surface.
        low = np.where(segment == 0, -np.inf, 0.0)
        high = np.where(segment == len(pilot) - 2, np.inf, 1.0)
        share = np.clip(share, low, high)
        foot = offset - share[:, None] * step
        distance = np.hypot(foot[:, 0], foot[:, 1])
        closer = distance < nearest
        nearest[closer] = distance[closer]
        along[closer] = (length[segment] + share * size)[closer]
        side = (step[:, 0] * offset[:, 1] - step[:, 1] * offset[:, 0]) / size
        across[closer] = np.copysign(distance, side)[closer]
    return along, across


def _averaged(points: Points, along: Points, across: Points, near_surface: Points, total: int) -> SlabProfile | None:
    order = np.argsort(along, kind="stable")
    points, along, across = points[order], along[order], across[order]
    if along[-1] <= along[0]:
        return None
    noise = max(scatter_of_points(along, across), 1e-4)
    good = np.abs(across - usual_near(across)) < OUTLIER * noise + ROUGH_MM
    points, along, across = points[good], along[good], across[good]
    starts = _stretches(along, math.ceil(max(A_MEAN, (noise / MEAN_STD_MM) ** 2)))
    stretch = np.repeat(np.arange(len(starts)), np.diff(np.append(starts, len(along))))
    good = np.abs(across - _medians(across, stretch)[stretch]) < OUTLIER * noise + ROUGH_MM
    points, along, stretch = points[good], along[good], np.unique(stretch[good], return_inverse=True)[1]
    count = np.bincount(stretch)
    if len(count) < LEAST_MEANS:
        return None
    means = np.column_stack([np.bincount(stretch, points[:, i]) / count for i in (0, 1)])
    first, last = bench_ends(means, noise / math.sqrt(float(np.median(count))))
    if last - first < len(means):
        inside = (stretch >= first) & (stretch < last)
        points, along, stretch = points[inside], along[inside], stretch[inside] - first
        means, count = means[first:last], count[first:last]
    steps = np.hypot(*np.diff(means, axis=0).T)
    spacing = float(np.median(steps))
    # Where a face is steep its points lie farther apart than elsewhere, and nothing is missing between them.
    usual = np.maximum(spacing, usual_near(steps))
    std = noise / np.sqrt(count)
    # Points that were smoothed together round a rim off, and no scatter of theirs tells where it is.
    alone = more_than_told(means, std)[0] < SMOOTHED
    scattered = Scattered(near_surface, along, stretch, noise, alone)
    wide, narrow = (steps > times * usual for times in (LEAST_GAP_STEPS, NARROW_GAP_STEPS))
    means, shifts = out_to_the_rims(means, std, wide, narrow, scattered)
    steps = np.hypot(*np.diff(means, axis=0).T)
    ended = np.array([at in shifts and at + 1 in shifts for at in range(len(steps))], bool)
    missing = np.flatnonzero((steps > LEAST_GAP_STEPS * usual) | ended)
    gaps = tuple(Gap(int(i), float(steps[i]), MISSING) for i in missing)
    factor, alike = more_than_told(means, std)
    profile = Profile(
        points_mm=means,
        std_mm=factor * std,
        closed=False,
        cut=np.zeros(len(means), bool),
        resolution_mm=spacing,
        # A mean over a stretch blurs as a window of that width does.
        blur_mm=spacing / math.sqrt(12.0),
        correlation_points=alike,
        gaps=gaps,
        end_shifts_mm=shifts,
    )
    return SlabProfile(profile, noise, len(points), total - len(points))


def _stretches(along: Points, wanted: int) -> NDArray[np.int64]:
    """Return where each stretch begins: it holds the points wanted, or those of the longest stretch there may be.

    Alike in number the means are alike in scatter; where points are few a stretch may hold but one.
    """
    starts = [0]
    least = np.searchsorted(along, along + STRETCH_MM[0], side="right").tolist()
    most = np.searchsorted(along, along + STRETCH_MM[1], side="right").tolist()
    while starts[-1] < len(along):
        at = starts[-1]
        starts.append(min(max(at + wanted, least[at]), most[at]))
    return np.array(starts[:-1])


def usual_near(values: Points) -> Points:
    """Return the median of each value with its three neighbours on both sides."""
    padded = np.pad(values, 3, mode="edge")
    return np.asarray(np.median(np.lib.stride_tricks.sliding_window_view(padded, 7), axis=1))


def _medians(values: Points, group: NDArray[np.int64]) -> Points:
    """Return the median of each group of rising group numbers."""
    number = int(group[-1]) + 1
    order = np.lexsort((values, group))
    count = np.bincount(group, minlength=number)
    start = np.concatenate([[0], np.cumsum(count)[:-1]])
    at = np.minimum(start + count // 2, len(values) - 1)
    return np.asarray(values[order][at])
