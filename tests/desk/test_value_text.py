"""A value as text: the interval is told by its ends where it is cut."""

from __future__ import annotations

import pytest

from desk.value_text import scale_kind, value_cells, worded, worded_steps


@pytest.mark.parametrize(
    ("value", "expanded", "interval", "unit", "told"),
    [
        (5.41, 0.05, (5.36, 5.46), "mm", "0.05"),
        (0.01, 0.03, (0.0, 0.04), "mm", "0 to 0.04"),
        (100.0, 9.4, (90.6, 100.0), "percent", "90.6 to 100.0"),
        (97.0, 9.4, (87.6, 100.0), "percent", "87.6 to 100.0"),
        (50.0, 9.4, (40.6, 59.4), "percent", "9.4"),
        (25.812, 1.2361, (24.576, 27.048), "percent", "1.2"),
        (3.0, 9.4, (0.0, 12.4), "percent", "0 to 12.4"),
    ],
)
def test_what_is_less_than_nothing_or_more_than_all_is_cut(
    value: float, expanded: float, interval: tuple[float, float], unit: str, told: str
) -> None:
    item = {"value": value, "expanded_uncertainty": expanded, "interval": interval, "unit": unit}
    assert value_cells(item, "mm")[1] == told


def test_nothing_has_no_sign() -> None:
    item = {"value": -0.0004, "expanded_uncertainty": 0.02, "interval": None, "unit": "mm"}
    assert value_cells(item, "mm")[0] == "0.00"


TOLD = {
    "its radius is no more than 0.36 mm; move closer": "its radius is no more than 0.014 in; move closer",
    "fitted over 0.50 to 1.00 mm of the face": "fitted over 0.020 to 0.039 in of the face",
    "no undercut above the noise of 0.001 mm": "no undercut above the noise of 0.00004 in",
    "the 2 mm that a tangent needs": "the 0.079 in that a tangent needs",
    "a radius of about 1600 mm, fitted, ± 3.0 mm": "a radius of about 63.0 in, fitted, ± 0.12 in",
    "leaves less than 32 x 32 pixels": "leaves less than 32 x 32 pixels",
    "the scale is what the file says (0.02 mm per pixel)": "the scale is what the file says (0.02 mm per pixel)",
    'say --pitch "0.5 mm"': 'say --pitch "0.5 mm"',
    "an area of 4.2 mm² and 7 mm2": "an area of 4.2 mm² and 7 mm2",
    "a 1/4 mm": "a 1/4 mm",
}


@pytest.mark.parametrize("text", TOLD)
def test_a_reason_tells_its_lengths_in_the_unit_of_the_screen(text: str) -> None:
    assert worded(text, "metric") == text
    assert worded(text, "inch") == TOLD[text]


def test_what_moves_a_gauge_is_in_inches_and_its_own_sizes_as_marked() -> None:
    why = "the end of the slide is 2 mm wide (+0.14 mm); it reaches 5 mm, but not 6 mm"
    assert worded_steps(why, "inch") == "the end of the slide is 2 mm wide (+0.0055 in); it reaches 5 mm, but not 6 mm"
    assert worded_steps(why, "metric") == why


def test_a_scale_is_told_by_where_it_comes_from() -> None:
    """ "Scale: scale" told nobody anything."""
    assert [scale_kind(kind) for kind in ("scale", "resolution", "ruler")] == ["as given", "as the file says", "ruler"]
