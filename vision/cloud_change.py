"""Whether the surfaces of a section change along the seam within it: at the rim of what crosses the seam they do.

A section stands for all of its points. Where a bead or an obstacle begins within it, or a plate steps, they show two
surfaces, and their means a third one that is not there.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

LEAST_MM, STDS, OF_USUAL = 0.15, 5.0, 3.5
"""Surfaces have changed from one half of a section to the other by more than each of these: mm, standard uncertainties,
times what they do at other places of the seam (rows that lie off as a whole)."""

FARTHEST_MM = 1.5
"""What lies farther from the neighbours' surface is none: points in the air, or behind."""

PARTS, FEWEST = 4, 30
"""The width is looked at in so many parts, each with so many points in either half at least. The outer ones show
plates, the inner ones the ripples of the weld."""


def change_along(along: NDArray[np.float64], across: NDArray[np.float64], off: NDArray[np.float64]) -> float:
    """Return by how much a section's plates lie otherwise at one end of it than at the other, mm; 0 for no more than
    their scatter.

    Parameters
    ----------
    along, across
        (N,) places along the seam, and in the section from left to right.
    off
        (N,) heights over the usual surface of the neighbours, NaN where that is not known.
    """
    near = np.abs(off) < FARTHEST_MM
    if not near.any():
        return 0.0
    along, across, off = along[near], across[near], off[near]
    first = along < 0.5 * (along.min() + along.max())
    bounds = np.linspace(across.min(), across.max(), PARTS + 1)[1:-1]
    part = np.searchsorted(bounds, across)
    return max(_step(off[(part == number) & first], off[(part == number) & ~first]) for number in (0, PARTS - 1))


def is_change(step_mm: float, usual_mm: float) -> bool:
    """Tell whether a step is more than what is usual at the other places of the seam."""
    return step_mm > max(LEAST_MM, OF_USUAL * usual_mm)


def _step(first: NDArray[np.float64], second: NDArray[np.float64]) -> float:
    if min(len(first), len(second)) < FEWEST:
        return 0.0
    step = abs(float(np.median(first)) - float(np.median(second)))
    # Of a median: 1.2533 times that of a mean.
    std = 1.2533 * math.hypot(*(1.4826 * _spread(half) / math.sqrt(len(half)) for half in (first, second)))
    return step if step > STDS * std else 0.0


def _spread(values: NDArray[np.float64]) -> float:
    return float(np.median(np.abs(values - np.median(values))))
