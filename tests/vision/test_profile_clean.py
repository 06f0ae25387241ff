"""Profiles as devices write them: in any order, with words for nothing, stray points, depths for heights."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from core.errors import NothingMeasurable
from core.quantity import Quantity
from measurement import measure
from vision.profile_clean import ordered, without_nothing, without_spikes
from vision.profile_file import height_step, profile_from_points, read_profile
from vision.profile_side import find_welds_in_file

NOISE_MM, CAP_MM, CAP_WIDTH_MM = 0.02, 1.8, 11.0


def cap(count: int = 800, seed: int = 1, *, offset_mm: float = 0.4) -> np.ndarray:
    """A butt weld with the arc of a circle for its cap, from left to right."""
    x = np.linspace(-30.0, 30.0, count)
    radius = (CAP_WIDTH_MM**2 / 4 + CAP_MM**2) / (2 * CAP_MM)
    share = np.clip(x / CAP_WIDTH_MM + 0.5, 0, 1)
    rise = np.sqrt(np.maximum(radius**2 - x**2, 0)) - (radius - CAP_MM)
    surface = np.where(np.abs(x) < CAP_WIDTH_MM / 2, rise, 0.0) + offset_mm * share
    return np.column_stack([x, surface + np.random.default_rng(seed).normal(0, NOISE_MM, count)])


def nothing(points: np.ndarray, value: float, every: int = 20) -> np.ndarray:
    changed = points.copy()
    changed[::every, 1] = value
    return changed


def jumping(points: np.ndarray, height_mm: float) -> np.ndarray:
    changed = points.copy()
    rng = np.random.default_rng(3)
    at = rng.choice(len(points), 10, replace=False)
    changed[at, 1] += rng.choice([-1, 1], 10) * height_mm
    return changed


FILES: dict[str, Callable[[], np.ndarray]] = {
    "shuffled": lambda: np.random.default_rng(2).permutation(cap()),
    "there and back": lambda: np.vstack([cap(), cap(seed=2)[::-1]]),
    "0 for nothing": lambda: nothing(cap(offset_mm=0.4) + np.array([0, 150.0]), 0.0),
    "-999 for nothing": lambda: nothing(cap(), -999.0),
    "far points": lambda: jumping(cap(), 6.0),
    "near points": lambda: jumping(cap(), 0.5),
    "20,000 points": lambda: cap(20_000),
    "7,000 points": lambda: cap(7_000),
    "tenths of a mm": lambda: np.round(cap() / [1e-4, 0.1]) * [1e-4, 0.1],
}


def values(tmp_path: Path, points: np.ndarray) -> tuple[dict, list[str]]:
    path = tmp_path / "profile.csv"
    np.savetxt(path, points, fmt="%.4f", delimiter=",")
    (weld,) = find_welds_in_file(read_profile(path)).welds
    assert weld.section.joint == "butt"
    return measure(weld.section), [flag.code for flag in weld.flags]


@pytest.mark.parametrize("kind", FILES)
def test_a_cap_is_measured_however_its_points_are_kept(kind: str, tmp_path: Path) -> None:
    found, _ = values(tmp_path, FILES[kind]())
    height = found["reinforcement"]
    assert isinstance(height, Quantity)
    assert height.value == pytest.approx(CAP_MM, abs=0.05)
    assert abs(height.value - CAP_MM) <= height.expanded_uncertainty


def test_points_that_are_left_out_are_told(tmp_path: Path) -> None:
    assert "stray_points" in values(tmp_path, FILES["-999 for nothing"]())[1]
    assert "stray_points" in values(tmp_path, FILES["far points"]())[1]
    assert "stray_points" not in values(tmp_path, cap())[1]


def test_depths_are_told_from_heights_or_the_doubt_is_told(tmp_path: Path) -> None:
    corner = np.column_stack([np.linspace(-20, 20, 801), np.zeros(801)])
    corner[:, 1] = np.maximum(np.abs(corner[:, 0]), 4.0) + np.random.default_rng(4).normal(0, 0.01, 801)
    path = tmp_path / "tee.csv"
    np.savetxt(path, corner * [1, -1], fmt="%.4f", delimiter=",")
    (weld,) = find_welds_in_file(read_profile(path)).welds
    assert weld.section.joint == "tee"
    assert "upside_down" in [flag.code for flag in weld.flags]
    angle = measure(weld.section)["joint_angle"]
    assert isinstance(angle, Quantity)
    assert angle.value == pytest.approx(90.0, abs=0.3)
    np.savetxt(path, corner, fmt="%.4f", delimiter=",")
    (weld,) = find_welds_in_file(read_profile(path)).welds
    assert weld.flags == ()
    assert {"air_side_doubtful", "upside_down"} & set(values(tmp_path, cap() * [1, -1])[1])
    assert values(tmp_path, cap())[1] == []


def test_what_shows_a_joint_from_neither_side_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "flat.csv"
    flat = np.column_stack([np.linspace(-20, 20, 400), np.random.default_rng(5).normal(0, 0.02, 400)])
    np.savetxt(path, flat, fmt="%.4f", delimiter=",")
    with pytest.raises(NothingMeasurable, match="recognised"):
        find_welds_in_file(read_profile(path))


def test_a_narrow_undercut_is_no_stray_point() -> None:
    points = cap()
    beside = np.abs(points[:, 0] - CAP_WIDTH_MM / 2 - 0.15) < 0.15
    points[beside, 1] -= 0.4
    assert len(without_spikes(points, NOISE_MM)) == len(points)


def test_a_level_plate_far_below_is_no_word_for_nothing() -> None:
    step = np.vstack([cap(), np.column_stack([np.linspace(30.1, 45, 200), np.full(200, -12.0)])])
    assert len(without_nothing(step)) == len(step)


def test_the_outline_of_a_section_keeps_its_order() -> None:
    angle = np.linspace(0, 2 * np.pi, 400, endpoint=False)
    outline = np.column_stack([20 * np.cos(angle), 6 * np.sin(angle)])
    assert np.array_equal(ordered(outline), outline)
    assert profile_from_points(outline).closed


@pytest.mark.parametrize("step_mm", [0.0, 0.05, 0.1])
def test_rounded_heights_are_no_better_known_than_their_step(step_mm: float) -> None:
    points = cap()
    if step_mm:
        points[:, 1] = np.round(points[:, 1] / step_mm) * step_mm
    assert height_step(points) == pytest.approx(step_mm)
    assert profile_from_points(points).std_mm[0] >= step_mm / np.sqrt(12)


def test_zeros_for_nothing_are_left_out_where_heights_lie_on_both_sides_of_0(tmp_path: Path) -> None:
    """A steep plate was not seen at every second place, and a hole lies in the other one."""
    x = np.arange(-30.0, 30.0, 0.06)
    tee = np.where(x < -5, -0.4 * (x + 5) - 2.0, np.where(x < 5, 0.1 * (x + 5) - 2.0, 1.7 * (x - 5) - 1.0))
    tee += np.random.default_rng(2).normal(0, 0.01, len(x))
    kept = tee.copy()
    tee[(x > 5) & (np.random.default_rng(3).random(len(x)) < 0.5)] = 0.0
    tee[(x > -25) & (x < -24)] = 0.0
    left = without_nothing(np.column_stack([x, tee]))
    lost = np.flatnonzero((tee == 0) & (np.abs(kept) > 1.0))
    assert not np.isin(x[lost], left[:, 0]).any()
    assert len(left) >= len(x) - np.count_nonzero(tee == 0)


def test_a_surface_at_height_0_stays() -> None:
    """A step down to a level plate whose heights are rounded, and a slot whose floor is no jump away."""
    x = np.arange(0.0, 60.0, 0.1)
    step = np.where(x < 40, 6.0, 0.0)
    slope = np.where(x < 30, 3.0 - 0.1 * x, 0.0)
    for heights in (step, slope):
        points = np.column_stack([x, heights])
        assert len(without_nothing(points)) == len(points)
