"""Seams around a pipe, whose plates are swept along the pipe's axis too, and what lies across the middle of a seam."""

import numpy as np
import pytest

from vision.cloud import Cloud, sections
from vision.cloud_seam import shifts_between
from vision.find_profile import find_welds_in_profile

RADIUS_MM, ARC_RAD = 57.0, 0.9


def _around(section: np.ndarray, count: int, seed: int) -> np.ndarray:
    """Return points (N, 3) of a section (across, height) swept around a pipe along the x axis; gaps are not finite."""
    rng = np.random.default_rng(seed)
    steps = np.nan_to_num(np.hypot(*np.diff(section, axis=0).T))
    way = np.concatenate([[0.0], np.cumsum(steps)])
    at = rng.uniform(0.0, way[-1], count)
    number = np.minimum(np.searchsorted(way, at, side="right") - 1, len(steps) - 1)
    share = (at - way[number]) / np.maximum(steps[number], 1e-9)
    across, height = (section[number] + share[:, None] * (section[number + 1] - section[number])).T
    angle = rng.uniform(-ARC_RAD / 2, ARC_RAD / 2, count)
    reach = RADIUS_MM + height
    points = np.column_stack([across, reach * np.sin(angle), reach * np.cos(angle)])
    return points[np.isfinite(points).all(axis=1)] + rng.normal(0.0, 0.03, (np.isfinite(points).all(axis=1).sum(), 3))


def _cap() -> np.ndarray:
    x = np.linspace(-5.0, 5.0, 60)
    face = np.column_stack([x, 1.2 * (1 - (x / 5.0) ** 2)])
    return np.vstack([[[-20.0, 0.0]], face, [[20.0, 0.0]]])


def _groove() -> np.ndarray:
    left = np.array([[-20.0, 0.0], [-5.3, 0.0], [-1.25, -7.0]])
    return np.vstack([left, [[np.nan, np.nan]], left[::-1] * [-1.0, 1.0]])


@pytest.mark.parametrize(("joint", "section"), [("butt", _cap()), ("groove", _groove())])
def test_the_seam_around_a_pipe_is_found_and_not_the_axis(joint: str, section: np.ndarray) -> None:
    cut = sections(Cloud(_around(section, 50_000, 1)), 4.0, joint=joint)  # type: ignore[arg-type]
    assert abs(cut.info.seam[1]) > 0.99
    assert cut.info.air[2] > 0.99
    assert cut.info.length_mm == pytest.approx(ARC_RAD * RADIUS_MM, abs=4.0)
    profile = cut.at(len(cut) // 2).profile
    assert profile is not None
    assert find_welds_in_profile(profile, joint=joint).welds[0].section.joint == joint  # type: ignore[arg-type]


def test_a_clamp_across_the_middle_hides_no_other_piece() -> None:
    x = np.arange(-20.0, 20.0, 0.25)
    plates = np.where(np.abs(x) < 5.0, 1.2 - x**2 / 20.8, 0.0)
    heights = [np.full(len(x), 12.0) if place in (5, 6) else plates + 0.01 * place for place in range(12)]
    found = shifts_between(heights)
    assert np.isnan(found[[5, 6]]).all()
    known = np.delete(found, [5, 6], axis=0)
    assert np.isfinite(known).all()
    assert np.abs(known[:, 1] - np.median(known[:, 1])).max() < 0.08
