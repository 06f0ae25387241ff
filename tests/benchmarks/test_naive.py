"""The ways that others would take are given a fair trial: exact where they must be, told apart where they fail."""

import cv2
import numpy as np
import pytest

from benchmarks import naive
from benchmarks.render.laser import Light, stripe_picture

SHAPE = (200, 400)
TRUTH = np.column_stack([np.arange(-10.0, 410.0), 90.3 + 0.05 * np.arange(-10.0, 410.0)])


@pytest.fixture(scope="module")
def frame() -> np.ndarray:
    return stripe_picture(SHAPE, TRUTH, Light(sigma_px=2.0, noise=1.0), np.random.default_rng(3))


@pytest.mark.parametrize(
    ("way", "limit"), [(naive.brightest, 0.8), (naive.centroids, 0.1), (naive.ridges, 0.05), (naive.our_line, 0.05)]
)
def test_every_way_finds_a_clean_line(frame: np.ndarray, way, limit: float) -> None:
    error = naive.line_errors(way(frame), [TRUTH], naive.line_truth([TRUTH], SHAPE))
    assert len(error) > 380
    assert np.sqrt(np.mean(error**2)) < limit


def test_columns_without_light_count_for_nothing() -> None:
    truth = naive.line_truth([TRUTH[:200]], SHAPE)
    assert np.isnan(truth[200:]).all()
    points = np.array([[50.0, 92.8], [300.0, 20.0]])
    assert len(naive.line_errors(points, [TRUTH[:200]], truth)) == 1


def test_the_exact_outline_has_no_error_and_a_shifted_one_its_shift() -> None:
    ring = np.array([[100.0, 80.0], [300.0, 80.0], [300.0, 250.0], [100.0, 250.0]])
    exact = naive.picture_errors([naive._dense(ring)], [ring], (400, 500))
    assert exact.max() < 1e-9
    moved = naive.picture_errors([naive._dense(ring + np.array([0.0, 0.5]))], [ring], (400, 500))
    assert 0.2 < np.sqrt(np.mean(moved**2)) < 0.5


def test_an_outline_that_leaves_half_out_is_punished() -> None:
    ring = np.array([[100.0, 80.0], [300.0, 80.0], [300.0, 250.0], [100.0, 250.0]])
    half = np.array([[100.0, 80.0], [200.0, 80.0], [200.0, 250.0], [100.0, 250.0]])
    assert np.quantile(naive.picture_errors([naive._dense(half)], [ring], (400, 500)), 0.9) > 20
    assert naive.picture_errors([], [ring], (400, 500)).min() == naive.CAP_PX


def test_contours_of_a_plain_square_lie_on_its_edge() -> None:
    picture = np.full((400, 500), 30, np.uint8)
    picture[100:300, 120:380] = 200
    ring = np.array([[119.5, 99.5], [379.5, 99.5], [379.5, 299.5], [119.5, 299.5]])
    for way, limit in ((naive.otsu_contours, 0.6), (naive.level_contours, 0.35)):
        error = naive.picture_errors(way(cv2.GaussianBlur(picture, (5, 5), 1.0)), [ring], picture.shape)
        assert np.sqrt(np.mean(error**2)) < limit


def test_the_verdict_names_who_is_ahead_and_who_is_fast() -> None:
    def entry(name: str, error: float, time_ms: float) -> dict:
        return {"name": name, "kind": "clean", "rms_px": error, "rms_near_px": error, "time_ms": time_ms}

    ours = entry("ours", 0.1, 5.0)
    told = naive.verdict(ours, [entry("fine", 0.05, 50.0), entry("near", 0.25, 10.0), entry("bad", 9.0, 1.0)])
    assert told["behind"] == ["fine"]
    assert told["fastest_comparable"] == "near"
    assert told["time_ratio"] == pytest.approx(0.5)
    assert naive.verdict(ours, [entry("bad", 9.0, 1.0)])["fastest_comparable"] is None
