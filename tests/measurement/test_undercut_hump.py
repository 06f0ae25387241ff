"""What stands in an undercut hides how deep it is."""

import numpy as np
import pytest

from measurement.undercut_hump import hidden_by_hump

STEP = 0.05


def groove(depth=0.8, width=2.6, hump=0.3, radius=0.45, std=0.01, seed=1):
    """Return distances and depths of an undercut in the form of a half sine, with half an ellipse in its middle."""
    along = np.arange(0.0, 6.0, STEP)
    shape = np.where(along < width, depth * np.sin(np.pi * along / width), 0.0)
    shape -= hump / radius * np.sqrt(np.maximum(radius**2 - (along - width / 2) ** 2, 0.0))
    return along, shape + np.random.default_rng(seed).normal(0, std, len(along))


@pytest.mark.parametrize(("depth", "radius"), [(0.8, 0.45), (0.5, 0.35), (1.2, 0.7)])
def test_what_a_drop_in_the_middle_hides(depth: float, radius: float) -> None:
    width = 1.0 + 2.0 * depth
    along, seen = groove(depth, width, 0.6 * radius, radius)
    hidden = depth - seen[np.abs(along - width / 2) > radius].max()
    assert hidden > 0.04
    assert hidden_by_hump(along, seen, width, 0.01) == pytest.approx(hidden, rel=0.7)
    assert 1.5 * hidden_by_hump(along, seen, width, 0.01) > hidden


@pytest.mark.parametrize("std", [0.005, 0.02, 0.06])
def test_a_plain_undercut_hides_nothing(std: float) -> None:
    assert [hidden_by_hump(*groove(hump=0.0, std=std, seed=seed), 2.6, std) for seed in range(40)] == [0.0] * 40


def test_a_hump_beyond_the_undercut_is_none_in_it() -> None:
    along, seen = groove(hump=0.0)
    seen[(along > 3.5) & (along < 4.5)] += 0.4
    assert hidden_by_hump(along, seen, 2.6, 0.01) == 0.0
