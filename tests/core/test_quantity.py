"""Quantities: the budget is summed as the GUM says, and what is not known is not zero."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from core.errors import CalibrationRefused, NothingMeasurable, ToelineError, UnreadableFile, UsageError
from core.quantity import Component, Quantity


@given(st.lists(st.floats(0, 100), min_size=1, max_size=8))
def test_independent_parts_add_by_their_squares(parts: list) -> None:
    """Combined standard uncertainty: JCGM 100:2008, 5.1.2; expanded with k = 2: 6.3.3."""
    value = Quantity(1.0, "mm", tuple(Component(str(i), part) for i, part in enumerate(parts)))
    expected = math.sqrt(math.fsum(part**2 for part in parts))
    assert value.standard_uncertainty == pytest.approx(expected)
    assert value.expanded_uncertainty == pytest.approx(2 * expected)


def test_uncertainty_that_was_not_evaluated_is_none() -> None:
    assert Quantity(1.0, "mm").standard_uncertainty is None
    assert Quantity(1.0, "mm").expanded_uncertainty is None
    assert Quantity(1.0, "mm", (Component("edge", 0.0),)).expanded_uncertainty == 0.0


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_value_must_be_a_number(bad: float) -> None:
    with pytest.raises(ValueError, match="finite"):
        Quantity(bad, "mm")


@pytest.mark.parametrize("bad", [math.nan, math.inf, -0.1])
def test_uncertainty_must_be_a_number_and_not_negative(bad: float) -> None:
    with pytest.raises(ValueError, match="'edge'"):
        Component("edge", bad)


@pytest.mark.parametrize(
    ("error", "status"),
    [(UsageError, 2), (UnreadableFile, 3), (NothingMeasurable, 4), (CalibrationRefused, 4)],
)
def test_errors_have_the_exit_status_of_the_contract(error: type[ToelineError], status: int) -> None:
    raised = error("what is wrong, where, what to do")
    assert raised.exit_status == status
    assert str(raised) == "what is wrong, where, what to do"
    assert raised.code
    assert error("x", code="special").code == "special"
