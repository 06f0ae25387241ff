"""A value as text: the interval is told by its ends where it is cut."""

from __future__ import annotations

import pytest

from desk.value_text import value_cells


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
