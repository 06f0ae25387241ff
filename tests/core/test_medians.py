"""The quick median is numpy's, whatever the count and whatever is no number."""

from __future__ import annotations

import math

import numpy as np
import pytest

from core.medians import median


@pytest.mark.parametrize("count", [1, 2, 3, 8, 101, 400])
@pytest.mark.parametrize("kind", [np.float64, np.float32, np.int64])
def test_it_is_the_middle_of_the_sorted_values(count, kind):
    values = (100 * np.random.default_rng(count).standard_normal(count)).astype(kind)
    before = values.copy()
    assert median(values) == float(np.median(values))
    assert np.array_equal(values, before)


def test_tables_and_lists_count_value_by_value():
    assert median(np.arange(6.0).reshape(2, 3)) == 2.5
    assert median([3, 1, 2]) == 2.0


def test_what_is_no_number_or_empty_has_no_median():
    assert math.isnan(median([1.0, math.nan, 2.0]))
    assert math.isnan(median(np.zeros(0)))
