"""Where a laser line runs, to a few pixels: its chain over the columns, its steep places along the rows, its rivals.

A line that runs along the columns of a picture is given as the transpose. A stretch along which another line is as good
as the one taken is given up.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from core.medians import median
from vision.stripe_chain import Runs, best_chain, runs_of, segments_of
from vision.stripe_reduced import Reduced, across_only
from vision.stripe_rows import Steep, steep_places

ALIKE = 0.6
"""A second line of this share of the brightness, along this share of a stretch, makes it ambiguous."""

DIMMER = 0.8
"""A second line that is no brighter than this along the most of its length is told from the first."""

MOST_RUNS_A_COLUMN = 12

FEWEST_OTHER, OTHER_SHARE, BRIGHTER_SHARE, EVEN = 8, 0.7, 0.7, 1.5
"""Light that hangs together over so many columns more than were taken of it, and that share of these, is another line
where what was taken there instead is brighter in more than the next share of them: it fills where light of the first is
missing, or leads on where that leaves the picture. A groove's face that leads back below the other surface lies beside
that over less of its own length. Where a part of it that was taken is so many times brighter than the
rest two lines run together."""


@dataclass(frozen=True, slots=True, eq=False)
class Path:
    """The course of a line over the columns of a reduced frame.

    Attributes
    ----------
    rows
        (w,) float, NaN where no line was found.
    ambiguous
        (w,) bool, columns given up because two lines are alike.
    other
        (w,) bool, columns with light that was not taken for the line.
    starts
        (w,) bool, columns where the line begins anew after a jump.
    width
        Median extent of the line across, reduced pixels.
    steep
        Where it runs along the rows.
    second
        Brightness of another line beside the one taken, as a share of its own; 0 where there is none near it.
    """

    rows: NDArray[np.float64]
    ambiguous: NDArray[np.bool_]
    other: NDArray[np.bool_]
    starts: NDArray[np.bool_]
    width: float
    steep: tuple[Steep, ...]
    second: float = 0.0


def trace(reduced: Reduced) -> Path | None:
    """Return the course of the line over the columns, None where there is none."""
    columnwise = across_only(reduced)
    runs = runs_of(columnwise.light, columnwise.mask)
    width = reduced.mask.shape[1]
    if len(runs.column) < 8 or len(runs.column) > MOST_RUNS_A_COLUMN * width:
        return None
    chain = best_chain(runs, width)
    others = _of_other_lines(runs, chain, columnwise.mask)
    if others is not None:
        runs = runs.only(~others)
        chain = best_chain(runs, width)
    if len(chain) < 8:
        return None
    rows = np.full(width, np.nan)
    rows[runs.column[chain]] = runs.centre[chain]
    other = np.bincount(runs.column, minlength=width) > np.isfinite(rows)
    segments = segments_of(runs, chain)
    ambiguous, second = _ambiguous(runs, chain, segments, columnwise.mask)
    extent = (runs.stop - runs.start)[chain]
    thick = median(extent)
    steep = steep_places(reduced, runs, chain, thick)
    starts = np.zeros(width, bool)
    for first, _ in segments:
        starts[runs.column[chain[first]]] = True
    return Path(rows, ambiguous, other, starts, thick, steep, second)


def _of_other_lines(runs: Runs, chain: NDArray[np.int64], mask: NDArray[np.bool_]) -> NDArray[np.bool_] | None:
    """Mark the runs of other lines of which a part was taken; None where there are none."""
    if len(runs.column) < len(chain) + FEWEST_OTHER or len(segments_of(runs, chain)) < 2:
        return None
    _, labels = cv2.connectedComponents(mask.view(np.uint8), connectivity=8)
    label = labels[runs.start, runs.column]
    mass = np.zeros(mask.shape[1])
    mass[runs.column[chain]] = runs.mass[chain]
    taken = np.zeros(len(label), bool)
    taken[chain] = True
    result = np.zeros(len(label), bool)
    for number in np.unique(label[chain]):
        own = label == number
        instead = own & ~taken & ~np.isin(runs.column, runs.column[own & taken])
        if np.count_nonzero(instead) < max(FEWEST_OTHER, OTHER_SHARE * np.count_nonzero(own & taken)):
            continue
        brighter = mass[runs.column[instead]] > runs.mass[instead]
        even = median(runs.peak[own & taken]) < EVEN * median(runs.peak[instead])
        if even and float(brighter.mean()) > BRIGHTER_SHARE:
            result |= own
    return result if result.any() else None


def _ambiguous(
    runs: Runs, chain: NDArray[np.int64], segments: list[tuple[int, int]], mask: NDArray[np.bool_]
) -> tuple[NDArray[np.bool_], float]:
    """Mark the stretches along which another line is as good as the one taken, and tell how bright a dimmer one is."""
    width = mask.shape[1]
    result = np.zeros(width, bool)
    chosen = np.zeros(len(runs.column), bool)
    chosen[chain] = True
    peak = np.zeros(width)
    peak[runs.column[chain]] = runs.peak[chain]
    mass = np.zeros(width)
    mass[runs.column[chain]] = runs.mass[chain]
    rival = ~chosen & (runs.peak > ALIKE * peak[runs.column]) & (peak[runs.column] > 0)
    if not rival.any():
        return result, 0.0
    # Pieces of light that hang together: several short ones beside a long line are no second line.
    _, labels = cv2.connectedComponents(mask.astype(np.uint8), connectivity=8)
    label = labels[runs.start, runs.column]
    second = 0.0
    for first, last in segments:
        low, high = int(runs.column[chain[first]]), int(runs.column[chain[last]]) + 1
        within = rival & (runs.column >= low) & (runs.column < high)
        if not within.any():
            continue
        pieces = np.bincount(label[within])
        if int(pieces.max()) <= ALIKE * (high - low):
            continue
        longest = within & (label == int(np.argmax(pieces)))
        # The brightest of a few reduced pixels depends on where the line lies between them, their sum does not.
        share = median(runs.mass[longest] / mass[runs.column[longest]])
        if share > DIMMER:
            result[low:high] = True
        else:
            second = max(second, share)
    return result, second
