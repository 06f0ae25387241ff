"""The path of greatest contrast and the test that keeps grain from passing for a boundary."""

import itertools

import numpy as np
import pytest

from vision.fusion_path import best_paths, contrast, strip, support


def brute_force(scores: np.ndarray, bend: float) -> float:
    rows, stations = scores.shape
    return max(
        sum(scores[row, at] for row, at in enumerate(path))
        - bend * sum((b - a) ** 2 for a, b in itertools.pairwise(path))
        for path in itertools.product(range(stations), repeat=rows)
    )


@pytest.mark.parametrize("shape", [(2, 5, 5), (1, 6, 4), (2, 1, 5), (1, 2, 7)])
def test_best_path_is_the_best_of_all_paths(shape: tuple[int, int, int]) -> None:
    rng = np.random.default_rng(3)
    scores = rng.normal(size=shape).astype(np.float32)
    paths = best_paths(scores, bend=0.3)
    for number, sheet in enumerate(scores):
        path, best = paths.path(number), brute_force(sheet, 0.3)
        found = sum(sheet[row, at] for row, at in enumerate(path)) - 0.3 * np.sum(np.diff(path) ** 2)
        assert found == pytest.approx(best, abs=1e-5)
        assert paths.totals[number] == pytest.approx(best, abs=1e-5)


def step_sheet(step: float, noise: float, seed: int = 1, at: int = 60) -> tuple[np.ndarray, np.ndarray]:
    values = np.zeros((120, 120), np.float32)
    values[:, at:] = step
    values += noise * np.random.default_rng(seed).standard_normal(values.shape).astype(np.float32)
    return values, np.ones_like(values)


def test_contrast_is_greatest_at_the_step_and_signed() -> None:
    values, metal = step_sheet(20.0, 0.0)
    found = contrast(strip(values, metal, 0.06))
    assert abs(int(found[60].argmax()) - 59.5) <= 1
    assert found[60].max() == pytest.approx(20.0, rel=0.01)
    assert contrast(strip(-values, metal, 0.06))[60].min() == pytest.approx(-20.0, rel=0.01)


def test_a_step_is_supported_and_noise_is_not() -> None:
    values, metal = step_sheet(6.0, 8.0)
    path = np.full(120, 60)
    held = support(strip(values, metal, 0.06), path, 12.0)
    assert held.score > 12
    assert held.seen > 0.85
    plain, metal = step_sheet(0.0, 8.0)
    followed = best_paths((contrast(strip(plain, metal, 0.06)) / 2.0)[None]).path(0)
    assert support(strip(plain, metal, 0.06), followed, 12.0).seen < 0.7


def test_a_slow_drift_is_told_from_a_step() -> None:
    values, metal = step_sheet(0.0, 1.0)
    values += np.arange(120, dtype=np.float32)[None] * 0.5
    tested = support(strip(values, metal, 0.06), np.full(120, 60), 12.0)
    assert abs(tested.step) < 2.5 * tested.drift


def test_what_is_no_metal_has_no_contrast() -> None:
    values, metal = step_sheet(20.0, 0.0)
    metal[:, 55:70] = 0
    assert np.all(contrast(strip(values, metal, 0.06))[:, 58:62] == 0)
