"""Other light that fills the place where a line is interrupted is left out; a groove of the metal stays."""

from __future__ import annotations

import numpy as np
import pytest

from benchmarks.render.laser import Light, stripe_picture
from vision.stripe import extract
from vision.stripe_filled import filled_in

SHAPE, SLOPE = (200, 640), 0.05
GAP = (300.0, 320.0)


def on_line(first: float, last: float, aside: float = 0.0) -> np.ndarray:
    at = np.array([first, last])
    return np.column_stack([at, 100.0 + SLOPE * at + aside])


@pytest.mark.parametrize("aside", [-5.0, 5.0, 7.0])
@pytest.mark.parametrize("seed", range(3))
def test_a_ghost_in_a_gap_is_left_out(aside: float, seed: int) -> None:
    """It was followed as a notch of the face, 3 px deep."""
    pieces = [on_line(-10.0, GAP[0]), on_line(GAP[1], 660.0)]
    light = Light(amplitude=150.0, sigma_px=2.4, noise=3.0, ghosts=((on_line(*GAP, aside), 90.0, 2.4),))
    stripe = extract(stripe_picture(SHAPE, pieces, light, np.random.default_rng(seed)))
    off = stripe.points_px[:, 1] - (100.0 + SLOPE * stripe.points_px[:, 0])
    assert np.abs(off).max() < 1.2
    assert len(off) > 590
    assert any(gap.length_px > 15 for gap in stripe.gaps)


@pytest.mark.parametrize(("share", "aside", "turn", "marked"), [
    (0.55, 3.0, 0.0, True),
    (0.95, 3.0, 0.0, False),  # as bright as the line: a floor
    (0.55, 0.0, 0.0, False),  # in line: dull metal
    (0.55, 3.0, 0.4, False),  # at a corner: an undercut beside a toe
])  # fmt: skip
def test_what_lies_along_the_line_beside_it_and_is_dim_is_marked(
    share: float, aside: float, turn: float, marked: bool
) -> None:
    x = np.arange(300.0)
    inside = (x >= 140) & (x < 160)
    y = 50.0 + np.where(inside, aside, 0.0) + turn * np.maximum(x - 150.0, 0.0)
    height = np.where(inside, share, 1.0) * 120.0
    found = filled_in(np.column_stack([x, y]), np.full(300, 0.05), height, 2.0)
    assert bool(found.any()) is marked
    assert not found[:130].any()
    assert not found[170:].any()


def test_a_dim_corner_whose_points_are_not_well_known_is_left() -> None:
    """What runs up to it on both sides is straight for its own points' scatter, not for that of the dim ones."""
    x = np.arange(300.0)
    inside = (x >= 138) & (x < 162)
    y = 50.0 + 0.25 * np.abs(x - 150.0)
    std = np.where(inside, 0.4, 0.05)
    height = np.where(inside, 0.4, 1.0) * 120.0
    assert not filled_in(np.column_stack([x, y]), std, height, 4.0).any()
