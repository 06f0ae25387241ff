"""A second line beside a laser line fills no gap in it, nor leads on where the first leaves the frame."""

from __future__ import annotations

import numpy as np
import pytest

from benchmarks.render.laser import Light, stripe_picture
from vision.stripe import extract
from vision.stripe_estimators import drawn_aside

LINE = np.array([[10.0, 150.0], [790.0, 170.0]])
SHAPE = (400, 800)


def rows_off(points: np.ndarray) -> np.ndarray:
    return points[:, 1] - np.interp(points[:, 0], *LINE.T)


def test_where_light_of_the_line_is_missing_a_second_one_is_not_taken() -> None:
    light = Light(noise=3.0, dark=((0.4, 0.6),), ghosts=((LINE + np.array([0.0, 60.0]), 90.0, 2.0),))
    stripe = extract(stripe_picture(SHAPE, LINE, light, np.random.default_rng(3)))
    assert np.abs(rows_off(stripe.points_px)).max() < 2.0
    assert len(stripe.points_px) > 550
    assert any(gap.length_px > 100 for gap in stripe.gaps)


def test_one_that_goes_on_where_the_line_leaves_the_frame_is_not_taken() -> None:
    line = np.array([[10.0, 300.0], [400.0, 280.0], [640.0, -40.0]])
    second = line + 60.0
    light = Light(noise=3.0, ghosts=((second, 150.0, 2.0),))
    points = extract(stripe_picture(SHAPE, line, light, np.random.default_rng(3))).points_px
    assert points[:, 0].max() < 620


def test_a_second_line_close_beside_a_speckled_one_does_not_draw_it() -> None:
    light = Light(noise=3.0, sigma_px=4.0, speckle=0.4, ghosts=((LINE + np.array([0.0, 17.0]), 50.0, 4.0),))
    stripe = extract(stripe_picture(SHAPE, LINE, light, np.random.default_rng(3)))
    assert abs(float(np.median(rows_off(stripe.points_px)))) < 0.2  # 1.2 px where it does


@pytest.mark.parametrize(("columns", "told"), [(40, False), (90, True)])
def test_centroids_beside_their_peaks_are_told_over_more_than_a_corner(columns: int, told: bool) -> None:
    peak = np.full(300, 20.0)
    centre = peak + np.random.default_rng(2).normal(0, 0.5, 300)
    centre[100 : 100 + columns] += 3.0
    assert bool(drawn_aside(centre, peak, 4.0, 16.0)[110 : 90 + columns].any()) is told
    assert not drawn_aside(centre, peak, 4.0, 16.0)[220:].any()
