"""The rim of a surface from points that stray beyond it: against the place where they were made to end."""

from __future__ import annotations

import math

import numpy as np
import pytest

from vision.cloud_rim import rim_of


@pytest.mark.parametrize("noise_mm", [0.05, 0.1, 0.15])
@pytest.mark.parametrize("per_mm", [25.0, 60.0])
def test_a_rim_is_told_without_bias_and_nearly_as_well_as_can_be(noise_mm: float, per_mm: float) -> None:
    rng = np.random.default_rng(4)
    off, inside = [], []
    for _ in range(250):
        places = rng.uniform(-4.0, 0.0, rng.poisson(4.0 * per_mm))
        told = rim_of(places + rng.normal(0, noise_mm, len(places)), noise_mm)
        assert told is not None
        off.append(told[0])
        inside.append(abs(told[0]) <= 2 * told[1])
    spread = float(np.std(off))
    assert abs(float(np.mean(off))) < 4 * spread / math.sqrt(250)
    # Cramér-Rao bound of the end of points of density n, each off by s: the root of s / (0.903 n). Of points that
    # hardly stray it is not reached, as the last one may lie a spacing before the end.
    assert spread < 1.3 * math.hypot(math.sqrt(noise_mm / (0.903 * per_mm)), 0.6 / per_mm)
    assert float(np.mean(inside)) >= 0.93


def test_strays_beyond_a_rim_do_not_draw_it_out() -> None:
    rng = np.random.default_rng(5)
    places = np.append(rng.uniform(-4.0, 0.0, 240) + rng.normal(0, 0.1, 240), [0.9, 1.4])
    told = rim_of(places, 0.1)
    assert told is not None
    assert abs(told[0]) < 0.2


@pytest.mark.parametrize(("count", "length_mm"), [(8, 4.0), (40, 0.3)])
def test_few_points_or_a_short_surface_tell_no_rim(count: int, length_mm: float) -> None:
    assert rim_of(np.linspace(-length_mm, 0.0, count), 0.1) is None
