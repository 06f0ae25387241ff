"""The quick median and quantile are numpy's, whatever the count and whatever is no number."""

from __future__ import annotations

import math

import numpy as np
import pytest

from core.medians import FEW, median, quantile


@pytest.mark.parametrize("count", [1, 2, 3, 8, 101, FEW, FEW + 1, FEW + 2, 4001, 15000])
@pytest.mark.parametrize("kind", [np.float64, np.float32, np.int64])
def test_it_is_the_middle_of_the_sorted_values(count, kind):
    values = (100 * np.random.default_rng(count).standard_normal(count)).astype(kind)
    before = values.copy()
    assert median(values) == float(np.median(values))
    assert np.array_equal(values, before)


@pytest.mark.parametrize("count", [2, 8, 2 * FEW])
def test_bytes_are_added_up_beyond_what_a_byte_holds(count):
    assert median(np.full(count, 200, np.uint8)) == 200.0


def test_tables_and_lists_count_value_by_value():
    assert median(np.arange(6.0).reshape(2, 3)) == 2.5
    assert median([3, 1, 2]) == 2.0


def test_what_is_no_number_or_empty_has_no_median():
    assert math.isnan(median([1.0, math.nan, 2.0]))
    assert math.isnan(median([*range(2 * FEW), math.nan]))
    assert math.isnan(median([*range(10000), math.nan]))
    assert math.isnan(median(np.zeros(0)))
    assert math.isnan(quantile(np.zeros(0), 0.5))


@pytest.mark.parametrize("count", [1, 2, 3, 8, 101, 2000, 15000])
@pytest.mark.parametrize("share", [0.0, 0.1, 0.5, 0.6827, 0.9, 1.0])
def test_a_share_of_the_values_lies_below_their_quantile(count, share):
    values = 100 * np.random.default_rng(count).standard_normal(count)
    assert quantile(values, share) == pytest.approx(float(np.quantile(values, share)), rel=1e-12)
    assert quantile(values.reshape(1, -1), share) == quantile(values, share)


def test_many_values_alike_are_their_own_median():
    values = np.ones(20000)
    values[:: len(values) // 1000] = 50.0
    assert median(values) == 1.0
    assert quantile(values, 0.02) == 1.0
