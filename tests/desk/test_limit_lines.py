"""Limits across the values along a seam: every name can be read, however near the lines lie."""

import itertools

import numpy as np
import pytest

from desk.limit_lines import at_one_height, free_spots, label_lines, limit_lines
from desk.plot_paper import drawing, sheet


def test_limits_of_one_height_are_not_written_over_each_other() -> None:
    limits = ((5.0, "undersize"), (2.0, "convexity (from memory)"), (5.0 + 1e-9, "minimum-size"))
    assert at_one_height(limits) == [(5.0, ["undersize", "minimum-size"]), (2.0, ["convexity (from memory)"])]


def extents(limits, span):
    """Return the boxes of the names as they are drawn, in pixels, of one panel of a sheet."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.text import Annotation

    with drawing():
        figure = sheet(11.0, 1.65 + 1.55)
        rows = figure.subplots(2, 1, height_ratios=(0.22, 1.0))
        axes = rows[1]
        axes.plot([0, 1], span)
        lines = limit_lines(axes, limits, np.array(span, float), 1.0)
        axes.margins(y=0.25)
        axes.legend(["left"], loc="upper left", bbox_to_anchor=(1.0, 1.05))
        label_lines(axes, lines, high_pt=1.55 * 72, wide_pt=11 * 72)
        canvas = FigureCanvasAgg(figure)
        canvas.draw()
        texts = [child for child in axes.get_children() if isinstance(child, Annotation)]
        return [text.get_window_extent(canvas.get_renderer()) for text in texts], axes.get_window_extent()


@pytest.mark.parametrize("apart", [0.005, 0.02, 0.05, 0.2])
@pytest.mark.parametrize("count", [2, 3])
def test_names_of_near_limits_stand_beside_each_other(apart: float, count: int) -> None:
    limits = [(0.5 + apart * number, f"iso5817-2014-{'BCD'[number]} undercut on one side") for number in range(count)]
    boxes, axes = extents(limits, (0.0, 1.0))
    assert len(boxes) == count
    for one, other in itertools.combinations(boxes, 2):
        assert not one.overlaps(other)
    assert all(box.x1 <= axes.x1 for box in boxes)


@pytest.mark.parametrize(
    ("heights", "spots"),
    [
        ([0.1, 0.5, 0.9], [(0.004, True)] * 3),
        ([0.52, 0.5], [(0.004, True), (0.004, False)]),
        ([0.5, 0.52, 0.54], [(0.004, False), (0.316, True), (0.004, True)]),
        ([0.05, 0.06], [(0.316, True), (0.004, True)]),
    ],
)
def test_a_name_stands_above_its_line_or_below_or_beside(heights: list, spots: list) -> None:
    found = free_spots(heights, [0.3] * len(heights), tall=0.1)
    assert [above for _, above in found] == [above for _, above in spots]
    assert [start for start, _ in found] == pytest.approx([start for start, _ in spots])


def test_a_name_without_any_place_stands_at_the_edge() -> None:
    assert free_spots([0.5] * 4, [0.6] * 4, tall=0.1)[-1] == (0.004, True)
