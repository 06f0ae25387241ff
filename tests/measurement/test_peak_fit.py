"""The parabola about a highest place is the one of least squares, with the uncertainty that its weights have."""

from __future__ import annotations

import numpy as np
import pytest

from measurement.peak import _parabola
from measurement.uncertainty import Noise


def noise_of(std: float) -> Noise:
    return Noise(std, 1.0, 0.0, 0.0, 0.01, {}, 0.0)


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("half", [0.2, 1.0, 4.0])
def test_height_and_uncertainty_are_those_of_a_least_squares_fit(seed, half):
    rng = np.random.default_rng(seed)
    along = np.sort(rng.uniform(30.0, 45.0, 900))
    centre = float(rng.uniform(36.0, 39.0))
    height = 2.0 - 0.05 * (along - centre - 0.05) ** 2 + rng.normal(0, 0.01, len(along))
    found = _parabola(along, height, centre, half, noise_of(0.01))
    assert found is not None
    used = (along >= centre - half) & (along < centre + half)
    x = along[used] - centre
    bend, slope, base = np.polyfit(x, height[used], 2)
    top = -slope / (2 * bend) if bend < 0 else 0.0
    top = top if x[0] <= top <= x[-1] else 0.0
    design = np.column_stack([np.ones(len(x)), x, x * x])
    at = np.array([1.0, top, top * top])
    assert found.along == pytest.approx(centre + top, abs=1e-6)
    assert found.height == pytest.approx(base + slope * top + bend * top**2, abs=1e-9)
    assert found.curvature == pytest.approx(2 * bend, rel=1e-6)
    assert found.std == pytest.approx(0.01 * np.sqrt(at @ np.linalg.inv(design.T @ design) @ at), rel=1e-6)
