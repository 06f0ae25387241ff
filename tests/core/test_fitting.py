"""The robust line: not captured by a bead, and honest about what it does not know."""

import math

import numpy as np
import pytest

from core.fitting import robust_line, total_least_squares
from core.geometry import rotate


def plate_with_bead(rng: np.random.Generator, share: float, noise: float = 0.01, count: int = 600) -> np.ndarray:
    x = np.linspace(0, 20, count)
    y = rng.normal(0, noise, count)
    first = int((1 - share) * count)
    y[first:] += 2.0 * np.sin(np.linspace(0, math.pi / 2, count - first)) + 0.1
    return np.column_stack([x, y])


def tilt_deg(line: object) -> float:
    angle = math.degrees(math.atan2(line.dy, line.dx))  # type: ignore[attr-defined]
    return (angle + 90) % 180 - 90


@pytest.mark.parametrize("share", [0.1, 0.3, 0.45, 0.55])
@pytest.mark.parametrize("seed", range(3))
def test_bead_in_one_block_does_not_turn_the_line(share: float, seed: int) -> None:
    points = plate_with_bead(np.random.default_rng(seed), share)
    assert abs(tilt_deg(robust_line(points, 0.01).line)) < 0.1
    if share >= 0.3:
        assert abs(tilt_deg(total_least_squares(points))) > 2.0


@pytest.mark.parametrize("angle_deg", [0, 37, 90, 123, 180, 271])
def test_fit_turns_with_its_points(angle_deg: float) -> None:
    points = rotate(plate_with_bead(np.random.default_rng(1), 0.3), math.radians(angle_deg))
    fitted = tilt_deg(robust_line(points, 0.01).line)
    assert (fitted - angle_deg + 90) % 180 - 90 == pytest.approx(0, abs=0.1)


def test_stated_uncertainty_is_the_scatter_of_repeated_fits() -> None:
    """Monte Carlo: the standard deviation over 200 fits of fresh noise against the one stated."""
    rng = np.random.default_rng(5)
    angles, offsets, stated = [], [], []
    for _ in range(200):
        points = np.column_stack([np.linspace(-10, 10, 300), rng.normal(0, 0.02, 300)])
        fit = robust_line(points, 0.02)
        angles.append(math.radians(tilt_deg(fit.line)))
        offsets.append(fit.line.y)
        stated.append((fit.offset_std, fit.angle_std_rad))
    offset_std, angle_std = np.mean(stated, axis=0)
    assert np.std(angles) == pytest.approx(angle_std, rel=0.2)
    assert np.std(offsets) == pytest.approx(offset_std, rel=0.2)
    assert fit.std_at(0.0) == fit.offset_std
    assert fit.std_at(30.0) > fit.std_at(10.0) > fit.offset_std


def test_correlated_points_tell_less() -> None:
    points = plate_with_bead(np.random.default_rng(2), 0.0 + 0.1)
    alone, correlated = (robust_line(points, 0.01, correlation_points=c) for c in (1.0, 4.0))
    assert correlated.offset_std == pytest.approx(2 * alone.offset_std, rel=1e-6)


def test_inliers_are_the_plate() -> None:
    points = plate_with_bead(np.random.default_rng(3), 0.4)
    inliers = robust_line(points, 0.01).inliers
    assert inliers[:350].mean() > 0.98
    assert not inliers[380:].any()


def test_too_few_points() -> None:
    with pytest.raises(ValueError, match="at least 8"):
        robust_line(np.zeros((7, 2)), 0.1)
