"""A toe that lies beside the points of a laser line is less sure than its face and plate let it be."""

from __future__ import annotations

import numpy as np
import pytest

from vision.face_toe import Toe
from vision.plate_line import Detail
from vision.surface import OFF_LINE_TIMES, on_line

DETAIL = Detail(0.005, 0.05, 0.06, alone=True)
LEVEL = np.column_stack([np.arange(0.0, 10.0, 0.05), np.zeros(200)])


def toe(x: float, y: float) -> Toe:
    return Toe(np.array([x, y]), 0.02, 100, None)


def test_beside_the_line_it_is_known_no_better_than_that() -> None:
    assert on_line(toe(5.0, 0.5), LEVEL, DETAIL).std_along == pytest.approx(OFF_LINE_TIMES * 0.5, rel=0.01)


@pytest.mark.parametrize("height", [0.0, 0.1, 0.2])
def test_a_rounded_corner_leaves_it_as_it_was(height: float) -> None:
    assert on_line(toe(5.0, height), LEVEL, DETAIL).std_along == 0.02


def test_over_a_gap_the_width_of_that_counts_elsewhere() -> None:
    gap = LEVEL[(LEVEL[:, 0] < 4.0) | (LEVEL[:, 0] > 6.0)]
    assert on_line(toe(5.0, -0.5), gap, DETAIL).std_along == 0.02
    assert on_line(toe(3.0, -0.5), gap, DETAIL).std_along > 0.9
