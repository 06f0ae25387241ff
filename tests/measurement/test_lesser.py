"""A value that follows the lesser of two: how far it may lie off when the other one is the lesser in truth."""

from __future__ import annotations

import math

import numpy as np
import pytest

from measurement.model import Model, evaluated
from measurement.monte_carlo import model_samples
from measurement.uncertainty import Input, Noise

EXACT = Noise(0.0, 1.0, 0.0, 0.0, 0.0, {})


def model(other: float, std: float, other_std: float) -> Model[tuple[float, float]]:
    """Two legs of 6 and ``other`` mm, each known on its own, and what is half of the lesser."""
    return Model(
        lambda legs: {"one": legs[0], "other": legs[1], "half": legs[0] / 2},
        (6.0, other),
        (
            Input("edge", lambda legs, share: (legs[0] + share * std, legs[1])),
            Input("toe location", lambda legs, share: (legs[0], legs[1] + share * other_std)),
        ),
        {"one": "mm", "other": "mm", "half": "mm"},
        EXACT,
        lesser={"half": ("one", "other")},
    )


@pytest.mark.parametrize(("std", "other_std"), [(0.02, 0.12), (0.1, 0.1), (0.12, 0.02)])
@pytest.mark.parametrize("apart", [0.0, 0.05, 0.3])
def test_the_lesser_of_two_is_known_as_well_as_drawn_ones_lie_together(
    apart: float, std: float, other_std: float
) -> None:
    rng = np.random.default_rng(5)
    least = np.minimum(rng.normal(6.0, std, 200_000), rng.normal(6.0 + apart, other_std, 200_000))
    off = math.sqrt(float(np.mean((least / 2 - 3.0) ** 2)))
    stated = evaluated(model(6.0 + apart, std, other_std))["half"].standard_uncertainty
    if apart == 0.0:
        assert stated == pytest.approx(off, rel=0.03)
    assert 0.99 * off < stated < 1.2 * off


def test_trials_take_the_lesser_of_two_each_time() -> None:
    drawn = model_samples(model(6.0, 0.1, 0.1), 40_000, np.random.default_rng(2))["half"]
    # The lesser of two standard normal numbers is -1/sqrt(pi) in the mean (H. A. David, Order Statistics, from memory).
    assert drawn.mean() == pytest.approx(3.0 - 0.05 / math.sqrt(math.pi), abs=1e-3)


def test_a_value_far_from_the_other_follows_its_own_budget() -> None:
    found = evaluated(model(7.0, 0.02, 0.12))
    assert found["half"].standard_uncertainty == pytest.approx(found["one"].standard_uncertainty / 2, rel=1e-6)
