"""Points of a laser line steadied by their neighbours: nearer to the truth, honest, and not round corners."""

import numpy as np
import pytest

from benchmarks.render.laser import Light, stripe_picture
from vision.stripe import extract
from vision.stripe_share import shared, steadied

SHAPE = (480, 900)
X = np.arange(-20.0, 921.0)
WAVE = np.column_stack([X, 240 + 60 * np.sin(X / 150)])


def line(points: np.ndarray, light: Light, seed: int = 3):
    return extract(stripe_picture(SHAPE, [points], light, np.random.default_rng(seed)))


def errors(stripe, points: np.ndarray) -> np.ndarray:
    return stripe.points_px[:, 1] - np.interp(stripe.points_px[:, 0], *points.T)


@pytest.mark.parametrize(("sigma", "noise"), [(1.0, 2.0), (2.0, 5.0), (4.0, 5.0)])
def test_neighbours_make_single_points_better_and_say_by_how_much(sigma: float, noise: float) -> None:
    found = line(WAVE, Light(sigma_px=sigma, noise=noise))
    better = steadied(found)
    assert np.std(errors(better, WAVE)) < 0.75 * np.std(errors(found, WAVE))
    share = np.mean(np.abs(errors(better, WAVE)) < 2 * better.std_px)
    # no point is said to be better known than the least that the estimator claims
    assert 0.90 < share < (1.001 if noise < 5 else 0.99)


def test_a_corner_stays_as_sharp_as_it_was_found() -> None:
    corner = np.array([[-20.0, 400.0], [450.0, 120.0], [920.0, 400.0]])
    found = line(corner, Light(noise=2.0))
    better = steadied(found)
    near = np.abs(found.points_px[:, 0] - 450) < 12
    rms = [np.sqrt(np.mean(errors(stripe, corner)[near] ** 2)) for stripe in (found, better)]
    assert rms[1] < 1.15 * rms[0]


def test_a_line_along_the_columns_is_steadied_alike() -> None:
    picture = stripe_picture(SHAPE, [WAVE], Light(), np.random.default_rng(3))
    upright = steadied(extract(np.ascontiguousarray(picture.T)))
    assert upright.orientation == "columns"
    assert np.allclose(upright.points_px[:, ::-1], steadied(extract(picture)).points_px)


def test_speckle_moves_neighbours_alike_and_is_left_alone() -> None:
    found = line(WAVE, Light(speckle=0.3))
    assert np.array_equal(steadied(found).points_px, found.points_px)


def test_points_apart_are_no_neighbours() -> None:
    rng = np.random.default_rng(5)
    columns = np.concatenate([np.arange(100.0), np.arange(200.0, 300.0, 4.0)])
    points = np.column_stack([columns, rng.normal(0, 0.1, len(columns))])
    better, std = shared(points, np.full(len(points), 0.1))
    assert np.array_equal(better[100:], points[100:])
    assert np.array_equal(std[100:], np.full(25, 0.1))
    assert np.std(better[:100, 1]) < 0.6 * np.std(points[:100, 1])
