"""Whether the grey levels across an edge are those of one edge or of two that lie close together.

A rim of another tone along metal (rounded by polishing, etched deeper), or a dark gap between metal and light resin,
gives two edges a few pixels apart. The outline follows the stronger one, and blur moves it. Which of the two is the
metal's the levels alone do not say; how far apart they are they do. Of one edge, however wide, the levels are those of
a step under a Gaussian blur between two tones that may change slowly.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

Levels = NDArray[np.float64]

INSIDE_PX, OUTSIDE_PX = 12, 8
"""Levels are looked at so far inside an outline and outside it, where other things lie."""


@dataclass(frozen=True, slots=True)
class Gate:
    """From where on levels are taken for those of two edges.

    Attributes
    ----------
    off, noises
        Least deviation (root mean square) from the levels of one edge, over their range and in their standard errors.
    better
        Largest share of it that two edges may leave.
    """

    off: float
    noises: float
    better: float


OF_ALL, OF_ONE, OF_MORE = Gate(0.003, 2.0, 0.6), Gate(0.006, 3.0, 0.6), Gate(0.002, 1.0, 0.8)
"""For the mean of all straight surfaces of a section, for that of one alone, and for that of one where the mean of all
shows two edges. Of 96 ordinary rendered pictures none passes the first, of their 900 surfaces one the second."""

LEAST_STEP = 0.1
"""Least of two steps, over the range of levels: a paler shade along the metal does not move its edge."""

DARKEST, BRIGHTEST, MOST_TRIED = -5.0, 265.0, 200
"""Levels a band may have, and how many pairs of edges are tried until one has them."""

GRID_PX = 0.25
"""How closely the places of two edges are told: levels leave open whether a narrow band is dark or a wider one pale."""

ALIKE = (1.0, 2.2)
"""How far out, in blurs, what alters both sides of one edge alike may lie."""


@dataclass(frozen=True, slots=True)
class TwoEdges:
    """Two edges beside an outline.

    Attributes
    ----------
    outer_px, inner_px
        Their places across the outline, positive outwards.
    outer_step, inner_step
        Grey steps from outside to the band between them and from the band to the inside.
    """

    outer_px: float
    inner_px: float
    outer_step: float
    inner_step: float

    @property
    def std_px(self) -> float:
        """Return the standard uncertainty of the place of the metal's edge about the outline.

        Where both steps go one way either may be it, the more likely the larger it is; a small inner one is likelier a
        tone of the metal. A band darker than both sides, or brighter, is a rim or a gap: the edge lies anywhere between
        (a rectangle that begins at the outline).
        """
        if self.outer_step * self.inner_step < 0:
            return (max(abs(self.outer_px), abs(self.inner_px)) + GRID_PX) / math.sqrt(3.0)
        outer = self.outer_step / (self.outer_step + self.inner_step)
        return math.sqrt(outer * self.outer_px**2 + (1.0 - outer) ** 3 * self.inner_px**2)


def two_edges(levels: Levels, noise: float = 0.0, gate: Gate = OF_ALL) -> TwoEdges | None:
    """Return the two edges that grey levels show, None where they are those of one edge.

    Parameters
    ----------
    levels
        (K,) in light, from ``INSIDE_PX`` inside the metal to ``OUTSIDE_PX`` outside it, 0 to 255.
    noise
        Standard error of a level.
    """
    off = off_one_edge(levels[None, :])
    if not passes(off, levels[None, :], np.array([noise]), gate)[0]:
        return None
    edges, left = _nearest(levels)
    faint = min(abs(edges.outer_step), abs(edges.inner_step)) < LEAST_STEP * float(np.ptp(levels))
    return None if faint or edges.outer_px >= _FARTHEST or left > gate.better * off[0] else edges


def off_one_edge(levels: Levels) -> NDArray[np.float64]:
    """Return how far levels (R, K) lie off those of the nearest one edge, the root mean square of each (R,)."""
    bases = _one_edge().bases
    shares = (bases.reshape(-1, levels.shape[1]) @ levels.T).reshape(*bases.shape[:2], -1)
    left = np.einsum("rk,rk->r", levels, levels) - np.einsum("ijr,ijr->ir", shares, shares).max(axis=0)
    return np.asarray(np.sqrt(np.maximum(left, 0.0) / levels.shape[1]))


def passes(off: NDArray[np.float64], levels: Levels, noise: NDArray[np.float64], gate: Gate) -> NDArray[np.bool_]:
    """Return whether levels (R, K) that lie so far off those of one edge may be those of two, (R,)."""
    extent = np.ptp(levels, axis=1)
    return np.asarray((extent > 0) & (off >= np.hypot(gate.off * extent, gate.noises * noise)))


@dataclass(frozen=True, slots=True, eq=False)
class _Models:
    """Shapes (place, blur, distance inwards to the second edge), and an orthonormal base of the levels of each."""

    shapes: NDArray[np.float64]
    bases: NDArray[np.float64]
    triangles: NDArray[np.float64]


_ACROSS = np.arange(-INSIDE_PX, OUTSIDE_PX + 1.0)
_FARTHEST = OUTSIDE_PX - 2.0
"""An outer edge from here on is that of another thing, of which too little is seen."""
_BLURS = np.array([0.6, 0.75, 0.9, 1.05, 1.25, 1.5, 1.8, 2.2, 2.7])
_APART = np.array([0.75, 1.0, 1.25, 1.5, 1.75, 2.0, 2.5, 3.0, 3.5, 4.0, 5.0, 6.0, 7.0, 8.0])
_FINEST = 1.75
"""Blur and distance together below which pixels, where an edge runs along them, look like two edges."""
_SOFT = (0.0, 0.5)
"""The inner edge of a rim may be sharp, or a slope about as wide as the rim: its spread over the distance."""


@lru_cache(maxsize=1)
def _one_edge() -> _Models:
    place, blur = _every(np.arange(-1.0, 1.05, 0.1), _BLURS)
    from_place = (_ACROSS - place[:, None]) / blur[:, None]
    # A lens out of focus, stray light and sharpening alter an edge alike on both sides.
    alike = (from_place * np.exp(-0.5 * (from_place / wide) ** 2) for wide in ALIKE)
    return _models(np.column_stack([place, blur, 0.0 * blur]), *alike)


@lru_cache(maxsize=1)
def _pairs() -> _Models:
    place, blur, apart, soft = _every(np.arange(-1.5, _FARTHEST + 0.1, 0.25), _BLURS, _APART, np.array(_SOFT))
    near = (place < apart + 1.0) & (blur + apart >= _FINEST)
    place, blur, apart, soft = place[near], blur[near], apart[near], soft[near]
    inner = ndtr((place - apart - _ACROSS[:, None]) / np.hypot(blur, soft * apart)).T
    return _models(np.column_stack([place, blur, apart]), inner)


def _every(*values: NDArray[np.float64]) -> list[NDArray[np.float64]]:
    return [part.ravel() for part in np.meshgrid(*values, indexing="ij")]


def _models(shapes: NDArray[np.float64], *more: NDArray[np.float64]) -> _Models:
    """Return models of one edge, (N, 3) shapes, with more columns (N, levels) each."""
    place, blur = shapes[:, 0, None], shapes[:, 1, None]
    from_place = (_ACROSS - place) / blur
    # A slope that sets in at the edge, under the same blur.
    outside = blur * (from_place * ndtr(from_place) + np.exp(-0.5 * from_place**2) / math.sqrt(2 * math.pi))
    inside = outside - blur * from_place
    columns = [np.ones_like(from_place), inside / INSIDE_PX, outside / INSIDE_PX, ndtr(-from_place), *more]
    bases, triangles = np.linalg.qr(np.stack(columns, axis=-1))
    return _Models(shapes, np.swapaxes(bases, 1, 2).copy(), triangles)


def _nearest(levels: Levels) -> tuple[TwoEdges, float]:
    """Return the two edges nearest to levels (K,) of those whose band is no darker than black, and how far off."""
    models = _pairs()
    shares = models.bases @ levels
    off = np.maximum(levels @ levels - np.einsum("ij,ij->i", shares, shares), 0.0)
    best, found = 0, np.zeros(5)
    for best in np.argsort(off)[:MOST_TRIED]:
        found = np.linalg.solve(models.triangles[best], shares[best])
        if DARKEST <= found[0] + found[3] <= BRIGHTEST:
            break
    place, _, apart = models.shapes[best].tolist()
    edges = TwoEdges(place, place - apart, float(found[3]), float(found[4]))
    return edges, math.sqrt(float(off[best]) / len(levels))
