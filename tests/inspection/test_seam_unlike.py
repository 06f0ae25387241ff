"""Sections that are unlike those on both sides of them."""

import numpy as np
import pytest

from inspection.seam_summary import Columns, quantities, worst
from inspection.seam_unlike import unlike_neighbours


def seam(values, name="root_gap", unit="mm", expanded=0.04):
    columns = Columns(2.0)
    for number, value in enumerate(values):
        item = {"value": None if np.isnan(value) else float(value), "unit": unit, "expanded_uncertainty": expanded}
        columns.add({"position_mm": 2.0 * number, "weld": {"joint": "groove", "measurements": {name: item}}})
    return columns


def wave(jump=0.0, at=9):
    values = 2.5 + 0.4 * np.sin(np.arange(30) / 4)
    values[at] += jump
    return values


@pytest.mark.parametrize("jump", [0.6, -0.6])
def test_a_section_that_jumps_is_told(jump: float) -> None:
    columns = seam(wave(jump))
    assert unlike_neighbours(columns, "root_gap") == [9]
    assert quantities(columns)["root_gap"]["unlike_neighbours_at_mm"] == [18.0]
    assert worst(seam(wave(0.9)), ())["unlike_neighbours"]


@pytest.mark.parametrize(
    "columns",
    [
        seam(wave()),
        seam(wave(0.6), expanded=0.4),  # within what is not known
        seam(np.where(np.arange(30) < 15, 2.0, 3.0)),  # a step stays
        seam(wave(0.6) + 0.3 * (-1.0) ** np.arange(30)),  # a form that wavers
        seam(wave(0.6, at=0)),  # with a neighbour on one side only
        seam(np.where(np.arange(30) == 8, np.nan, wave(0.6))),
        seam([2.0, 3.0]),
    ],
)
def test_nothing_is_told_of_what_a_seam_may_do(columns: Columns) -> None:
    assert unlike_neighbours(columns, "root_gap") == []
    assert not worst(columns, ())["unlike_neighbours"]


def test_a_short_undercut_is_no_doubt() -> None:
    values = np.zeros(20)
    values[7] = 0.8
    assert unlike_neighbours(seam(values, "undercut_left"), "undercut_left") == []


def test_an_undercut_that_one_section_lacks_is_told() -> None:
    values = np.full(20, 0.8)
    values[7] = 0.2
    assert unlike_neighbours(seam(values, "undercut_left"), "undercut_left") == [7]


def test_angles_have_a_least_difference_of_their_own() -> None:
    assert unlike_neighbours(seam(60 + wave(0.6), "groove_angle", "deg"), "groove_angle") == []
    assert unlike_neighbours(seam(60 + wave(2.0), "groove_angle", "deg"), "groove_angle") == [9]
