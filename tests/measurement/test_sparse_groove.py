"""Undercut beside a toe where points of a cloud lie nearly as far apart as it is wide."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from core.quantity import Quantity
from measurement import measure

SPACING_MM, NOISE_MM = 0.3, 0.04


def trial(draw, depth: float, width: float, rng: np.random.Generator, *, sharp: bool):
    """Values of a butt weld in points that were averaged over the spacing, as those of a cloud are."""
    fine = (np.arange(15) + 0.5) / 15 - 0.5

    def one(along):
        share = np.clip(along / width, 0.0, 1.0)
        return depth * (1 - np.abs(2 * share - 1) if sharp else np.sin(math.pi * share))

    sampling = draw.Sampling(spacing=SPACING_MM, noise=NOISE_MM, rng=rng, resolution=SPACING_MM)
    drawn = draw.butt(
        12.0, 1.5, sampling, beside=lambda along: -np.mean([one(along + part * SPACING_MM) for part in fine], axis=0)
    )
    return measure(replace(drawn, one_sided=True, blur_mm=SPACING_MM / math.sqrt(12.0)))


@pytest.mark.parametrize("sharp", [False, True])
def test_intervals_hold_the_depth_seen_or_not(draw, sharp: bool) -> None:
    rng = np.random.default_rng(4)
    held, told, large = [], 0, []
    for _ in range(40):
        depth, width = rng.uniform(0.1, 0.8), rng.uniform(0.7, 1.6)
        found = trial(draw, depth, width, rng, sharp=sharp)
        for side in ("left", "right"):
            value = found[f"undercut_{side}"]
            if not isinstance(value, Quantity):
                continue
            told += 1
            held.append(abs(value.value - depth) <= value.expanded_uncertainty)
            large.append(depth < 0.4 or value.value > 0)
    assert told > 70
    assert np.mean(held) >= 0.93
    assert all(large)


def test_a_plate_without_a_groove_shows_none(draw) -> None:
    rng = np.random.default_rng(6)
    for _ in range(40):
        found = trial(draw, 0.0, 1.0, rng, sharp=False)
        for side in ("left", "right"):
            value = found[f"undercut_{side}"]
            assert isinstance(value, Quantity)
            assert value.value == 0
            assert 0.05 < value.expanded_uncertainty < 0.4


def test_what_hardly_a_point_speaks_against_is_not_told_as_none(draw) -> None:
    """Points nearly a millimetre apart, with much scatter."""
    sampling = draw.Sampling(spacing=0.9, noise=0.2, rng=np.random.default_rng(3), resolution=0.9)
    drawn = replace(draw.butt(12.0, 1.5, sampling), one_sided=True, blur_mm=0.9 / math.sqrt(12.0))
    found = measure(drawn)["undercut_left"]
    assert found.reason.startswith("points lie so far apart")


def test_a_wide_groove_between_coarse_points_keeps_its_width_and_depth(draw) -> None:
    """One wider than those that few points are laid against has points enough of its own."""
    spacing, depth, width = 0.085, 0.9, 3.2
    sampling = draw.Sampling(spacing=spacing, noise=0.02, rng=np.random.default_rng(2), resolution=spacing)
    drawn = draw.butt(
        12.0, 1.5, sampling, beside=lambda along: -depth * np.sin(math.pi * np.clip(along / width, 0.0, 1.0))
    )
    found = measure(replace(drawn, one_sided=True, blur_mm=0.1))
    for side in ("left", "right"):
        deep, wide = found[f"undercut_{side}"], found[f"undercut_width_{side}"]
        assert abs(deep.value - depth) < deep.expanded_uncertainty < 0.2
        assert abs(wide.value - width) < wide.expanded_uncertainty < 0.5
