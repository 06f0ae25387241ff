"""Into how many parts an inch is divided: halves of halves grow longer up to the inch, and no further.

Figures stand beyond the ticks, and some rows of them come at every second inch only: what counts here is how far the
ticks themselves go on without a break.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

INCH_MM = 25.4
GOES_ON = 0.35
"""Share of a tick's contrast above which it is taken to go on."""

LONGER_ROWS, LONGER_SHARE = 1.5, 0.04
"""Ticks whose ends lie nearer together, in rows looked at and as a share of their length, are of one length."""

LEAST_OF_ONE_LENGTH, LEAST_ALIKE = 0.75, 0.6
FEWEST_PARTS = 8
"""Rules divide an inch into eight parts or more: of one whose longest ticks are closer all beyond are alike."""

HALVES = (64, 32, 16, 8, 4)


@dataclass(frozen=True, slots=True)
class Halving:
    """The step of the longest ticks among halves of halves.

    Attributes
    ----------
    step
        Spacings between the longest ticks seen, 0 where no halves are told.
    ends
        Ticks twice as far apart are seen to be no longer: ``step`` spacings are the inch.
    """

    step: int = 0
    ends: bool = False


NO_HALVES = Halving()


def halving(index: NDArray[np.int64], contrast: NDArray[np.float64]) -> Halving:
    """Return the step of the longest ticks.

    Parameters
    ----------
    index
        (N,) number of each tick.
    contrast
        (N, rows) contrast of each tick, relative to the finest, in rows outwards from the end of the finest.
    """
    held = np.maximum(contrast, np.column_stack([contrast[:, 1:], contrast[:, -1:]])) > GOES_ON
    length = np.logical_and.accumulate(held, axis=1).sum(axis=1).astype(float)
    for step in HALVES:
        phase = _longest_phase(index, length, step)
        if phase is None:
            continue
        longest = length[index % step == phase]
        between = _seen(length[(index - phase) % step == step // 2], longest)
        if len(longest) < 2 or len(between) == 0 or not _longer(longest, between):
            continue
        odd = (index[index % step == phase] - phase) // step % 2 == 1
        ends = step >= FEWEST_PARTS and _of_one_length(_seen(longest[odd], longest), _seen(longest[~odd], longest))
        return Halving(step, ends and float(np.median(longest)) < contrast.shape[1] - 1)
    return NO_HALVES


def _longest_phase(index: NDArray[np.int64], length: NDArray[np.float64], step: int) -> int | None:
    """Return the remainder of the numbers of the ticks that are longest at a step, None where they come once only."""
    several = [phase for phase in range(step) if np.count_nonzero(index % step == phase) >= 2]
    return max(several, key=lambda phase: float(np.median(length[index % step == phase])), default=None)


def _seen(some: NDArray[np.float64], longest: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return lengths without those of ticks that a glare or dirt cuts short, unless all are short."""
    whole = some > 0.5 * float(np.median(longest))
    return some[whole] if whole.any() else some


def _of_one_length(some: NDArray[np.float64], others: NDArray[np.float64]) -> bool:
    """Tell whether some lengths and others (rows) are alike but for a flaw here and there."""
    if len(some) == 0 or len(others) == 0:
        return False
    both = np.concatenate([some, others])
    near = max(LONGER_ROWS, LONGER_SHARE * float(np.median(both)))
    alike = np.abs(both - float(np.median(both))) <= near
    return bool(abs(float(np.median(some)) - float(np.median(others))) <= near and alike.mean() >= LEAST_ALIKE)


def _longer(some: NDArray[np.float64], others: NDArray[np.float64]) -> bool:
    """Tell whether nearly all of some lengths (rows) are greater than nearly all of others."""
    middle, apart = float(np.median(some)), float(np.median(some)) - float(np.median(others))
    if apart <= max(LONGER_ROWS, LONGER_SHARE * middle):
        return False
    between = middle - 0.5 * apart
    return bool((some > between).mean() >= LEAST_OF_ONE_LENGTH and (others < between).mean() >= LEAST_OF_ONE_LENGTH)


def parts_of_inch(spacing_mm: float) -> int | None:
    """Return into how many halves of halves a spacing divides the inch, None where it is none."""
    parts = INCH_MM / spacing_mm
    whole = round(math.log2(parts)) if parts > 1.5 else 0
    return 2**whole if whole > 0 and abs(parts / 2**whole - 1.0) < 1e-6 else None


def fits_parts(halves: Halving, parts: int) -> bool:
    """Tell whether ticks may be those of an inch in so many parts."""
    return halves.step <= parts and not (halves.ends and halves.step < parts)
