"""Limits drawn across the values along a seam, each with its name where no other is written."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from desk.plot_paper import ACCENT

if TYPE_CHECKING:
    from matplotlib.axes import Axes

SIZE_PT = 7.5
LINE_PT = 1.45 * SIZE_PT
"""Height that a line of text needs."""

LETTER_PT = 0.62 * SIZE_PT
"""Width of a letter of the sheet's font, a little more than the mean of it."""

START, APART = 0.004, 0.012
"""Where a name begins, and how far from the end of another it stays, as shares of the width."""

USED = 0.86
"""Share of a panel's place that its axes take; the rest is for what stands about them."""


def limit_lines(
    axes: Axes, limits: Iterable[tuple[float, str]], values: NDArray[np.float64], factor: float
) -> list[tuple[float, str]]:
    """Draw the limits that lie near the values and return height and name of each.

    One far off would press the values flat and is told instead.

    Parameters
    ----------
    limits
        Limits in the unit of the document, with their names.
    values
        What the panel shows, in the unit of the drawing; ``factor`` leads to it.
    """
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    reach = 2.5 * max(high - low, 0.1 * abs(high), 0.2 * factor)
    drawn, told = [], []
    for limit, labels in at_one_height(limits):
        place = limit * factor
        text = f"{', '.join(labels)} {place:.3g}"
        if low - reach < place < high + reach:
            axes.axhline(place, color=ACCENT, linewidth=0.9, linestyle=(0, (6, 3)), zorder=2)
            drawn.append((place, text))
        else:
            told.append(text)
    if told:
        axes.annotate(
            "off the sheet: " + ", ".join(told[:3]), (0.996, 0.97), xycoords="axes fraction", ha="right", va="top",
            fontsize=SIZE_PT, color=ACCENT,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.0}, zorder=6,
        )  # fmt: skip
    return drawn


def label_lines(axes: Axes, lines: Sequence[tuple[float, str]], *, high_pt: float, wide_pt: float) -> None:
    """Write each name upon its line; call it once the axes have their limits.

    ``high_pt`` and ``wide_pt`` are the place of the panel, in points.
    """
    from matplotlib.patheffects import withStroke

    low, high = axes.get_ylim()
    heights = [(place - low) / (high - low) for place, _ in lines]
    widths = [len(text) * LETTER_PT / (USED * wide_pt) for _, text in lines]
    spots = free_spots(heights, widths, tall=LINE_PT / (USED * high_pt))
    for (place, text), (start, above) in zip(lines, spots, strict=True):
        axes.annotate(
            text, (start, place), xycoords=("axes fraction", "data"), xytext=(0, 2 if above else -2),
            textcoords="offset points", fontsize=SIZE_PT, color=ACCENT, va="bottom" if above else "top", zorder=6,
            path_effects=[withStroke(linewidth=2.0, foreground="white")],
        )  # fmt: skip


def free_spots(heights: Sequence[float], widths: Sequence[float], *, tall: float) -> list[tuple[float, bool]]:
    """Return where each name begins, and whether it stands above its line or below it.

    A name stands above its line at the edge; where another line or name is too near, below it; where that is taken,
    too, above and beside the names that are there. All are shares of the panel, ``tall`` is the height of a name.

    >>> free_spots([0.50, 0.55, 0.90], [0.2, 0.2, 0.2], tall=0.1)
    [(0.004, False), (0.004, True), (0.004, True)]
    """
    placed: list[_Box] = []
    spots: dict[int, tuple[float, bool]] = {}
    for number in sorted(range(len(heights)), key=lambda number: -heights[number]):
        height, width = heights[number], widths[number]
        lines = [other for place, other in enumerate(heights) if place != number]
        beside = [(right + APART, True) for _, right, _, _ in sorted(placed, key=lambda box: box[1])]
        spot = next(
            (
                (start, above)
                for start, above in [(START, True), (START, False), *beside]
                if _is_free(_box(start, width, height, above, tall), placed, lines if start == START else [])
            ),
            (START, True),
        )
        spots[number] = spot
        placed.append(_box(spot[0], width, height, spot[1], tall))
    return [spots[number] for number in range(len(heights))]


_Box = tuple[float, float, float, float]
"""Left, right, bottom, top."""


def _box(start: float, width: float, height: float, above: bool, tall: float) -> _Box:
    return start, start + width, height if above else height - tall, height + tall if above else height


def _is_free(box: _Box, placed: Iterable[_Box], lines: Iterable[float]) -> bool:
    """Tell whether a box lies in the panel, touches no other, and is crossed by no line."""
    left, right, bottom, top = box
    crossed = any(bottom < line < top for line in lines)
    hit = any(left < other[1] and other[0] < right and bottom < other[3] and other[2] < top for other in placed)
    return not crossed and not hit and bottom >= 0 and right <= 1


def at_one_height(limits: Iterable[tuple[float, str]]) -> list[tuple[float, list[str]]]:
    """Gather the labels of limits that would be written over each other."""
    found: dict[float, list[str]] = {}
    for limit, label in limits:
        found.setdefault(round(limit, 6), []).append(label)
    return list(found.items())
