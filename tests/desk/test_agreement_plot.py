"""Points of operators who read the same lie beside each other in a plot of agreement."""

import itertools

import numpy as np
import pytest

from desk.agreement_plot import MOST_NAMED, WIDEST_ASIDE, _beside, agreement_plot, signed
from inspection.comparison import compare
from inspection.readings import Reading, Readings


@pytest.mark.parametrize("operators", range(1, MOST_NAMED + 1))
def test_no_two_operators_lie_on_each_other_however_many_read_the_same(operators: int) -> None:
    aside = [_beside(number, operators) for number in range(operators)]
    assert sum(aside) == pytest.approx(0.0)
    assert all(after - before >= 3.0 for before, after in itertools.pairwise(aside))
    assert max(aside) - min(aside) <= WIDEST_ASIDE


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (0.0449, "in", "+0.045"),
        (-0.0151, "in", "−0.015"),
        (-0.0004, "in", "0.000"),
        (1.104, "mm", "+1.10"),
        (-0.26, "°", "−0.3"),
    ],
)
def test_a_difference_has_the_decimals_of_its_unit(value: float, unit: str, text: str) -> None:
    assert signed(value, unit) == text


def test_all_figures_of_a_panel_in_inches_have_three_decimals() -> None:
    """Wide differences once took a decimal from the figures that were written after them."""
    values = [6.0, 6.4, 7.0, 7.7, 6.9]
    measurements = {
        f"leg_{side}": {
            "state": "measured",
            "value": 6.5,
            "unit": "mm",
            "expanded_uncertainty": 0.1,
            "coverage_factor": 2.0,
        }
        for side in ("left", "right")
    }
    entry = {
        "source": {"path": "a.png", "sha256": None},
        "error": None,
        "welds": [{"id": "1", "measurements": measurements}],
    }
    rows = tuple(Reading(n, "a.png", "1", "leg_left", v, "mm", f"{v} mm", "gauge", "one") for n, v in enumerate(values))
    found = compare(Readings("readings.csv", rows, (), ()), [entry])
    drawn = agreement_plot([item for item in found.comparisons if item.groups], "svg", units="inch").decode()
    mean, spread = 0.3 / 25.4, 1.96 * float(np.std(np.array(values) - 6.5, ddof=1)) / 25.4
    for figure in (mean, mean - spread, mean + spread):
        assert f">{figure:+.3f}<".replace("-", "−") in drawn
