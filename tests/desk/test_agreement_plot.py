"""Points of operators who read the same lie beside each other in a plot of agreement."""

import itertools

import pytest

from desk.agreement_plot import MOST_NAMED, WIDEST_ASIDE, _beside


@pytest.mark.parametrize("operators", range(1, MOST_NAMED + 1))
def test_no_two_operators_lie_on_each_other_however_many_read_the_same(operators: int) -> None:
    aside = [_beside(number, operators) for number in range(operators)]
    assert sum(aside) == pytest.approx(0.0)
    assert all(after - before >= 3.0 for before, after in itertools.pairwise(aside))
    assert max(aside) - min(aside) <= WIDEST_ASIDE
