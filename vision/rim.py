"""A rim of another tone along the metal, or a gap along it: how far it leaves open where the edges of a section lie.

Along each piece of a straight surface the mean levels across the outline are looked at (`vision.two_edges`). A rim of
metal and a gap between metal and mount look alike, so that both are held for possible.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from vision.outline import EVERY, Outline
from vision.runs import Run
from vision.section import Flag
from vision.two_edges import OF_ALL, OF_MORE, OF_ONE, Gate, TwoEdges, off_one_edge, passes, two_edges

PIECE, LEAST_PIECE = 60, 16
"""Levels across so many places are averaged, at least so many: grain of metal is no rim, and a gap opens and closes."""

ASIDE = 0.2
"""Share of the levels at one depth that is left out at either end, as scratches and specks."""

LEAST_SHARE = 0.1
"""Share of the straight surfaces along which a rim is seen: along less of them it is grain."""

RIM = (
    "along {:.0f} % of the straight edges a band of another tone, {:.1f} px wide, runs beside the outline: a rim of "
    "the metal, or a gap between it and its mount; either side of it may be the edge of the metal, which the "
    "uncertainties allow for; look at the outline, and change the light or prepare the section anew"
)


@dataclass(frozen=True, slots=True)
class Rim:
    """What runs along straight surfaces.

    Attributes
    ----------
    std_px
        Standard uncertainty of the place of all edges alike that it leaves.
    share
        Share of the straight surfaces along which it is seen.
    width_px
        How wide it is.
    """

    std_px: float = 0.0
    share: float = 0.0
    width_px: float = 0.0

    @property
    def flags(self) -> tuple[Flag, ...]:
        """Return what is to be told of it."""
        text = RIM.format(100 * self.share, self.width_px)
        return (Flag("second_edge", text),) if self.share > 0 else ()


def rim_of(outlines: Sequence[Outline], runs: Sequence[Sequence[Run]]) -> Rim:
    """Return what runs along the straight surfaces of some outlines, whose ``runs`` are given for each."""
    surfaces = [levels for pair in zip(outlines, runs, strict=True) for levels in _along(*pair)]
    if not surfaces:
        return Rim()
    looked = _looked_over([light[0] for light in surfaces])
    if not looked.all_suspect and not any(part.suspect for part in looked.parts):
        return Rim()
    seen = list(_seen(surfaces, looked))
    along = np.array([count for count, _ in seen], float)
    length = sum(len(light[0]) for light in surfaces)
    if along.sum() <= LEAST_SHARE * length:
        return Rim()
    square = float(along @ np.square([edges.std_px for _, edges in seen])) / length
    width = float(along @ np.array([edges.outer_px - edges.inner_px for _, edges in seen])) / along.sum()
    return Rim(math.sqrt(square), float(along.sum()) / length, width)


Light = tuple[NDArray[np.float32], ...]
"""Light across an outline (M, K), on each curve on which the picture may store it."""


def _along(outline: Outline, runs: Sequence[Run]) -> Iterator[Light]:
    """Yield the light across each straight surface, without its ends."""
    for run in runs:
        if run.cut:
            continue
        index = run.indices(len(outline.points_px))
        index = index[len(index) // 8 : len(index) - len(index) // 8]
        rows = index[index % EVERY == 0] // EVERY
        if outline.across and len(rows) >= LEAST_PIECE:
            yield tuple(light[rows] for light in outline.across)


@dataclass(frozen=True, slots=True)
class _Part:
    """A surface, or a piece of it from one row to another, and whether its plain mean may be that of two edges."""

    surface: int
    first: int
    last: int
    suspect: bool


@dataclass(frozen=True, slots=True)
class _Look:
    """What plain means show: of all surfaces together, and of each part, whole surfaces before their pieces."""

    all_suspect: bool
    parts: tuple[_Part, ...]


def _looked_over(surfaces: Sequence[NDArray[np.float32]]) -> _Look:
    """Look over all surfaces at once, which ordinary pictures end with."""
    rows = np.concatenate(surfaces).astype(np.float64)
    ends = np.cumsum([len(levels) for levels in surfaces])
    starts = ends - [len(levels) for levels in surfaces]
    spans = [(at, int(start), int(end)) for at, (start, end) in enumerate(zip(starts, ends, strict=True))]
    for at, first, last in tuple(spans):
        borders = np.linspace(first, last, max(1, round((last - first) / PIECE)) + 1).astype(int)
        # A gap opens and closes.
        spans += [(at, int(low), int(high)) for low, high in pairwise(borders) if high - low < last - first]
    sums, squares = (np.vstack([np.zeros(rows.shape[1]), np.cumsum(part, axis=0)]) for part in (rows, rows**2))
    first, last = np.array([(0, len(rows)), *(span[1:] for span in spans)]).T
    many = (last - first)[:, None]
    means = (sums[last] - sums[first]) / many
    variance = np.maximum((squares[last] - squares[first]) / many - means**2, 0.0)
    noise = np.sqrt(np.median(variance, axis=1) / many[:, 0])
    # Surfaces differ in tone: what all scatter is that of each about its own mean.
    own = variance[1 : len(surfaces) + 1] * many[1 : len(surfaces) + 1]
    noise[0] = math.sqrt(float(np.median(own.sum(axis=0)))) / len(rows)
    off = off_one_edge(means)
    alone = passes(off, means, noise, OF_ONE)
    return _Look(
        bool(passes(off[:1], means[:1], noise[:1], OF_ALL)[0]),
        tuple(
            _Part(at, low - int(starts[at]), high - int(starts[at]), bool(suspect))
            for (at, low, high), suspect in zip(spans, alone[1:], strict=True)
        ),
    )


def _seen(surfaces: Sequence[Light], looked: _Look) -> Iterator[tuple[int, TwoEdges]]:
    """Yield the two edges along each part of the surfaces that shows them, with its length."""
    gate = OF_ONE
    if looked.all_suspect:
        # What is the same along all surfaces shows in their mean, where the grain of one alone would hide it.
        many = np.array([len(light[0]) for light in surfaces], float)
        if _edges(_pooled([_mean(light) for light in surfaces], many), OF_ALL) is not None:
            gate = OF_MORE
    found: set[int] = set()
    for part in looked.parts:
        if part.surface in found or (gate is OF_ONE and not part.suspect):
            continue
        whole = surfaces[part.surface]
        edges = _edges(_mean(tuple(light[part.first : part.last] for light in whole)), gate)
        if edges is not None:
            if part.last - part.first == len(whole[0]):
                found.add(part.surface)
            yield part.last - part.first, edges


Mean = tuple[tuple[NDArray[np.float64], float], ...]
"""Mean levels (K,) with their standard error, on each curve on which they may be stored."""


def _mean(across: Light) -> Mean:
    """Return the mean of levels (M, K) without what lies aside of most."""
    means = []
    for levels in across:
        aside = int(ASIDE * len(levels))
        ordered = np.sort(levels, axis=0).astype(np.float64)
        noise = float(np.median(ordered.std(axis=0))) / math.sqrt(len(ordered))
        means.append((np.asarray(ordered[aside : len(ordered) - aside].mean(axis=0)), noise))
    return tuple(means)


def _pooled(means: Sequence[Mean], many: NDArray[np.float64]) -> Mean:
    share = many / many.sum()
    return tuple(
        (share @ np.array([levels for levels, _ in each]), float(np.hypot.reduce(share * [noise for _, noise in each])))
        for each in zip(*means, strict=True)
    )


def _edges(means: Mean, gate: Gate) -> TwoEdges | None:
    """Return the two edges that mean levels show, on whichever curve they may be stored."""
    found: list[TwoEdges] = []
    for levels, noise in means:
        edges = two_edges(levels, noise, gate)
        if edges is None:
            return None
        found.append(edges)
    return min(found, key=lambda edges: edges.std_px)
